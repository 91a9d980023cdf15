"""The line through points by the median of the slopes of all pairs (Theil and Sen), with its confidence interval.

Up to 29 % of the points may be anything at all without carrying the slope away, which a rake that met a storm needs.

Source: P.K. Sen, J. Am. Stat. Assoc. 63 (1968) 1379-1389, equation 2.6 for the variance; H. Theil, Proc. Kon. Ned.
Akad. v. Wetensch. 53 (1950); intercept by W.J. Conover, Practical Nonparametric Statistics; interpolated limits by
R.O. Gilbert, Statistical Methods for Environmental Pollution Monitoring (1987), 16.5 (the last two from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

from nightrake.errors import LearningError
from nightrake.learning.kendallsum import finite_pairs, kendall_sum, tied
from nightrake.learning.slopeorder import ordered

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Limits = Literal["rounded", "interpolated"]


class Line(NamedTuple):
    """A line through points, and how well its slope is known.

    Attributes:
        slope: Median of the slopes of all pairs, unit of y per unit of x. intercept: Of the line through the medians.
        low, high: Confidence limits of the slope. n: Points that counted.
        pairs: Pairs with unlike x. reached: False where so few points carry no interval of the confidence asked for;
            `low` or `high` is then the least or the greatest slope.
        quantiles: Of the slopes, as asked for.
    """

    slope: float
    intercept: float
    low: float
    high: float
    n: int
    pairs: int = 0
    reached: bool = True
    quantiles: tuple[float, ...] = ()


def slopes(
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    confidence: float = 0.95,
    quantiles: Sequence[float] = (),
    variance_factor: float = 1.0,
    limits: Limits = "rounded",
) -> Line:
    """The line, its interval and what else is asked of the slopes.

    Args:
        x: Times or positions, any order, shape (n,). y: Values, shape (n,). Pairs with a NaN or infinity are left out.
        confidence: Of the interval, between 0 and 1. quantiles: Of the slopes, each 0..1.
        variance_factor: By which serial correlation widens the variance of Kendall's S, > 0; see `serial`.
        limits: "rounded" takes the nearest ordered slopes, as SciPy does; "interpolated" goes between two, as Gilbert.

    Raises:
        LearningError: Fewer than three points, one time for all of them, arguments out of range.
    """
    at, value = finite_pairs(x, y)
    variance = sen_variance(at, value)
    return line_of(at, value, np.zeros(len(at), np.int64), variance * variance_factor, confidence, quantiles, limits)


def sen_variance(x: Floats, y: Floats) -> float:
    """Variance of Kendall's S as Sen's interval wants it: ties of x and of y each taken off.

    Where nearly all points are tied in both that goes below nought, and the full formula stands in.
    """
    n = len(x)
    plain = (n * (n - 1) * (2 * n + 5) - tied(x).third - tied(y).third) / 18.0
    return plain if plain >= 0 else kendall_sum(x, y).variance


def line_of(
    x: Floats,
    y: Floats,
    group: Ints,
    variance: float,
    confidence: float,
    quantiles: Sequence[float],
    limits: Limits,
) -> Line:
    """The line from pairs within groups.

    Args:
        x, y: Points, finite. group: A number for each point; points of unlike groups make no pair.
        variance: Of Kendall's S. confidence, quantiles, limits: As of `slopes`.
    """
    _check(confidence, quantiles, variance)
    pairs = unlike_pairs(x, group)
    if not pairs:
        raise LearningError(f"no two of {len(x)} points can be compared, for all have one x; give points at several x")
    low, high = _places(pairs, float(-ndtri((1.0 - confidence) / 2.0)) * variance**0.5, limits)
    inside = [min(max(place, 0.0), pairs - 1.0) for place in (low, high)]
    places = np.array([(pairs - 1) / 2.0, *inside, *(q * (pairs - 1) for q in quantiles)])
    ranks, back = np.unique(np.concatenate((np.floor(places), np.ceil(places))).astype(np.int64), return_inverse=True)
    floor, ceiling = ordered(x, y, group, ranks.tolist())[back].reshape(2, -1)
    slope, lowest, highest, *rest = (floor + (places % 1.0) * (ceiling - floor)).tolist()
    intercept = float(np.median(y) - slope * np.median(x))
    reached = inside == [low, high]
    return Line(slope, intercept, lowest, highest, len(x), pairs, reached, tuple(rest))


def unlike_pairs(x: Floats, group: Ints) -> int:
    """How many pairs of one group have unlike x."""
    sizes = np.unique(group, return_counts=True)[1].astype(np.int64)
    order = np.lexsort((x, group))
    new = (np.diff(x[order]) != 0) | (np.diff(group[order]) != 0)
    same = np.diff(np.flatnonzero(np.concatenate(([True], new, [True]))))
    return int((sizes * (sizes - 1)).sum() - (same * (same - 1)).sum()) // 2


def _places(pairs: int, width: float, limits: Limits) -> tuple[float, float]:
    """Places of the limits among the slopes, from 0; outside 0..pairs-1 where there are too few."""
    low, high = (pairs - width) / 2.0, (pairs + width) / 2.0
    if limits == "rounded":
        low, high = float(np.round(low)), float(np.round(high))
    return low - 1.0, high


def _check(confidence: float, quantiles: Sequence[float], variance: float) -> None:
    if not 0.0 < confidence < 1.0:
        raise LearningError(f"a confidence of {confidence:g} was asked for; give one between 0 and 1, such as 0.95")
    if not all(0.0 <= q <= 1.0 for q in quantiles):
        raise LearningError("a quantile of the slopes lies outside 0 to 1; give shares such as 0.25")
    if not 0.0 <= variance < float("inf"):
        raise LearningError("the variance factor is no positive number; give 1 where nothing is correlated")
