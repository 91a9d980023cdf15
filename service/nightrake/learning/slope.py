"""The rate of the level at present with its 95 % interval, the stretch that it is of, and the test on that stretch."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy.special import ndtr

from nightrake.errors import LearningError
from nightrake.learning import mannkendall, serial, theilsen
from nightrake.learning.days import MONTH_DAYS, Floats, Side
from nightrake.learning.evidence import Evidence
from nightrake.learning.series import ABSURD_PERCENT
from nightrake.learning.trend import Span
from nightrake.learning.white import BEND, STEP

LEAST_STRETCH = 10
"""Periods below which a stretch has no line of its own."""
OPEN_WIDTH = 6.0
"""Standard deviation of a rate of which nothing is known, % of shutdown a month."""
KNOWN = 0.95
"""Share of a stretch's upper quantiles that must be above preload, or their slope would be biased."""
POINTS = 80
STORIES = 250
"""Weightiest stories that an interval is made from."""


class Stretch(NamedTuple):
    """The line on the stretch since the last step or bend.

    Attributes:
        first: Index (among the used periods) at which it begins.
        line_from: Index from which the line is: there is no step after it.
        sen: Theil-Sen slope with its interval widened for serial correlation, % of shutdown a month; None if too short.
        p: Of the Mann-Kendall test, corrected likewise; None if too short.
        factor: By which the variance was widened.
    """

    first: int
    line_from: int
    sen: Span | None
    p: float | None
    factor: float


def stretch_of(evidence: Evidence, creeping: int) -> Stretch:
    """The line since creep began, or since the last step.

    Args:
        evidence: What the periods say.
        creeping: 1 where the level is taken to rise since a bend, -1 to fall, 0 to do neither.
    """
    first = _begin(evidence, creeping)
    last = max([first, *evidence.given, *(k.at for k in evidence.knots if k.kind == STEP)])
    t, y = evidence.white.t[last:], evidence.cleaned.value[evidence.used][last:]
    n = len(t)
    factor = serial.ar1_factor(evidence.noise.rho, n) if n > 1 else 1.0
    if n < LEAST_STRETCH:
        return Stretch(first, last, None, None, factor)
    try:
        line = theilsen.slopes(t, y, variance_factor=factor)
        kendall = mannkendall.test(y, t)
    except LearningError:
        return Stretch(first, last, None, None, factor)
    sen = Span(*(v * MONTH_DAYS for v in (line.low, line.slope, line.high)))
    z = kendall.z / np.sqrt(max(factor, 1.0))
    return Stretch(first, last, sen, float(2.0 * ndtr(-abs(z))), factor)


def upper_rate(side: Side, evidence: Evidence, stretch: Stretch) -> Span | None:
    """Theil-Sen slope of the 95 % quantile on the stretch, % of shutdown a month; None if that is censored too.

    Args:
        side: For the quantiles.
        evidence: For the weekly cycle.
        stretch: The stretch.
    """
    used = evidence.used[stretch.line_from :]
    week = evidence.series.value[used] - evidence.cleaned.value[used]
    upper = side.days.upper_nm[evidence.series.row[used]] * (100.0 / side.shutdown_nm) - week
    known = np.abs(upper) < ABSURD_PERCENT
    if known.sum() < LEAST_STRETCH or known.mean() < KNOWN:
        return None
    try:
        line = theilsen.slopes(evidence.series.t[used][known], upper[known], variance_factor=stretch.factor)
    except LearningError:
        return None
    return Span(*(v * MONTH_DAYS for v in (line.low, line.slope, line.high)))


def _begin(evidence: Evidence, creeping: int) -> int:
    """First period of the present stretch: of the likeliest stories, or of what stands."""
    mixture = evidence.mixture
    steps = [k.at for k in evidence.knots if k.kind == STEP]
    bends = [k.at for k in evidence.knots if k.kind == BEND]
    if creeping:
        began = np.where(mixture.bend >= 0, mixture.bend, max(evidence.standing_bends, default=0))
        moving = mixture.weight * mixture.creeps * (mixture.slope * creeping > 0)
        if moving.sum() > 0:
            by_day = np.bincount(began, weights=moving)
            return int(np.searchsorted(np.cumsum(by_day), by_day.sum() / 2))
        return max(bends, default=0)
    return max([0, *evidence.given, *steps, *bends])


def rate(evidence: Evidence, stretch: Stretch) -> Span:
    """Rate of the level, % of shutdown a month: middle and 95 % interval over all stories.

    Stories without a slope say how the level goes on, not that it is flat to the last bit: in these the rate is that of
    the line on the stretch.

    Args:
        evidence: For the stories.
        stretch: Since the last step, in stories without a slope.
    """
    mixture = evidence.mixture
    flat = stretch.sen or Span(-1.96 * OPEN_WIDTH, 0.0, 1.96 * OPEN_WIDTH)
    flat_sd = max((flat.high - flat.low) / 3.92, 1e-9)
    keep = np.argsort(mixture.weight)[::-1]
    keep = keep[: min(STORIES, int(np.searchsorted(np.cumsum(mixture.weight[keep]), 0.998)) + 1)]
    creeps = mixture.creeps[keep]
    mean = np.where(creeps, mixture.slope[keep], flat.mid)
    sd = np.where(creeps, np.sqrt(np.maximum(mixture.slope_var[keep], 1e-18)), flat_sd)
    low, mid, high = _quantiles(mixture.weight[keep], mean, sd)
    return Span(low, mid, high)


def _quantiles(weight: Floats, mean: Floats, sd: Floats) -> tuple[float, float, float]:
    """2.5 %, 50 % and 97.5 % of a mixture of normal distributions."""
    share = weight / weight.sum()
    wide = np.linspace(float((mean - 4 * sd).min()), float((mean + 4 * sd).max()), POINTS)
    low, mid, high = np.interp((0.025, 0.5, 0.975), _below(wide, share, mean, sd), wide)
    step = wide[1] - wide[0]
    near = np.concatenate([np.linspace(v - step, v + step, POINTS // 4) for v in (low, mid, high)])
    near.sort()
    low, mid, high = np.interp((0.025, 0.5, 0.975), _below(near, share, mean, sd), near)
    return float(low), float(mid), float(high)


def _below(at: Floats, share: Floats, mean: Floats, sd: Floats) -> Floats:
    """Distribution function of the mixture."""
    return np.asarray(ndtr((at[:, None] - mean) / sd) @ share, dtype=np.float64)
