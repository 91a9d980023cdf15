"""Slopes of all pairs of points by their place in order of size, without writing the n(n-1)/2 of them down.

Two points change their order by y - b x exactly when b passes their slope. So the slopes below b are the pairs whose
order by y - b x is not their order by x: counted in n log n steps (`inversions`), and likewise any of the pairs whose
slope lies between two cuts can be named without the others. From there:

    all slopes -- sample; cut on both sides of the wanted places; count --> few slopes -- write down, sort --> wanted

A sample is drawn with a fixed seed and only proposes cuts; counts decide, so the result does not depend on it. Where
many slopes are equal (values in counts, a constant), a cut just below and one just above a value leave it alone.

The order by y - b x is exact: product and difference carry their rounding errors along, so that no pair is counted
twice or lost, however large the offsets.

Source: idea: M.B. Dillencourt, D.M. Mount and N.S. Netanyahu, Int. J. Comput. Geom. Appl. 2 (1992) 1-27; J. Matousek,
Inf. Process. Lett. 39 (1991) 183-187. Exact product and sum: T.J. Dekker, Numer. Math. 18 (1971) 224-242 (from memory).
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nightrake.errors import LearningError
from nightrake.learning import inversions

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
FEW_POINTS = 400
"""Up to here all slopes are written down: faster, and no more than some MB."""
SAMPLE = 16_384
"""Slopes drawn in one round, of many points up to twice as many: the wanted place is then known to about half a percent
of the slopes."""
SPREADS = 3.0
"""Standard deviations of the sample's uncertainty to each side of a wanted place: one more round in some hundred."""
FEW_SLOPES = 4
"""Times the points (and at least a sample): so many slopes are written down and sorted."""
SEED = 1968
ROUNDS = 60
"""For each wanted place; many more than ever needed, for each leaves a few percent."""
NEAR = 4.0 * float(np.finfo(np.float64).eps)
"""Relative: a computed slope lies nearer than this to the true one."""
SPLIT = 2.0**27 + 1.0


class Points(NamedTuple):
    """Points in order of group, x and y.

    Attributes:
        x, y: Finite. x_high, x_low: x in two halves of 26 bits. group: Rising from 0. place: Number of the x among all
            unlike ones, falling: later x have lower ones.
    """

    x: Floats
    y: Floats
    x_high: Floats
    x_low: Floats
    group: Ints
    place: Ints


class Cut(NamedTuple):
    """A place among the slopes: before all that equal `slope`, or after them.

    Attributes:
        slope: Infinite at the ends. order: Of the points there. below: How many slopes lie below.
    """

    slope: float
    order: Ints
    below: int


class Stretch(NamedTuple):
    """Slopes between two cuts, and the wanted places in it.

    Attributes:
        low, high: Cuts. ranks: From 0 among all slopes, rising. is_slow: The last round took less than half away.
    """

    low: Cut
    high: Cut
    ranks: list[int]
    is_slow: bool = False

    @property
    def size(self) -> int:
        """Slopes in it."""
        return self.high.below - self.low.below


def ordered(x: Floats, y: Floats, group: Ints, ranks: Sequence[int]) -> Floats:
    """The slopes of given places.

    Args:
        x, y: Finite, any order, shape (n,). group: Whole numbers; points of unlike groups make no pair.
        ranks: Places from 0 in order of size among all pairs of one group with unlike x, rising.

    Returns:
        Slopes, of the shape of `ranks`.
    """
    order = np.lexsort((y, x, group))
    x, y, group = x[order], y[order], group[order]
    if len(x) <= FEW_POINTS:
        return _plain(x, y, group, ranks)
    found = _narrow(_points(x, y, group), list(ranks))
    return np.array([found[rank] for rank in ranks])


def _plain(x: Floats, y: Floats, group: Ints, ranks: Sequence[int]) -> Floats:
    """All slopes at once; points in order of group and x."""
    later, earlier = np.tril_indices(len(x), -1)
    dx, dy = x[later] - x[earlier], y[later] - y[earlier]
    if len(x) and (group[0] != group[-1] or not dx.all()):
        wanted = (dx > 0) & (group[later] == group[earlier])
        dx, dy = dx[wanted], dy[wanted]
    found = dy / dx
    found.partition(list(ranks))
    return np.asarray(found[list(ranks)])


def _points(x: Floats, y: Floats, group: Ints) -> Points:
    new = np.concatenate(([False], (np.diff(x) != 0) | (np.diff(group) != 0)))
    high = x * SPLIT
    high -= high - x
    return Points(x, y, high, x - high, group, -np.cumsum(new))


