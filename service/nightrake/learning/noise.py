"""How far days scatter about the level, and how alike neighbouring days are: what every interval stands on."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from nightrake.learning.days import Floats

USUAL_RHO = 0.35
"""Lag-1 autocorrelation of daily values before anything is known (common practice, no source)."""
RHO_WORTH = 40.0
"""Days of data that this is worth."""
RHO_MOST = 0.9
FAR = 6
"""Periods apart at which neighbours are taken as strangers."""


class Noise(NamedTuple):
    """Standard deviation of a day about the level, and autocorrelation from one day to the next."""

    sigma: float
    rho: float


def first_guess(y: Floats) -> Noise:
    """From differences of neighbours, which a level that wanders or steps hardly touches.

    Half the mean square of differences at a lag is the variance less the covariance at that lag; differences beyond
    3.5 robust standard deviations are left out. Source: N. Cressie, D. M. Hawkins, Mathematical Geology 12 (1980)
    115-125, robust estimation of the variogram (the idea; from memory).

    Args:
        y: Values without season and events.
    """
    near = _half_square(y, 1)
    far = _half_square(y, min(FAR, len(y) - 1))
    n = len(y)
    rho = 1.0 - near / far if far > 0 else 0.0
    return Noise(float(np.sqrt(max(far, near))), _held(rho, n))


def from_residuals(t: Floats, left: Floats, parameters: int, weekly: int = 0) -> Noise:
    """From what a fitted level leaves.

    Args:
        t: Days, rising.
        left: The residuals.
        parameters: Of the fit.
        weekly: Of a weekly cycle fitted besides, which returns too fast to take more than one degree of freedom each.
    """
    n = len(left)
    bound = 3.5 * 1.4826 * float(np.median(np.abs(left)))
    kept = np.clip(left, -bound, bound) if bound > 0 else left
    variance = float(kept @ kept) / max(n - parameters - weekly, 1)
    next_day = np.diff(t) < 1.5
    pairs = int(next_day.sum())
    if variance <= 0 or pairs < 3:
        return Noise(float(np.sqrt(max(variance, 0.0))), USUAL_RHO)
    rho = float(np.mean((kept[1:] * kept[:-1])[next_day])) / float(kept @ kept / n)
    rho += (1.0 + 3.0 * rho + 2.0 * parameters * (1.0 - rho)) / n  # a fit takes correlation away
    rho = _held(rho, n)
    lost = weekly + parameters * (1.0 + rho) / (1.0 - rho)  # each parameter takes away more than one degree of freedom
    return Noise(float(np.sqrt(float(kept @ kept) / max(n - lost, 0.5 * n))), rho)


def _half_square(y: Floats, lag: int) -> float:
    step = y[lag:] - y[:-lag]
    if len(step) == 0:
        return 0.0
    bound = 3.5 * 1.4826 * float(np.median(np.abs(step)))
    kept = step[np.abs(step) <= bound] if bound > 0 else step
    return float(np.mean(kept * kept)) / 2.0 if len(kept) else 0.0


def _held(rho: float, n: int) -> float:
    shared = (n * rho + RHO_WORTH * USUAL_RHO) / (n + RHO_WORTH)
    return float(np.clip(shared, 0.0, RHO_MOST))
