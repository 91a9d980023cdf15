"""Kendall's S: pairs that rise less pairs that fall, its variance with ties, and the numbers it is taken from.

Source: M.G. Kendall, Rank Correlation Methods (4th edition, 1970), 3.3 and 4.3 (from memory; held against SciPy).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nightrake.errors import LearningError
from nightrake.learning import inversions

Floats = npt.NDArray[np.float64]
LEAST = 3
"""Fewer points have no spread to judge a trend by."""
LARGEST = 1e100
"""Beyond this, and below its inverse, products of differences leave the range of the numbers."""


class Tied(NamedTuple):
    """Groups of t equal values, summed up.

    Attributes:
        pairs: Sum of t(t-1)/2. second: t(t-1)(t-2). third: t(t-1)(2t+5).
    """

    pairs: int
    second: int
    third: int


class Sum(NamedTuple):
    """Kendall's S of points.

    Attributes:
        s: Rising pairs less falling ones. variance: Of S if order were chance, ties taken off. n: Points.
        is_tied: Some x or some y are equal.
    """

    s: int
    variance: float
    n: int
    is_tied: bool


def finite_pairs(x: npt.ArrayLike, y: npt.ArrayLike) -> tuple[Floats, Floats]:
    """Points whose x and y both are numbers.

    Raises:
        LearningError: Fewer than three, numbers too large or small to reckon with, or shapes that differ.
    """
    at, value = np.asarray(x, dtype=np.float64).reshape(-1), np.asarray(y, dtype=np.float64).reshape(-1)
    if at.shape != value.shape:
        raise LearningError(f"{len(at)} times and {len(value)} values were given; give one time for each value")
    keep = np.isfinite(at) & np.isfinite(value)
    at, value = at[keep], value[keep]
    if len(at) < LEAST:
        raise LearningError(f"too few points for a trend: {len(at)}; give at least {LEAST}")
    size = np.abs(np.concatenate((at, value)))
    if size.max() > LARGEST or size[size > 0].min(initial=1.0) < 1.0 / LARGEST:
        raise LearningError(f"a number lies beyond {LARGEST:g} or below its inverse; give them in a fitting unit")
    return at, value


def tied(values: Floats) -> Tied:
    """Sums over groups of equal values."""
    t = np.unique(values, return_counts=True)[1]
    t = t[t > 1].astype(object)  # whole numbers of any size: t cubed of millions leaves 64 bits
    twos = t * (t - 1)
    return Tied(int(twos.sum()) // 2, int((twos * (t - 2)).sum()), int((twos * (2 * t + 5)).sum()))


def kendall_sum(x: Floats, y: Floats) -> Sum:
    """S of finite points, in n log n steps.

    Args:
        x, y: Shape (n,), any order.
    """
    n = len(x)
    order = np.lexsort((y, x))
    x, y = x[order], y[order]
    falling = inversions.count(np.argsort(y, kind="stable"))
    tied_x, tied_y = tied(x), tied(y)
    unlike = (np.diff(x) != 0) | (np.diff(y) != 0)
    same = np.diff(np.flatnonzero(np.concatenate(([True], unlike, [True]))))
    both = int((same * (same - 1)).sum()) // 2
    rising = n * (n - 1) // 2 - tied_x.pairs - tied_y.pairs + both - falling
    variance = (n * (n - 1) * (2 * n + 5) - tied_x.third - tied_y.third) / 18.0
    variance += 2.0 * tied_x.pairs * tied_y.pairs / (n * (n - 1)) if n > 1 else 0.0
    variance += tied_x.second * tied_y.second / (9.0 * n * (n - 1) * (n - 2)) if n > 2 else 0.0
    return Sum(rising - falling, max(variance, 0.0), n, bool(tied_x.pairs or tied_y.pairs))
