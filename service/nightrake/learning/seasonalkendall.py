"""Trend beside a season: only values of one season (weekday, hour, month) are compared with each other.

Source: R.M. Hirsch, J.R. Slack and R.A. Smith, Water Resour. Res. 18 (1982) 107-121; covariance of seasons: R.M. Hirsch
and J.R. Slack, Water Resour. Res. 20 (1984) 727-732; homogeneity and interval: R.O. Gilbert, Statistical Methods for
Environmental Pollution Monitoring (1987), 17.1 to 17.5 (from memory). The covariance form is advised only for more than
ten values of each season (U.S. Geological Survey, Scientific Investigations Report 2005-5275).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.special import chdtrc

from nightrake.errors import LearningError
from nightrake.learning.kendallsum import Sum, finite_pairs, kendall_sum
from nightrake.learning.mannkendall import normal_p, normal_z
from nightrake.learning.serial import ranks
from nightrake.learning.theilsen import Limits, Line, line_of

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


class Seasonal(NamedTuple):
    """What the test found.

    Attributes:
        s: Of all seasons together. variance: Of S without a trend. z: (S - sign S) / sd of S. p: Two-sided.
        tau: S over the number of pairs within seasons, -1..1. n: Values. seasons: Seasons with two values or more.
        method: A few words. chi2, freedom, p_unlike: Whether the seasons have unlike trends, in which case one S for
            all says little: chi-square, its degrees of freedom, and the chance of more.
    """

    s: int
    variance: float
    z: float
    p: float
    tau: float
    n: int
    seasons: int
    method: str
    chi2: float
    freedom: int
    p_unlike: float


def test(
    y: npt.ArrayLike,
    season: npt.ArrayLike,
    x: npt.ArrayLike | None = None,
    cycle: npt.ArrayLike | None = None,
) -> Seasonal:
    """Seasonal Kendall test, two-sided.

    Args:
        y: Values, shape (n,); NaN is a gap. season: Label of each, such as the weekday. x: Times; default: in order.
        cycle: Label of the year or week of each; where given, seasons of one cycle may hang together (Hirsch and
            Slack), and each season may hold one value of a cycle.

    Raises:
        LearningError: Fewer than three values, none that can be compared, two of one season in one cycle.
    """
    at, value, group, keep = _parts(y, season, x)
    members = [m for m in _members(group) if len(m) > 1]
    if not members:
        raise LearningError("no season has two values to compare; give a longer record or fewer seasons")
    sums = [kendall_sum(at[m], value[m]) for m in members]
    s, pairs = sum(f.s for f in sums), sum(f.n * (f.n - 1) // 2 for f in sums)
    variance, method = sum(f.variance for f in sums), "seasons independent"
    if cycle is not None:
        shared = _covariance(value, members, _numbers(cycle, keep, "cycle"))
        method = "covariance of seasons"
        if shared < 0:
            method += ": would cut the variance and was not used"
        variance += max(shared, 0.0)
    z = normal_z(s, variance)
    return Seasonal(s, variance, z, normal_p(z), s / pairs, len(value), len(members), method, *_unlike(sums))


test.__test__ = False  # type: ignore[attr-defined]  # no test of ours, whatever its name


def slope(
    y: npt.ArrayLike,
    season: npt.ArrayLike,
    x: npt.ArrayLike | None = None,
    confidence: float = 0.95,
    quantiles: Sequence[float] = (),
    variance_factor: float = 1.0,
    limits: Limits = "rounded",
) -> Line:
    """Median of the slopes of all pairs within seasons, with its interval.

    Args:
        y, season, x: As of `test`. confidence, quantiles, variance_factor, limits: As of `theilsen.slopes`.

    Raises:
        LearningError: As there.
    """
    at, value, group, _ = _parts(y, season, x)
    variance = sum(kendall_sum(at[m], value[m]).variance for m in _members(group))
    return line_of(at, value, group, variance * variance_factor, confidence, quantiles, limits)


def _parts(
    y: npt.ArrayLike, season: npt.ArrayLike, x: npt.ArrayLike | None
) -> tuple[Floats, Floats, Ints, npt.NDArray[np.bool_]]:
    """Times, values and season numbers of the finite values, and which those are."""
    value = np.asarray(y, dtype=np.float64).reshape(-1)
    at = np.arange(len(value), dtype=np.float64) if x is None else np.asarray(x, dtype=np.float64).reshape(-1)
    finite = finite_pairs(at, value)
    keep = np.isfinite(at) & np.isfinite(value)
    return *finite, _numbers(season, keep, "season"), keep


def _numbers(labels: npt.ArrayLike, keep: npt.NDArray[np.bool_], what: str) -> Ints:
    """Labels as whole numbers from 0, of the values that are kept."""
    label = np.asarray(labels).reshape(-1)
    if label.shape != keep.shape:
        raise LearningError(f"{len(label)} {what}s and {len(keep)} values were given; give one {what} for each value")
    return np.unique(label[keep], return_inverse=True)[1].astype(np.int64)


def _members(group: Ints) -> list[Ints]:
    """Indices of the values of each group."""
    return np.split(np.argsort(group, kind="stable"), np.cumsum(np.bincount(group))[:-1])


def _covariance(value: Floats, members: Sequence[Ints], cycle: Ints) -> float:
    """Sum of the covariances of all unlike seasons' S: (K + 4 sum R R' - n (m + 1)(m' + 1)) / 3, n cycles.

    K counts cycles in which both seasons rise or fall together; a missing value has the mean rank (m + 1) / 2.
    """
    n = int(cycle.max()) + 1
    table = np.full((len(members), n), np.nan)
    for row, m in zip(table, members, strict=True):
        if len(np.unique(cycle[m])) < len(m):
            raise LearningError("a season holds two values of one cycle; give one, such as their median")
        row[cycle[m]] = value[m]
    there = np.isfinite(table)
    rank = np.array([np.where(t, ranks(row), (t.sum() + 1) / 2.0) for row, t in zip(table, there, strict=True)])
    counts = there.sum(axis=1)
    total = 0.0
    for g in range(len(members)):
        for h in range(g + 1, len(members)):
            both = there[g] & there[h]
            k = kendall_sum(table[g][both], table[h][both]).s if both.sum() > 1 else 0
            total += 2.0 * (k + 4.0 * float(rank[g] @ rank[h]) - n * (counts[g] + 1.0) * (counts[h] + 1.0)) / 3.0
    return total


def _unlike(sums: Sequence[Sum]) -> tuple[float, int, float]:
    """Chi-square of unlike trends, z without continuity correction."""
    z = np.array([f.s / f.variance**0.5 for f in sums if f.variance > 0])
    if len(z) < 2:
        return 0.0, 0, 1.0
    chi2 = max(float((z**2).sum() - len(z) * z.mean() ** 2), 0.0)
    return chi2, len(z) - 1, float(chdtrc(len(z) - 1, chi2))
