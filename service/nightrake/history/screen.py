"""Any span of history as the columns of a picture: lowest, mean, highest; no extreme is hidden. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nightrake.history.histogram import Floats, Ints
from nightrake.history.rows import Grain

COLUMNS = 100_000
"""Columns of a picture at most."""


def grain_for(from_utc_ms: int, to_utc_ms: int, columns: int, kept_from: Mapping[Grain | None, int]) -> Grain | None:
    """Which history to draw a span from: the coarsest that is no coarser than a column, if it is still kept.

    Args:
        from_utc_ms, to_utc_ms: The span. columns: Of the picture. kept_from: Since when each kind of history is kept;
            None stands for the readings themselves, and what is not kept at all is not there.

    Returns:
        The kind; None = the readings. Where what fits is gone, the next coarser one that reaches back far enough, else
        the one that reaches back furthest, of several the one that fits best. A finer one that begins within the first
        row of that one lacks nothing: a drive that began to run at five has no minute before, but that day.
    """
    width_ms = (to_utc_ms - from_utc_ms) / columns
    order: list[Grain | None] = [None, Grain.MINUTE, Grain.HOUR, Grain.DAY]
    fits = max(
        (i for i, grain in enumerate(order) if grain is None or grain.span_ms <= width_ms),
        default=0,
    )
    # Finer than fits only where everything coarser is missing.
    there = [grain for grain in (*order[fits:], *reversed(order[:fits])) if grain in kept_from]
    far = (grain for grain in there if kept_from[grain] <= max(from_utc_ms, 0))
    found = next(far, min(there, key=lambda grain: kept_from[grain], default=Grain.DAY))
    if found is None or found not in kept_from:
        return found
    first_row_ms = max(kept_from[found], from_utc_ms, 0) // found.span_ms * found.span_ms
    within = (grain for grain in there[: there.index(found)] if kept_from[grain] < first_row_ms + found.span_ms)
    return next((grain for grain in within if grain is not None), found)


class Thinned(NamedTuple):
    """A picture's columns, from left to right; NaN where nothing was read.

    Attributes:
        utc_ms: Where each begins, a float because a column need not begin on a whole ms.
        low, mean, high: Of the values in it. n: Readings in it, a share of those that reach into the next.
    """

    utc_ms: Floats
    low: Floats
    mean: Floats
    high: Floats
    n: Floats


class Picture:
    """Takes history in slices, in any order.

    Args:
        from_utc_ms, to_utc_ms: The span, its end not included. columns: How many, 1 to `COLUMNS`.

    Raises:
        ValueError: A span without length, or no such number of columns.
    """

    def __init__(self, from_utc_ms: int, to_utc_ms: int, columns: int) -> None:
        if to_utc_ms <= from_utc_ms:
            raise ValueError("the span ends before it begins")
        if not 1 <= columns <= COLUMNS:
            raise ValueError(f"a picture has 1 to {COLUMNS} columns, not {columns}")
        self._from, self._span, self._columns = from_utc_ms, to_utc_ms - from_utc_ms, columns
        self._low, self._high = np.full(columns, np.inf), np.full(columns, -np.inf)
        self._sum, self._n = np.zeros(columns), np.zeros(columns)

    def add_readings(self, utc_ms: Ints, values: Floats) -> None:
        """Single readings; NaN = none."""
        self.add_rows(utc_ms, 1, values, values, values, np.ones(len(values)))

    def add_rows(
        self, utc_ms: Ints, span_ms: int, low: Floats, mean: Floats, high: Floats, n: npt.NDArray[np.floating]
    ) -> None:
        """Rows of a summary. One that lies in several columns shows its extremes in each: nobody knows in which it was.

        Args:
            utc_ms: Where each begins. span_ms: Its length, 1 of a single reading. low, mean, high: NaN = nothing read.
            n: Readings in each.
        """
        begin = utc_ms - self._from
        there = np.flatnonzero(~np.isnan(mean) & (begin + span_ms > 0) & (begin < self._span))
        begin = begin[there]
        first = np.maximum(begin, 0) * self._columns // self._span
        last = (np.minimum(begin + span_ms, self._span) - 1) * self._columns // self._span
        across = last - first + 1
        which = np.repeat(there, across)
        column = np.repeat(first, across) + np.arange(len(which)) - np.repeat(np.cumsum(across) - across, across)
        np.minimum.at(self._low, column, low[which])
        np.maximum.at(self._high, column, high[which])
        weight = n[which] / np.repeat(across, across)
        np.add.at(self._sum, column, mean[which] * weight)
        np.add.at(self._n, column, weight)

    def columns(self) -> Thinned:
        """What was taken in by now."""
        none = self._n == 0.0
        low, high = np.where(none, np.nan, self._low), np.where(none, np.nan, self._high)
        mean = np.full(self._columns, np.nan)
        np.divide(self._sum, self._n, out=mean, where=~none)
        starts = self._from + np.arange(self._columns, dtype=np.float64) * (self._span / self._columns)
        middle: Floats = np.clip(mean, low, high)
        return Thinned(starts, low, middle, high, self._n.copy())
