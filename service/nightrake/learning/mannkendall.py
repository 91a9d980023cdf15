"""Is there a trend at all? The test of Mann and Kendall: do later values exceed earlier ones more often than by chance?

It looks at order only, so no distribution is assumed and no load event pulls it; but values that follow one another are
assumed independent, and torque's are not: without a correction noise alone is called a trend several times too often.

Source: R.O. Gilbert, Statistical Methods for Environmental Pollution Monitoring (1987), 16.4; M.G. Kendall, Rank
Correlation Methods (1970), for the exact distribution (both from memory); corrections: see `serial`.
"""

from __future__ import annotations

import functools
import math
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from nightrake.errors import LearningError
from nightrake.learning import serial, theilsen
from nightrake.learning.kendallsum import finite_pairs, kendall_sum

Floats = npt.NDArray[np.float64]
Correction = Literal["none", "hamed-rao", "yue-wang", "ar1"]
EXACT_UP_TO = 10
"""Points; up to here, without ties, every order is counted instead of taking the normal distribution."""


class Kendall(NamedTuple):
    """What the test found.

    Attributes:
        s: Pairs that rise less pairs that fall. variance: Of S without a trend, as used. z: (S - sign S) / sd of S.
        p: Two-sided chance of such an S without a trend. tau: S over the number of pairs, -1..1. n: Points.
        method: How p was found, and whether a correction was used, a few words.
        factor: By which serial correlation would multiply the variance; below 1 it is not used.
    """

    s: int
    variance: float
    z: float
    p: float
    tau: float
    n: int
    method: str
    factor: float = 1.0


def test(
    y: npt.ArrayLike,
    x: npt.ArrayLike | None = None,
    correction: Correction = "none",
    lags: int | None = None,
    exact_up_to: int = EXACT_UP_TO,
) -> Kendall:
    """Mann-Kendall test, two-sided.

    Args:
        y: Values, shape (n,); NaN is a gap. x: Their times, any order; default: one apart.
        correction: For serial correlation of the detrended values; it only ever makes p larger.
        lags: How many the correction looks at; default: see `serial.factor`. exact_up_to: Points.

    Raises:
        LearningError: Fewer than three points, or all at one time.
    """
    value = np.asarray(y, dtype=np.float64).reshape(-1)
    at, value = finite_pairs(np.arange(len(value)) if x is None else x, value)
    if np.ptp(at) == 0:
        raise LearningError(f"all {len(at)} values have one time, so they have no order; give values of several times")
    found = kendall_sum(at, value)
    factor, words = 1.0, ""
    if correction != "none" and found.variance > 0:
        line = theilsen.slopes(at, value)
        factor, words = serial.factor(at, value - line.slope * at, correction, lags)
    variance = found.variance * max(factor, 1.0)
    z = normal_z(found.s, variance)
    if found.n <= exact_up_to and not found.is_tied and factor <= 1.0:
        p, method = exact_p(found.s, found.n), "exact"
    else:
        p, method = normal_p(z), "normal"
    tau = found.s / (found.n * (found.n - 1) / 2)
    return Kendall(found.s, variance, z, p, tau, found.n, method + words, factor)


test.__test__ = False  # type: ignore[attr-defined]  # no test of ours, whatever its name


def normal_z(s: int, variance: float) -> float:
    """S in standard deviations, drawn one step towards nought (continuity); 0 where nothing differs."""
    return (s - math.copysign(1, s)) / math.sqrt(variance) if s and variance > 0 else 0.0


def normal_p(z: float) -> float:
    """Two-sided."""
    return float(2.0 * ndtr(-abs(z)))


def exact_p(s: int, n: int) -> float:
    """Two-sided chance of an S at least so far from 0 among all orders of n unlike values.

    Args:
        s: Of the parity of n(n-1)/2 and not beyond it. n: 1 to 170.
    """
    falling = (n * (n - 1) // 2 - abs(s)) // 2
    orders = sum(_orders(n)[: falling + 1])
    return min(1.0, 2.0 * orders / math.factorial(n))


@functools.cache
def _orders(n: int) -> tuple[int, ...]:
    """How many orders of n values have 0, 1, 2, ... falling pairs: the k-th value adds 0 to k-1 of them."""
    counts = [1]
    for k in range(2, n + 1):
        longer = [0] * (len(counts) + k - 1)
        for falling, orders in enumerate(counts):
            for more in range(k):
                longer[falling + more] += orders
        counts = longer
    return tuple(counts)
