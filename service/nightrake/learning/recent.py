"""What may have happened lately, each with its weight: nothing, a step, a bend, a bend and a step, two of a kind.

Steps and bends of long ago stand (`knots`). For the last months no single story is chosen: every step and every bend on
a grid of days, alone and in pairs, is fitted by Bayesian regression with priors for its size and for how often such
things happen, and weighted by its marginal likelihood. So a rise of three weeks is partly a step, partly creep, and
slope, level and forecast carry both. Steps have a moment prior, which thinks little of steps too small to have a cause.

Sources, from memory: model averaging, J. A. Hoeting and others, Statistical Science 14 (1999) 382-417; several stories
kept side by side, A. F. M. Smith, M. West, Biometrics 39 (1983) 867-878; for the priors see `pairs`.
"""

from __future__ import annotations

from itertools import combinations
from typing import NamedTuple

import numpy as np
from scipy.linalg import solve_triangular
from scipy.special import ndtr

from nightrake.learning.days import I64, MONTH_DAYS, YEAR_DAYS, Floats
from nightrake.learning.knots import Knot, Wave
from nightrake.learning.pairs import Beside, Candidates, Mixture, mixture
from nightrake.learning.white import BEND, STEP, White


class Prior(NamedTuple):
    """What is thought before the data speak; common practice, no source, and tuned on simulated drives.

    Attributes:
        steps_year: Steps of the level in a year.
        step: Scale of their moment prior, % of shutdown.
        order: Of that, half its power: steps of the root of twice this, times the scale, are likeliest.
        bends_year: Changes of slope in a year.
        bend, bend_order: Scale and order of their moment prior, % of shutdown a month: a slope has a cause too.
        creeping: Chance that the level crept already when the record began.
        steep_year, steep: Likewise of the few that are steep, so that a fast rise is not taken for a row of steps.
        usual: Size that steps are known to have, up or down, % of shutdown; nought = none is known. Where it is,
            ``step`` is the standard deviation about it, and ``order`` 0.
    """

    steps_year: float = 1.0
    step: float = 1.35
    order: int = 3
    bends_year: float = 0.4
    bend: float = 1.0
    bend_order: int = 1
    creeping: float = 0.02
    steep_year: float = 0.04
    steep: float = 12.0
    usual: float = 0.0


PRIOR = Prior()
LOG_2 = float(np.log(2.0))
FLAT = 1e-6
"""1 / prior variance of a step of which nothing is thought before the data speak."""


def candidates(t: Floats, at: list[int], prior: Prior = PRIOR) -> Candidates:
    """Steps and bends in the last months, closer together near the end, and at the given periods.

    Args:
        t: Days, rising.
        at: Periods at which knots were found that do not stand yet.
        prior: How often they come.
    """
    parts: list[tuple[I64, I64, Floats, Floats, Floats]] = []
    for kind, grid, rate, spread in (
        (STEP, _grid(t, STEP_GRID, 1, at), prior.steps_year, prior.step),
        (BEND, _grid(t, BEND_GRID, 4, at), prior.bends_year, prior.bend),
        (BEND, _grid(t, STEEP_GRID, 4, []), prior.steep_year, prior.steep),
    ):
        wide = np.diff(np.concatenate([[t[grid[0]] - 1.0], t[grid]])) if len(grid) else np.empty(0)
        log_prior = np.log(np.maximum(wide, 0.5) * rate / YEAR_DAYS)
        if kind == STEP and prior.usual:  # the moment prior has both signs in one, a usual size has each alone
            parts += (_alike(kind, grid, log_prior - LOG_2, spread, size) for size in (prior.usual, -prior.usual))
        else:
            parts.append(_alike(kind, grid, log_prior, spread))
    if t[-1] - t[0] < BEND_GRID[-1][0]:
        parts.append(_alike(BEND, np.zeros(1, dtype=np.int64), np.log(np.full(1, prior.creeping)), prior.bend))
    return Candidates(*(np.concatenate(part) for part in zip(*parts, strict=True)))


def _alike(
    kind: int, grid: I64, log_prior: Floats, spread: float, mean: float = 0.0
) -> tuple[I64, I64, Floats, Floats, Floats]:
    n = len(grid)
    return np.full(n, kind), grid, log_prior, np.full(n, spread**2), np.full(n, mean)


STEP_GRID = ((20, 1), (60, 2), (120, 6), (240, 15))
"""Up to so many days ago, so many days apart."""
STEEP_GRID = ((48, 4),)
BEND_GRID = ((60, 3), (120, 6), (400, 14))


def _grid(t: Floats, spacing: tuple[tuple[int, int], ...], least: int, at: list[int]) -> I64:
    ago: list[float] = []
    begin = 0.0
    for until, apart in spacing:
        ago.extend(np.arange(begin, until, apart))
        begin = until
    wanted = t[-1] - np.array(ago)
    index = np.searchsorted(t, wanted[wanted > t[0]])
    index = np.unique(np.concatenate([index, np.array(at, dtype=np.int64)])).astype(np.int64)
    return index[(index > 0) & (index <= len(t) - 1 - least)]


def stories(
    white: White,
    standing: list[Knot],
    doubtful: list[Knot],
    open_: Candidates,
    prior: Prior = PRIOR,
    wave: Wave | None = None,
) -> Mixture:
    """Every story about the last months, given the knots that stand.

    Args:
        white: The series.
        standing: Knots that are not in question.
        doubtful: Steps that were found but may be part of something else: each story is told with and without them.
        open_: Steps and bends on their grid.
        prior: How often they come, and how large.
        wave: What the level may swing besides, of unknown size.
    """
    first = [Knot(STEP, 0, 0.0), *standing]
    kinds = np.concatenate([[k.kind for k in first + doubtful], open_.kind]).astype(np.int64)
    index = np.concatenate([[k.at for k in first + doubtful], open_.at]).astype(np.int64)
    base = _Base(white, kinds, index, wave, len(first), len(doubtful))
    told = [_told(base, some, open_, prior) for some in _subsets(len(doubtful))]
    creeping = any(k.kind == BEND for k in first)
    joined = Mixture(*(np.concatenate(part) for part in zip(*told, strict=True)))
    weight = np.exp(joined.weight - joined.weight.max())
    return joined._replace(weight=weight / weight.sum(), creeps=joined.creeps | creeping)


