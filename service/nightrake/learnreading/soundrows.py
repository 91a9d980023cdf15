"""Rows and counts of a drive in slices, day by day where some are damaged: those are passed over, and said."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from typing import TypeVar

from nightrake.history.period import Period
from nightrake.history.rows import DAY_MS, Grain
from nightrake.history.summaries import Entry
from nightrake.longterm.blocks import Damaged
from nightrake.longterm.summaryreading import Rows, SummaryReading

T = TypeVar("T")
AT_ONCE = 64
"""Days in one slice: of minutes some 92,000 rows."""


def sound_rows(
    summaries: SummaryReading, drive: str, grain: Grain, columns: Collection[str], period: Period, damaged: list[str]
) -> Iterator[Rows]:
    """Rows that touch a period, rising in time.

    Args:
        damaged: What was passed over is put here, in sentences.

    Raises:
        StoreError: The file cannot be read.
    """
    span = summaries.span(drive, grain)
    if span is None:
        return
    begin, end = max(period.from_ms, span[0]), min(period.to_ms, span[1])

    def read(low_ms: int, high_ms: int) -> list[Rows]:
        return list(summaries.rows(drive, grain, columns, low_ms, high_ms))

    for low in range(begin, end, AT_ONCE * DAY_MS):
        for rows in _sound(read, low, min(low + AT_ONCE * DAY_MS, end), damaged):
            yield from rows


def sound_entries(
    summaries: SummaryReading, drive: str, period: Period, damaged: list[str]
) -> Iterator[list[tuple[int, Entry]]]:
    """Counts of the whole days that a period touches: (where the day begins, what was counted).

    Args:
        damaged: See `sound_rows`.

    Raises:
        StoreError: The file cannot be read.
    """
    span = summaries.span(drive, Grain.DAY)
    if span is None:
        return
    begin, end = max(period.from_ms, span[0]) // DAY_MS * DAY_MS, min(period.to_ms, span[1])

    def read(low_ms: int, high_ms: int) -> list[tuple[int, Entry]]:
        return summaries.entries(drive, low_ms // DAY_MS, -(-high_ms // DAY_MS), Grain.DAY)

    for low in range(begin, end, AT_ONCE * DAY_MS):
        yield from _sound(read, low, min(low + AT_ONCE * DAY_MS, end), damaged)


def _sound(read: Callable[[int, int], T], low_ms: int, high_ms: int, damaged: list[str]) -> Iterator[T]:
    try:
        yield read(low_ms, high_ms)
    except Damaged as fault:
        if high_ms - low_ms <= DAY_MS:
            damaged.append(f"A day is left out: {fault}.")
            return
        middle_ms = (low_ms + high_ms) // 2 // DAY_MS * DAY_MS
        middle_ms = middle_ms if middle_ms > low_ms else low_ms + DAY_MS
        yield from _sound(read, low_ms, middle_ms, damaged)
        yield from _sound(read, middle_ms, high_ms, damaged)
