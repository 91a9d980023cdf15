"""Rainflow counting of a series that comes in slices: closed cycles at once, the rest carried over. Pure, with numpy.

ASTM E1049-85, 5.4.4, counts a range Y once it is followed by a range X >= Y: as a half cycle where Y holds the first
point, else as a whole one. Two things follow, and make it quick:

- Of the ranges in the middle exactly those are closed that are smaller than the one before and no larger than the one
  after. Taking such a pair of points out changes no other decision, and no two of them overlap: so all of them can be
  taken out at once, again and again until there is none.
- What is left rises to its largest range and falls from there. Its ranges are the half cycles: those that rise can be
  counted at once, those that fall wait for what comes.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

FEW = 0.02
"""Where a pass closes less than this share of the points (of a spiral one at a time), the rest goes point by point."""
_NONE = np.empty(0)


class Closed(NamedTuple):
    """Cycles that were counted.

    Attributes:
        size: Range, peak to valley (twice the amplitude), in the unit of the series. mean: Half-way between them.
        number: 1.0 of a cycle, 0.5 of a half one.
    """

    size: Floats
    mean: Floats
    number: Floats


class Rainflow:
    """Counts the cycles of one series; between two slices it keeps only points whose ranges fall one by one."""

    def __init__(self) -> None:
        self._points = _NONE

    def copy(self) -> Rainflow:
        """Another one that stands where this one does."""
        other = Rainflow()
        other._points = self._points
        return other

    @property
    def held(self) -> int:
        """Points that are carried over."""
        return len(self._points)

    def add(self, values: npt.ArrayLike) -> Closed:
        """The next values of the series.

        Args:
            values: Any length; NaN (nothing was read) is passed over, the series goes on behind it.

        Returns:
            What they closed.
        """
        found: list[tuple[Floats, Floats, float]] = []
        points = turning(np.concatenate([self._points, np.asarray(values, np.float64)]))
        points = _close(points, found)
        self._points = _open(points, found)
        return _joined(found)

    def end(self) -> Closed:
        """What is left, as half cycles; the series is over."""
        found: list[tuple[Floats, Floats, float]] = []
        if len(self._points) > 1:
            found.append(_ranges(self._points, np.arange(len(self._points) - 1), 0.5))
        self._points = _NONE
        return _joined(found)


def rainflow(values: npt.ArrayLike) -> Closed:
    """Count a whole series.

    Args:
        values: NaN is passed over.

    Source: ASTM E1049-85 (reapproved 2017), 5.4.4.
    """
    counting = Rainflow()
    first, rest = counting.add(values), counting.end()
    return Closed(*(np.concatenate(pair) for pair in zip(first, rest, strict=True)))


def turning(values: Floats) -> Floats:
    """First value, peaks and valleys, last value: neighbours differ, and each rise is followed by a fall."""
    there = ~np.isnan(values)
    values = values if there.all() else values[there]
    if len(values) < 2:
        return values
    moved = values[1:] != values[:-1]
    values = values[np.concatenate([[True], moved])]
    rises = values[1:] > values[:-1]
    turns: Floats = values[np.concatenate([[True], rises[1:] != rises[:-1], [True]])[: len(values)]]
    return turns


def _close(points: Floats, found: list[tuple[Floats, Floats, float]]) -> Floats:
    """Take out every closed cycle."""
    while len(points) > 3:
        size = np.abs(np.diff(points))
        at = np.flatnonzero((size[:-2] > size[1:-1]) & (size[1:-1] <= size[2:])) + 1
        if not len(at):
            return points
        if len(at) < FEW * len(points):
            return _close_slowly(points, found)
        found.append(_ranges(points, at, 1.0))
        keep = np.ones(len(points), np.bool_)
        keep[at] = keep[at + 1] = False
        points = points[keep]
    return points


def _close_slowly(points: Floats, found: list[tuple[Floats, Floats, float]]) -> Floats:
    held: list[float] = []
    low: list[float] = []
    high: list[float] = []
    for point in points.tolist():
        held.append(point)
        while len(held) > 3 and abs(held[-4] - held[-3]) > abs(held[-3] - held[-2]) <= abs(held[-2] - held[-1]):
            low.append(held[-3])
            high.append(held[-2])
            del held[-3:-1]
    one, other = np.array(low), np.array(high)
    found.append((np.abs(other - one), 0.5 * (one + other), 1.0))
    return np.array(held)


def _open(points: Floats, found: list[tuple[Floats, Floats, float]]) -> Floats:
    """Count the half cycles of ranges that rise from the first point on; what is left falls."""
    size = np.abs(np.diff(points))
    falls = np.flatnonzero(size[:-1] > size[1:])
    rising = int(falls[0]) if len(falls) else max(len(size) - 1, 0)
    if rising:
        found.append(_ranges(points, np.arange(rising), 0.5))
    return points[rising:]


def _ranges(points: Floats, at: npt.NDArray[np.intp], count: float) -> tuple[Floats, Floats, float]:
    one, other = points[at], points[at + 1]
    return np.abs(other - one), 0.5 * (one + other), count


def _joined(found: list[tuple[Floats, Floats, float]]) -> Closed:
    if not found:
        return Closed(_NONE, _NONE, _NONE)
    sizes, means = np.concatenate([one[0] for one in found]), np.concatenate([one[1] for one in found])
    return Closed(sizes, means, np.concatenate([np.full(len(one[0]), one[2]) for one in found]))
