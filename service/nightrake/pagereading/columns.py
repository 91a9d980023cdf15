"""The columns of a chart: how wide they are, how they are cut into tiles, what is drawn into them. With numpy."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nightrake.history.picture import DAY_MS, STEPS_DAYS, STEPS_MS
from nightrake.history.screen import Picture

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
STEPS = (100, 200, 500, *STEPS_MS, *(days * DAY_MS for days in STEPS_DAYS))
TILE = 250
"""Columns of a tile at most: it is read, kept at hand and used again as one. None is longer than a day or a column."""
MOST = 400_000
"""Columns at hand: some 25 MB."""
FRESH_S = 600.0
"""A tile is read anew after this: its torque may have been derived anew, and a clock set back may have added to it."""


def step_for(begin_ms: int, end_ms: int, most: int) -> int:
    """The narrowest step, ms, by which so many columns, two or more, cover a span; each begins at a whole one."""
    for step in STEPS:
        if -(-end_ms // step) - begin_ms // step <= most:
            return step
    # A span touches at most one column more than fit into it.
    return -(-(end_ms - begin_ms) // ((most - 1) * DAY_MS)) * DAY_MS


def tile_for(step_ms: int) -> int:
    """Columns of a tile."""
    return max(1, min(TILE, DAY_MS // step_ms))


class Columns(NamedTuple):
    """Columns from left to right; NaN where nothing was read.

    Attributes:
        low, mean, high: Of the values in each. n: Readings in each.
        uncertainty: The largest in each, of torque. bad: Share of readings that gave no value.
        limit: Share of those that lay outside the calibrated span.
        notes: What could not be read.
    """

    low: Floats
    mean: Floats
    high: Floats
    n: Floats
    uncertainty: Floats
    bad: Floats
    limit: Floats
    notes: tuple[str, ...] = ()

    def part(self, begin: int, end: int) -> Columns:
        """Some of them."""
        return self._each(lambda column: column[begin:end])

    def copied(self) -> Columns:
        """The same, holding nothing else in memory."""
        return self._each(lambda column: column.copy())

    def _each(self, act: Callable[[Floats], Floats]) -> Columns:
        low, mean, high, n = act(self.low), act(self.mean), act(self.high), act(self.n)
        return Columns(low, mean, high, n, act(self.uncertainty), act(self.bad), act(self.limit), self.notes)


def blank(count: int) -> Columns:
    """Nothing read."""
    none = np.full(count, np.nan)
    return Columns(none, none, none, np.zeros(count), none, none, none)


def joined(parts: Sequence[Columns]) -> Columns:
    """Side by side."""
    notes = tuple(dict.fromkeys(note for part in parts for note in part.notes))
    low, mean, high, n, uncertainty, bad, limit = (
        np.concatenate([part[i] for part in parts]) for i in range(len(Columns._fields) - 1)
    )
    return Columns(low, mean, high, n, uncertainty, bad, limit, notes)


class Worth:
    """Counts readings, in columns.

    Args:
        from_ms: Where the first begins. step_ms: How wide each is. columns: How many.
    """

    def __init__(self, from_ms: int, step_ms: int, columns: int) -> None:
        self._from, self._step, self._columns = from_ms, step_ms, columns
        self._n, self._bad, self._limit = (np.zeros(columns + 1) for _ in range(3))

    def add_readings(self, utc_ms: Ints, bad: npt.NDArray[np.bool_], limit: npt.NDArray[np.bool_] | None) -> None:
        """Single readings."""
        column = (utc_ms - self._from) // self._step
        inside = (column >= 0) & (column < self._columns)
        column = column[inside]
        size = self._columns + 1
        self._n += np.bincount(column, minlength=size)
        if bad.any():
            self._bad += np.bincount(column[bad[inside]], minlength=size)
        if limit is not None and limit.any():
            self._limit += np.bincount(column[limit[inside]], minlength=size)

    def add_rows(self, utc_ms: Ints, span_ms: int, n: Floats, bad: Floats, limit: Floats) -> None:
        """Rows of a summary; one that lies in several columns counts in each by its part."""
        first = np.maximum((utc_ms - self._from) // self._step, 0)
        last = np.minimum((utc_ms + span_ms - 1 - self._from) // self._step, self._columns - 1)
        mine = first <= last
        first, last = first[mine], last[mine]
        across = last - first + 1
        for counts, given in ((self._n, n), (self._bad, bad), (self._limit, limit)):
            part = given[mine] / across
            edges = np.zeros(self._columns + 1)
            np.add.at(edges, first, part)
            np.add.at(edges, last + 1, -part)
            counts[:-1] += np.maximum(np.cumsum(edges)[:-1], 0.0)

    def shares(self) -> tuple[Floats, Floats]:
        """Share of readings without a value, and of those with one that lay outside; NaN where there were none."""
        n, bad, limit = self._n[:-1], self._bad[:-1], self._limit[:-1]
        held = np.maximum(n - bad, 0.0)
        return (
            np.divide(bad, n, out=np.full(len(n), np.nan), where=n > 0.01),
            np.divide(limit, held, out=np.full(len(n), np.nan), where=held > 0.01),
        )


def columns_of(picture: Picture, uncertainty: Picture | None, worth: Worth, notes: Sequence[str]) -> Columns:
    """What was drawn."""
    thin = picture.columns()
    wide = uncertainty.columns().high if uncertainty is not None else np.full(len(thin.n), np.nan)
    return Columns(thin.low, thin.mean, thin.high, thin.n, wide, *worth.shares(), tuple(notes))


class Tiles:
    """Tiles at hand, the least used given up first.

    Args:
        now_s: Monotonic seconds.
    """

    def __init__(self, now_s: Callable[[], float]) -> None:
        self._now_s = now_s
        self._kept: OrderedDict[tuple[object, ...], tuple[float, Columns]] = OrderedDict()
        self._size = 0

    def get(self, key: tuple[object, ...]) -> Columns | None:
        """A tile; None = it is not at hand, or not any more."""
        found = self._kept.get(key)
        if found is None or self._now_s() - found[0] > FRESH_S:
            return None
        self._kept.move_to_end(key)
        return found[1]

    def put(self, key: tuple[object, ...], tile: Columns) -> None:
        """Keep one."""
        self._size += len(tile.n) - (len(self._kept.pop(key)[1].n) if key in self._kept else 0)
        self._kept[key] = self._now_s(), tile.copied()
        while self._size > MOST:
            self._size -= len(self._kept.popitem(last=False)[1][1].n)

    @property
    def size(self) -> int:
        """Columns at hand."""
        return self._size
