"""Where a level steps and where its slope changes: stepwise choice of steps and bends in serially correlated data.

The level is a constant, plus steps (at some day the level is another from then on), plus bends (from some day on it has
another slope, without a jump). Which of them the data need is found by stepwise regression on these two families, each
at every day: the one that explains most is taken in, as long as it explains more than its penalty; then each is moved,
changed in kind or dropped in turn while the others stand. Serial correlation is removed first by whitening with the
lag-1 autocorrelation, over gaps with its power (`white`).

Sources, from memory: stepwise choice among hinge functions with deletion, J. H. Friedman, Multivariate adaptive
regression splines, Annals of Statistics 19 (1991) 1-67.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from nightrake.learning.days import Floats
from nightrake.learning.white import White

MOST = 14
"""Knots that are taken in at most."""
SWEEPS = 3


class Knot(NamedTuple):
    """One step or bend.

    Attributes:
        kind: `STEP` or `BEND`.
        at: A step is from this period on; a bend grows from this period.
        gain: By how much the whitened sum of squares would rise without it.
    """

    kind: int
    at: int
    gain: float


class Penalties(NamedTuple):
    """What a knot must gain (in whitened squares) to be taken in; infinite where no knot may lie."""

    step: Floats
    bend: Floats


class Wave(NamedTuple):
    """Columns that may be in the level besides, already whitened, with a normal prior about nought.

    Attributes:
        columns: Periods x columns.
        precision: 1 / variance of each one's size.
        now: Value of each, not whitened, at the last period.
    """

    columns: Floats
    precision: float
    now: Floats


class Found(NamedTuple):
    """What a search found.

    Attributes:
        knots: Steps and bends, rising in time.
        cost: What it leaves of the whitened sum of squares, with the penalties of what it took in.
        wave: Sizes of the wave's columns.
    """

    knots: list[Knot]
    cost: float
    wave: Floats


def knots(white: White, penalties: Penalties, given: Sequence[int] = ()) -> list[Knot]:
    """The steps and bends that the series needs, rising in time.

    Args:
        white: The series.
        penalties: What each must gain.
        given: Periods at which the level may have stepped whatever the data say; no part of what comes back.

    Returns:
        The knots; never more than `MOST`.
    """
    return search(white, penalties, given).knots


def search(white: White, penalties: Penalties, given: Sequence[int] = (), wave: Wave | None = None) -> Found:
    """Likewise, with what is left and how large a wave besides is.

    Args:
        white: The series.
        penalties: What each must gain.
        given: As of `knots`.
        wave: Columns that are in the level too.
    """
    among = _Among(white, penalties, given, wave)
    chosen: list[int] = []
    while len(chosen) < MOST:
        best = among.best(chosen)
        if best is None:
            break
        chosen.append(best[0])
    _settle(among, chosen)
    left = among.left(chosen)
    gains = [among.left(chosen[:k] + chosen[k + 1 :]) - left for k in range(len(chosen))]
    n = len(white.t)
    told = sorted((Knot(i // n, i % n, gain) for i, gain in zip(chosen, gains, strict=True)), key=lambda k: k.at)
    return Found(told, left + float(among.penalty[chosen].sum()), among.wave_sizes(chosen))


class _Among:
    """Which step (numbers 0 to n-1) or bend (n to 2n-1) gains most beside some that are taken in."""

    def __init__(self, white: White, penalties: Penalties, given: Sequence[int], wave: Wave | None) -> None:
        self.white, self.n = white, len(white.t)
        self.penalty = np.concatenate(penalties)
        self.norm = np.concatenate([white.step_norm, white.bend_norm])
        self.onto = white.onto(white.w)
        self.square = float(white.w @ white.w)
        self.rows: dict[int, Floats] = {}
        self.firm = [0, *given]
        columns = np.empty((self.n, 0)) if wave is None else wave.columns
        self.waves = columns.shape[1]
        self.wave_rows = np.stack([white.onto(c) for c in columns.T]) if self.waves else np.empty((0, 2 * self.n))
        self.wave_gram = columns.T @ columns + (0.0 if wave is None else wave.precision) * np.eye(self.waves)
        self.wave_onto = columns.T @ white.w

    def best(self, chosen: list[int]) -> tuple[int, float] | None:
        """The one that gains most above its penalty, and by how much; None = none does."""
        rows, along = self._basis(chosen)
        free = self.norm - np.einsum("ij,ij->j", rows, rows)
        more = self.onto - along @ rows
        gain = np.where(free > 1e-6 * self.norm + 1e-12, more * more / np.maximum(free, 1e-12), 0.0)
        above = gain - self.penalty
        i = int(np.argmax(above))
        return (i, float(above[i])) if above[i] > 0.0 else None

    def left(self, chosen: list[int]) -> float:
        """Whitened sum of squares that these leave."""
        along = self._basis(chosen)[1]
        return self.square - float(along @ along)

    def wave_sizes(self, chosen: list[int]) -> Floats:
        """Sizes of the wave's columns beside these."""
        if not self.waves:
            return np.empty(0)
        _, gram, onto = self._normal(chosen)
        return np.asarray(np.linalg.solve(gram, onto)[: self.waves])

    def _normal(self, chosen: list[int]) -> tuple[Floats, Floats, Floats]:
        """Of the wave and what is taken in: products with every step and bend, with each other, with the series."""
        taken = [*self.firm, *chosen]
        rows = np.concatenate([self.wave_rows, np.stack([self._row(i) for i in taken])])
        gram = np.empty((len(rows), len(rows)))
        gram[:, self.waves :] = rows[:, taken]
        gram[self.waves :, : self.waves] = gram[: self.waves, self.waves :].T
        gram[: self.waves, : self.waves] = self.wave_gram
        return rows, gram, np.concatenate([self.wave_onto, self.onto[taken]])

    def _basis(self, chosen: list[int]) -> tuple[Floats, Floats]:
        """The same with an orthonormal basis in the place of what is taken in."""
        rows, gram, onto = self._normal(chosen)
        back = np.linalg.inv(np.linalg.cholesky(gram))
        return back @ rows, back @ onto

    def _row(self, i: int) -> Floats:
        if i not in self.rows:
            self.rows[i] = self.white.against(i // self.n, i % self.n)
        return self.rows[i]


def _settle(among: _Among, chosen: list[int]) -> None:
    """Each knot moved, changed in kind or dropped while the others stand, until nothing changes."""
    for _ in range(SWEEPS):
        before = list(chosen)
        for k in range(len(chosen) - 1, -1, -1):
            best = among.best(chosen[:k] + chosen[k + 1 :])
            chosen[k : k + 1] = [best[0]] if best else []
        if chosen == before and not _joined(among, chosen):
            break


def _joined(among: _Among, chosen: list[int]) -> bool:
    """Two neighbours made one, where one knot does as well for less: a step and a bend may share what one bend is."""
    chosen.sort(key=lambda i: i % among.n)
    left = among.left(chosen)
    for k in range(len(chosen) - 1):
        others = chosen[:k] + chosen[k + 2 :]
        best = among.best(others)
        if best is None:
            continue
        both = among.left(others) - left - float(among.penalty[chosen[k : k + 2]].sum())
        if best[1] > both:
            chosen[k : k + 2] = [best[0]]
            return True
    return False


def level_line(white: White, steps: Sequence[int], bends: Sequence[int]) -> Floats:
    """The level at each period by least squares, given where it steps (the first period apart) and bends."""
    beta = _fitted(white, steps, bends)
    at = np.arange(len(white.t))
    line = np.full(len(at), beta[0])
    for size, i in zip(beta[1:], steps, strict=False):
        line += size * (at >= i)
    for slope, i in zip(beta[1 + len(steps) :], bends, strict=True):
        line += slope * np.maximum(white.t - white.t[i], 0.0)
    return line


def step_sizes(white: White, steps: Sequence[int], bends: Sequence[int]) -> Floats:
    """How far the level steps at each of these, by the same least squares; signed."""
    return _fitted(white, steps, bends)[1 : 1 + len(steps)]


def step_errors(white: White, steps: Sequence[int], bends: Sequence[int]) -> Floats:
    """Standard errors of these sizes; infinite where the data cannot say."""
    columns = _columns(white, steps, bends)
    scale = np.sqrt((columns**2).sum(axis=0))
    scaled = columns / np.maximum(scale, 1e-12)
    inverse = np.diag(np.linalg.pinv(scaled.T @ scaled))[1 : 1 + len(steps)]
    usable = inverse > 0.0
    return np.where(usable, np.sqrt(np.where(usable, inverse, 1.0)) / scale[1 : 1 + len(steps)], np.inf)


def _fitted(white: White, steps: Sequence[int], bends: Sequence[int]) -> Floats:
    return np.asarray(np.linalg.lstsq(_columns(white, steps, bends), white.w, rcond=None)[0], dtype=np.float64)


def _columns(white: White, steps: Sequence[int], bends: Sequence[int]) -> Floats:
    return np.stack([white.step(0), *map(white.step, steps), *map(white.bend, bends)], axis=1)
