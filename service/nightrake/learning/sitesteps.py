"""What the steps of a site's other drives say about the size of the next one.

Drives of one site have been worked on by the same people with the same parts: ploughs replaced, springs set. So how
far their levels stepped says how far the next one may. How much it says their steps decide: a share of them is alike,
about one size and with some scatter, the rest is of any size. Share, size and scatter are all learnt, each step with
the error that it is known to. Where a site's steps scatter as widely as anybody's do, the share falls towards nought;
where there are none, it is nought.

Sources, from memory: a prior learnt from like units, H. Robbins, Proc. 3rd Berkeley Symposium on Mathematical
Statistics and Probability 1 (1956) 157-163; a share of strays beside a normal distribution, M. Aitkin, G. T. Wilson,
Technometrics 22 (1980) 325-331.
"""

from __future__ import annotations

from collections.abc import Iterable
from math import log, pi, sqrt
from typing import NamedTuple

import numpy as np

from nightrake.learning.days import DAY_MS, Floats, Side
from nightrake.learning.evidence import Ground
from nightrake.learning.knots import step_errors, step_sizes
from nightrake.learning.trend import Step
from nightrake.learning.white import BEND, STEP

SEEN_DAYS = 60.0
"""A step is known for what it is after so long."""
ENOUGH = 60
"""Steps of a site that are looked at, the newest: more say no more."""
LEAST, MOST = 1.5, 9.0
"""% of shutdown: smaller steps are found by chance only, larger ones have causes of their own; neither teaches."""
USUAL, SCATTERS = 3.3, 0.6
"""Steps of any cause: middle size, % of shutdown, and the standard deviation of its logarithm (common practice)."""
SIZES = np.geomspace(LEAST, MOST, 72)
SCATTER = np.array([0.03, 0.06, 0.12])
"""Standard deviation of steps that are alike about their size, as a share of it: each as likely, before any was seen.
Steps that scatter by a quarter say hardly more than the common prior does."""
SHARES = np.array([0.0, 0.3, 0.6, 0.8, 0.9, 0.95])
"""Of the site's steps, alike."""
SCATTERED_BEFORE = 0.5
"""Chance that none are, before any was seen."""
NONE: Floats = np.empty((0, 2))


class Usual(NamedTuple):
    """What a site's steps are like.

    Attributes:
        share: Chance that the next one is alike; nought where nothing is known.
        size: It then has about this size, % of shutdown. scatter: Standard deviation about that, % of shutdown.
    """

    share: float
    size: float
    scatter: float


NOTHING = Usual(0.0, 0.0, 0.0)


def steps_of(side: Side, ground: Ground) -> tuple[Step, ...]:
    """Steps found in a drive's own record, rising in time."""
    at, sizes, errors = _measured(ground)
    begins = side.days.utc_ms[ground.series.row[ground.used]]
    return tuple(
        Step(int(begins[i]), float(size), float(error)) for i, size, error in zip(at, sizes, errors, strict=True)
    )


def own(ground: Ground) -> Floats:
    """Sizes and errors of the drive's own steps that are no more in question, % of shutdown; rows of two."""
    at, sizes, errors = _measured(ground)
    t = ground.white.t
    old = np.array([t[-1] - t[i] > SEEN_DAYS for i in at], dtype=bool)
    rows: Floats = np.column_stack([sizes, errors])[old]
    return rows


def known(steps: Iterable[Step], now_utc_ms: int) -> Floats:
    """Likewise of other drives' steps, as of a moment."""
    old = sorted(s for s in steps if now_utc_ms - s.utc_ms > SEEN_DAYS * DAY_MS)[-ENOUGH:]
    return np.array([(s.percent, s.error) for s in old], dtype=np.float64).reshape(-1, 2)


def usual_of(steps: Floats) -> Usual:
    """What is usual at a site.

    Args:
        steps: Size, signed, and standard error of each, % of shutdown; rows of two.
    """
    size, error = _teaching(steps)
    if not len(size):
        return NOTHING
    stray = np.exp(log_any(size))[:, None, None, None]
    variance = (SIZES[:, None] * SCATTER) ** 2
    like = np.exp(_log_normal(size[:, None, None] - SIZES[:, None], variance + error[:, None, None] ** 2))
    held = np.log(SHARES * like[..., None] + (1.0 - SHARES) * stray).sum(axis=0)
    before = np.where(SHARES > 0.0, (1.0 - SCATTERED_BEFORE) / (len(SHARES) - 1), SCATTERED_BEFORE)
    weight = np.exp(held - held.max()) * before
    alike = weight / weight.sum() * SHARES
    share = float(alike.sum())
    among = alike.sum(axis=2) / share
    middle = float(among.sum(axis=1) @ SIZES)
    square = float((among * ((SIZES[:, None] - middle) ** 2 + variance)).sum())
    return Usual(share, middle, sqrt(square))


def log_ratio(steps: Floats, usual: Usual) -> float:
    """By how much likelier steps are where they are of the usual kind, strays allowed, than anywhere; a logarithm."""
    size, error = _teaching(steps)
    like = np.exp(_log_normal(size - usual.size, usual.scatter**2 + error**2) - log_any(size))
    return float(np.log(SHARES[-1] * like + 1.0 - SHARES[-1]).sum())


def log_any(size: Floats) -> Floats:
    """Logarithm of the density of a step's size where steps are not alike."""
    return np.asarray(-0.5 * (np.log(size / USUAL) / SCATTERS) ** 2 - np.log(size * SCATTERS) - 0.5 * log(2.0 * pi))


def _log_normal(away: Floats, variance: Floats) -> Floats:
    return np.asarray(-0.5 * (away**2 / variance + np.log(2.0 * pi * variance)))


def _teaching(steps: Floats) -> tuple[Floats, Floats]:
    size, error = np.abs(steps[:, 0]), steps[:, 1]
    use = (size >= LEAST) & (size <= MOST) & np.isfinite(error)
    return size[use], error[use]


def _measured(ground: Ground) -> tuple[list[int], Floats, Floats]:
    """Steps found that are not given: period among the used ones, size, error."""
    at = [k.at for k in ground.knots if k.kind == STEP]
    if not at:
        return [], np.empty(0), np.empty(0)
    bends = [k.at for k in ground.knots if k.kind == BEND]
    every, given = [*ground.given, *at], len(ground.given)
    sizes, errors = (of(ground.white, every, bends)[given:] for of in (step_sizes, step_errors))
    return at, sizes, errors