def _narrow(points: Points, ranks: list[int]) -> dict[int, float]:
    """From all slopes down to the wanted ones."""
    chance = np.random.default_rng(SEED)
    open_ = [Stretch(_cut(points, -np.inf, False), _cut(points, np.inf, True), ranks)]
    sample = min(max(SAMPLE, 3 * len(points.x)), 2 * SAMPLE)
    found: dict[int, float] = {}
    for _ in range(ROUNDS * len(ranks)):
        if not open_:
            return found
        stretch = open_.pop()
        if stretch.size <= max(FEW_SLOPES * len(points.x), sample):
            slopes = np.sort(_slopes(points, stretch, np.arange(stretch.size)))
            found.update((rank, float(slopes[rank - stretch.low.below])) for rank in stretch.ranks)
            continue
        drawn = np.sort(chance.integers(0, stretch.size, sample))
        slopes = np.sort(_slopes(points, stretch, drawn))
        if _is_one_value(stretch):
            found.update(dict.fromkeys(stretch.ranks, float(slopes[len(slopes) // 2])))
            continue
        open_ += _parts(points, stretch, slopes)
    raise LearningError("the slopes cannot be told apart; give times and values in a fitting unit")


def _parts(points: Points, stretch: Stretch, slopes: Floats) -> list[Stretch]:
    """The parts of a stretch in which wanted places lie, cut where the sample of its slopes says."""
    bounds: list[tuple[float, float]] = []
    for rank in stretch.ranks:
        low, high = _bracket(stretch, slopes, rank)
        if bounds and low <= bounds[-1][1]:
            low, high = bounds[-1][0], max(high, bounds.pop()[1])
        bounds.append((low, high))
    cuts = [stretch.low]
    for low, high in bounds:
        cuts += [_cut(points, low - NEAR * abs(low), False), _cut(points, high + NEAR * abs(high), True)]
    cuts = sorted((cut for cut in cuts if stretch.low.below <= cut.below <= stretch.high.below), key=lambda c: c.below)
    cuts.append(stretch.high)
    parts = []
    for low_cut, high_cut in itertools.pairwise(cuts):
        inside = [rank for rank in stretch.ranks if low_cut.below <= rank < high_cut.below]
        if inside:
            is_slow = (high_cut.below - low_cut.below) * 2 > stretch.size
            parts.append(Stretch(low_cut, high_cut, inside, is_slow))
    return parts


def _bracket(stretch: Stretch, slopes: Floats, rank: int) -> tuple[float, float]:
    """Slopes of the sample between which the wanted one almost surely lies; after a slow round the nearest alone."""
    share = (rank - stretch.low.below + 0.5) / stretch.size
    half = 0.0 if stretch.is_slow else SPREADS * (len(slopes) * share * (1.0 - share)) ** 0.5 + 1.0
    places = np.clip((len(slopes) * share - half, len(slopes) * share + half), 0, len(slopes) - 1)
    low, high = slopes[places.astype(np.int64)].tolist()
    return low, high


def _is_one_value(stretch: Stretch) -> bool:
    """All slopes between the cuts are one number but for its last bits."""
    low, high = stretch.low.slope, stretch.high.slope
    return bool(np.isfinite(high - low) and high - low <= 4.0 * NEAR * max(abs(low), abs(high)))


def _cut(points: Points, slope: float, is_after: bool) -> Cut:
    order = _order(points, slope, is_after)
    return Cut(slope, order, inversions.count(order))


def _slopes(points: Points, stretch: Stretch, which: Ints) -> Floats:
    """Some of the slopes of a stretch, by arbitrary but fixed numbers from 0, which rise."""
    before = stretch.low.order
    at = np.empty(len(before), np.int32)
    at[before] = np.arange(len(before), dtype=np.int32)
    first, second = inversions.pairs(at[stretch.high.order], which)
    one, other = before[first], before[second]
    return np.asarray((points.y[one] - points.y[other]) / (points.x[one] - points.x[other]))


def _order(points: Points, slope: float, is_after: bool) -> Ints:
    """Points by group and y - slope x, exactly; equal ones by x, rising before equal slopes and falling after them."""
    if np.isinf(slope):
        return np.arange(len(points.x)) if slope < 0 else np.lexsort((points.place, points.group))
    product = slope * points.x
    slope_high = slope * SPLIT
    slope_high -= slope_high - slope
    slope_low = slope - slope_high
    lost = ((slope_high * points.x_high - product) + slope_high * points.x_low + slope_low * points.x_high) + (
        slope_low * points.x_low
    )
    rest = points.y - product
    back = rest - points.y
    lost = ((points.y - (rest - back)) - (product + back)) - lost
    high = rest + lost
    low = lost - (high - rest)
    order = np.argsort(high)
    like = np.concatenate(([False], high[order[1:]] == high[order[:-1]], [False]))
    places = np.flatnonzero(like[1:] | like[:-1])
    some = order[places]
    by_x = points.place[some] if is_after else some
    order[places] = some[np.lexsort((some, by_x, low[some], high[some]))]
    if points.group[-1] > 0:
        order = order[np.argsort(points.group[order], kind="stable")]
    return order
