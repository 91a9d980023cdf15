"""What of several signals goes into the columns of a table or a picture. Pure, with numpy."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from nightrake.history.lanes import Column, Piece
from nightrake.history.screen import Picture, Thinned
from nightrake.history.signals import Signal, columns_of

STEPS_MS = tuple(
    1000 * s for s in (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10_800, 21_600, 43_200)
)
DAY_MS = 86_400_000
STEPS_DAYS = (1, 2, 7, 14, 28, 91, 182, 364)
"""Steps that are easy to read: whole weeks, a quarter, half a year; longer ones are whole days."""


class Shown(NamedTuple):
    """One signal, thinned.

    Attributes:
        signal: Which. thinned: Its columns. uncertainty_nm: The largest in each, of torque; else empty.
    """

    signal: Signal
    thinned: Thinned
    uncertainty_nm: Column


class Grid(NamedTuple):
    """The columns of a picture: where the first begins, how wide each is, how many there are."""

    from_ms: int
    step_ms: int
    columns: int

    @property
    def to_ms(self) -> int:
        """Where the last one ends."""
        return self.from_ms + self.step_ms * self.columns


def grid_for(from_ms: int, to_ms: int, columns: int, step_ms: int = 0, offset_ms: int = 0) -> Grid:
    """A grid over a period, whose lines are at even moments on the wall; of several days, at the midnight it begins in.

    Args:
        columns: At most so many (one more, where the period does not begin at a line). step_ms: Or this step.
        offset_ms: Of the wall from UTC.
    """
    span_ms = max(1, to_ms - from_ms)
    step = step_ms or _step(span_ms, columns)
    even = DAY_MS if step % DAY_MS == 0 else step
    begin = (from_ms + offset_ms) // even * even - offset_ms
    return Grid(begin, step, -(-(to_ms - begin) // step))


def _step(span_ms: int, columns: int) -> int:
    steps = (*STEPS_MS, *(days * DAY_MS for days in STEPS_DAYS))
    return next((s for s in steps if s * columns >= span_ms), -(-span_ms // (columns * DAY_MS)) * DAY_MS)


BRIDGED_MS = 10_000
"""Readings are no farther apart than this, or than `LATE` of their periods: longer is a gap."""
LATE = 2.5


def bridged(shown: Shown, step_ms: int, period_ms: int = 0, silence_ms: int = 0) -> Shown:
    """For drawing: columns between two readings, in which none was due, show what was read before them.

    What is due is known from the settings, never from how far readings are apart: of a few, that may be an outage.

    Args:
        step_ms: Width of a column. period_ms: How often it is read; 0 = nobody knows.
        silence_ms: Longest silence of what is recorded on change; 0 = it is not.
    """
    thin = shown.thinned
    read = np.flatnonzero(thin.n > 0)
    if len(read) < 2:
        return shown
    apart = np.diff(read)
    silence = silence_ms / step_ms + 1.0 if silence_ms else 0.0
    most = max(BRIDGED_MS / step_ms, LATE * period_ms / step_ms, silence)
    before = np.full(len(thin.n), -1, np.int64)
    before[read] = read
    before = np.maximum.accumulate(before)
    spans = np.zeros(len(thin.n))
    spans[read[:-1]] = apart
    take = np.where((before >= 0) & (spans[before] <= most) & (before < read[-1]), before, np.arange(len(thin.n)))
    wide = shown.uncertainty_nm[take] if len(shown.uncertainty_nm) else shown.uncertainty_nm
    held = Thinned(thin.utc_ms, thin.low[take], thin.mean[take], thin.high[take], thin.n)
    return Shown(shown.signal, held, wide)


class Thinning:
    """Takes pieces of one lane in and gives each of its signals thinned.

    Args:
        signals: Of the lane, in the order of its columns. grid: The picture's.
    """

    def __init__(self, signals: Sequence[Signal], grid: Grid) -> None:
        self._signals = signals
        self._grid = grid
        self.pictures = {s.name: Picture(grid.from_ms, grid.to_ms, grid.columns) for s in signals}
        self._uncertainty = Picture(grid.from_ms, grid.to_ms, grid.columns)

    def add(self, piece: Piece) -> None:
        """Readings of the lane."""
        at = 0
        for signal in self._signals:
            self.pictures[signal.name].add_readings(piece.utc_ms, piece.columns[at].astype(np.float64))
            names = columns_of(signal)
            if len(names) > 1:
                self._uncertainty.add_readings(piece.utc_ms, piece.columns[at + 1])
            at += len(names)

    def shown(self) -> list[Shown]:
        """What was taken in."""
        none = np.zeros(0)
        wide = self._uncertainty.columns().high
        return [
            Shown(s, self.pictures[s.name].columns(), wide if len(columns_of(s)) > 1 else none) for s in self._signals
        ]
