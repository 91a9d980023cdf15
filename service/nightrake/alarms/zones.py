"""Local time from a frozen table of a zone's offsets: days, times of day, instants. Pure.

Zone data is passed in, so that a replay years later knows the same hours. A time of day on the wall is turned into one
instant: one that occurs twice is its first occurrence; one that is left out is counted with the offset before the
change (02:30 in a night without 02:00 to 03:00 is 03:30 on the new clock).
"""

from __future__ import annotations

from bisect import bisect_right
from datetime import date
from typing import NamedTuple

DAY_S = 86_400
THURSDAY = 3
"""Weekday of day 0 (1970-01-01), Monday being 0."""
EPOCH_ORDINAL = date(1970, 1, 1).toordinal()

Span = tuple[int, int]
"""From, until (excluded), UTC seconds."""


class Zone(NamedTuple):
    """Offsets of a time zone for the years around now.

    Attributes:
        name: As the time zone database has it, for instance ``Europe/London``.
        starts_utc_s: From when each offset holds, rising. The first offset holds before that too, the last one after.
        offsets_s: Local time minus UTC.
    """

    name: str
    starts_utc_s: tuple[int, ...]
    offsets_s: tuple[int, ...]


UTC_ZONE = Zone("UTC", (0,), (0,))


def offset_s(zone: Zone, utc_s: int) -> int:
    """Local time minus UTC at an instant."""
    return zone.offsets_s[max(0, bisect_right(zone.starts_utc_s, utc_s) - 1)]


def day_of(zone: Zone, utc_s: int) -> int:
    """Day number of the local date: days since 1970-01-01."""
    return (utc_s + offset_s(zone, utc_s)) // DAY_S


def weekday(day: int) -> int:
    """Monday = 0."""
    return (day + THURSDAY) % 7


def instant(zone: Zone, day: int, time_s: int) -> int:
    """The instant at which the wall shows a time of day.

    Args:
        zone: In which the clock hangs; its offset changes at most once in two days.
        day: Day number. time_s: Seconds from midnight, as read from the wall.

    Returns:
        UTC seconds: the first occurrence of a time that occurs twice; one that is left out, by the offset before.
    """
    wall_s = day * DAY_S + time_s
    before_s, after_s = (offset_s(zone, wall_s + shift_s) for shift_s in (-DAY_S, DAY_S))
    early_s, late_s = wall_s - before_s, wall_s - after_s
    if offset_s(zone, early_s) != before_s and offset_s(zone, late_s) == after_s:
        return late_s
    return early_s


def wall_text(zone: Zone, utc_s: int) -> str:
    """An instant as people there write it: ``2026-03-29 03:12``."""
    local_s = utc_s + offset_s(zone, utc_s)
    day, minutes = date.fromordinal(EPOCH_ORDINAL + local_s // DAY_S), local_s % DAY_S // 60
    return f"{day.isoformat()} {minutes // 60:02}:{minutes % 60:02}"
