"""Time zones by name -> frozen tables for the core, from the time zone database of the machine or of `tzdata`."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from nightrake.alarms.zones import UTC_ZONE, Zone
from nightrake.settings.folder import Document
from nightrake.settings.lines import Path as KeyPath
from nightrake.settings.words import nearest

YEARS_BEFORE = 1
YEARS_AFTER = 12
"""A watch that was not restarted for longer than this would miss a change of the clocks."""


def zone_table(name: str, today: date) -> Zone | None:
    """Offsets of a zone for the years around a day; None where there is no such zone."""
    return _table(name, today.year)


def zone_about(zone: Zone, utc_ms: int) -> Zone:
    """A zone with the offsets of the years around a moment, however long ago."""
    try:
        day = datetime.fromtimestamp(utc_ms / 1000, UTC).date()
    except (ValueError, OverflowError, OSError):
        return zone
    return (zone_table(zone.name, day) if 1971 < day.year < 9980 else None) or zone


def named_zone(document: Document, path: KeyPath, name: str, today: date) -> Zone:
    """As `zone_table`; UTC, and a mistake at a key, where there is no such zone."""
    zone = zone_table(name, today)
    if zone is None:
        hint = like_zone(name) or "expected a name such as 'Europe/London'"
        document.wrong(path, f"is '{name}'; there is no such time zone; {hint}")
    return zone or UTC_ZONE


@lru_cache(maxsize=64)
def _table(name: str, year: int) -> Zone | None:
    try:
        zone = ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):  # unknown, no path below the database, a folder of it
        return None
    at_s = int(datetime(year - YEARS_BEFORE, 1, 1, tzinfo=UTC).timestamp())
    end_s = int(datetime(year + YEARS_AFTER + 1, 1, 1, tzinfo=UTC).timestamp())
    starts, offsets = [at_s], [_offset_s(zone, at_s)]
    for next_s in range(at_s + 86_400, end_s, 86_400):
        offset_s = _offset_s(zone, next_s)
        if offset_s != offsets[-1]:
            starts.append(_change_s(zone, next_s - 86_400, next_s))
            offsets.append(offset_s)
    return Zone(name, tuple(starts), tuple(offsets))


def _change_s(zone: ZoneInfo, before_s: int, after_s: int) -> int:
    """The first second of the new offset: halved down from a day."""
    old_s = _offset_s(zone, before_s)
    while after_s - before_s > 1:
        middle_s = (before_s + after_s) // 2
        before_s, after_s = (middle_s, after_s) if _offset_s(zone, middle_s) == old_s else (before_s, middle_s)
    return after_s


def _offset_s(zone: ZoneInfo, utc_s: int) -> int:
    offset = datetime.fromtimestamp(utc_s, zone).utcoffset() or timedelta()
    return int(offset.total_seconds())


def like_zone(name: str) -> str:
    """``did you mean 'Europe/London'?`` or an empty text."""
    return nearest(name, sorted(available_timezones()))