class _Base:
    """What all stories are told from.

    Attributes:
        gram: Inner products of all columns (wave, firm steps and bends, doubtful ones, open ones, the series); bends
            rise by 1 in a month.
        ends: What each column but the series adds to level and slope at the last period.
        index: Period of each.
        ridge: 1 / prior variance of the firm ones; nought for all but the wave.
        firm, found: How many columns are firm; firm or doubtful.
        bent: Index of the last firm bend; -1 = none.
    """

    def __init__(self, white: White, kinds: I64, index: I64, wave: Wave | None, firm: int, doubtful: int) -> None:
        n = len(white.t)
        unit = np.where(kinds == BEND, 1.0 / MONTH_DAYS, 1.0)
        columns = np.empty((n, 0)) if wave is None else wave.columns
        waves = columns.shape[1]
        beside = np.column_stack([columns, white.w])
        across = np.stack([white.onto(column)[kinds * n + index] for column in beside.T]) * unit
        among = beside.T @ beside
        self.gram = np.block([
            [among[:waves, :waves], across[:waves], among[:waves, waves:]],
            [across[:waves].T, white.gram(kinds, index) * unit * unit[:, None], across[waves:].T],
            [among[waves:, :waves], across[waves:], among[waves:, waves:]],
        ])  # fmt: skip
        swing = np.zeros((2, 0)) if wave is None else np.stack([wave.now, np.zeros(waves)])
        rise = np.where(kinds == STEP, 1.0, -white.s[index] / MONTH_DAYS)
        self.ends = np.concatenate([swing, np.stack([rise, kinds == BEND])], axis=1)
        self.index = np.concatenate([np.full(waves, -1), index]).astype(np.int64)
        self.firm, self.found = waves + firm, waves + firm + doubtful
        self.bent = int(max(index[:firm][kinds[:firm] == BEND], default=-1))
        self.ridge = np.zeros(self.firm)
        self.ridge[:waves] = 0.0 if wave is None else wave.precision


def _subsets(n: int) -> list[tuple[int, ...]]:
    if n <= 2:
        return [some for size in range(n + 1) for some in combinations(range(n), size)]
    return [(), tuple(range(n)), *((i,) for i in range(n)), tuple(range(1, n))]


def _told(base: _Base, some: tuple[int, ...], open_: Candidates, prior: Prior) -> Mixture:
    """Stories on one set of standing knots; their weights as logarithms."""
    gram, found, m = base.gram, base.found, len(some)
    own_at = [*range(base.firm), *(base.firm + i for i in some)]
    sizes = np.zeros((m, gram.shape[0] - 1))
    sizes[range(m), own_at[base.firm :]] = 1.0
    ends = np.concatenate([base.ends, sizes])
    own = gram[np.ix_(own_at, own_at)] + np.diag(np.concatenate([base.ridge, np.full(m, prior.step**-2)]))
    root = np.linalg.cholesky(own)
    onto, toward_usual = gram[own_at, found:], 0.0
    if prior.usual and m:
        toward_usual = _toward_usual(base, own_at, onto, prior)
    rest = solve_triangular(root, np.column_stack([onto, ends[:, own_at].T]), lower=True)
    k = len(open_.kind)
    qx, qw, back = rest[:, :k], rest[:, k], rest[:, k + 1 :]
    evidence = 0.5 * float(qw @ qw) - float(np.log(np.diag(root)).sum())
    evidence += m * float(np.log(prior.steps_year / YEAR_DAYS / prior.step)) + toward_usual
    beside = Beside(
        gram[found:-1, found:-1] - qx.T @ qx, gram[found:-1, -1] - qx.T @ qw, ends[:, found:] - back.T @ qx,
        back.T @ qw, back.T @ back,
    )  # fmt: skip
    told = mixture(beside, open_, (prior.order, prior.bend_order), prior.step**2, base.bent)
    step = int(base.index[own_at[-1]]) if some else -1
    return told._replace(weight=told.weight + evidence, step=np.maximum(told.step, step))


def _toward_usual(base: _Base, own_at: list[int], onto: Floats, prior: Prior) -> float:
    """Steps in doubt lean toward the usual size, up or down as they were found; what that adds to the evidence."""
    m = int(len(own_at) - base.firm)
    flat = base.gram[np.ix_(own_at, own_at)] + np.diag(np.append(base.ridge, np.full(m, FLAT)))
    usual = prior.usual * np.sign(np.linalg.solve(flat, onto[:, -1])[base.firm :])
    onto[base.firm :, -1] += usual * prior.step**-2
    return -m * LOG_2 - 0.5 * float(usual @ usual) / (prior.step * prior.step)


def chance_of_rise(mixture: Mixture, least: float) -> float:
    """Weight of the stories in which the level rises at present by more than that, % of shutdown a month."""
    sd = np.sqrt(np.maximum(mixture.slope_var, 1e-18))
    return float(np.sum(mixture.weight * mixture.creeps * ndtr((mixture.slope - least) / sd)))


def chance_of_fall(mixture: Mixture, least: float) -> float:
    """Likewise of a level that falls by more than that."""
    return chance_of_rise(mixture._replace(slope=-mixture.slope), least)
