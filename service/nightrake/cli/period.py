"""A period as a person types it: ISO 8601, a day, or words such as 'last 3 days'; in the zone of the site's rota."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import NamedTuple

from nightrake.alarms.told import stamp
from nightrake.alarms.zones import day_of, instant
from nightrake.cli.journal_wanted import moment_of, zone_at
from nightrake.errors import NightrakeError
from nightrake.settings import Settings

HELP = "'last 3 days', today, yesterday, a day, BEGIN/END or BEGIN/PT6H (ISO 8601, in the rota's zone)."
UNITS_MS = {
    "second": 1_000,
    "minute": 60_000,
    "min": 60_000,
    "hour": 3_600_000,
    "day": 86_400_000,
    "week": 7 * 86_400_000,
}
_LAST = re.compile(r"last\s+(?:(\d{1,6}(?:\.\d{1,3})?)\s*)?([a-z]+)")
_DURATION = re.compile(
    r"P(?:(\d{1,5})W)?(?:(\d{1,6})D)?(?:T(?:(\d{1,6})H)?(?:(\d{1,7})M)?(?:(\d{1,8}(?:\.\d{1,3})?)S)?)?", re.IGNORECASE
)
_DURATION_MS = (7 * 86_400_000, 86_400_000, 3_600_000, 60_000, 1_000)


class Period(NamedTuple):
    """From, until (not included), UTC ms."""

    from_ms: int
    to_ms: int


def period_from(settings: Settings, text: str, now_ms: int) -> Period:
    """Read a period.

    Args:
        text: As typed. now_ms: Now, UTC; what lies behind it is cut off by whoever reads.

    Raises:
        NightrakeError: It is none, or ends before it begins.
    """
    said = " ".join(text.split())
    for read in (_last, _named, _interval, _single):
        found = read(settings, said, now_ms)
        if found is not None:
            if found.from_ms >= found.to_ms:
                raise NightrakeError(f"period '{text[:60]}': it ends before it begins; turn it round")
            return found
    raise NightrakeError(f"period '{text[:60]}': expected {HELP}")


def period_text(settings: Settings, period: Period) -> str:
    """A period for people, its zone named."""
    zone = zone_at(settings, period.from_ms)
    begin, end = stamp(zone, period.from_ms), stamp(zone_at(settings, period.to_ms), period.to_ms)
    return f"{begin} to {end} ({zone.name})"


def _last(_: Settings, said: str, now_ms: int) -> Period | None:
    found = _LAST.fullmatch(said.lower())
    if found is None:
        return None
    number, unit = float(found[1] or 1), UNITS_MS.get(found[2]) or UNITS_MS.get(found[2].removesuffix("s"))
    if unit is None:
        raise NightrakeError(
            f"period '{said[:60]}': '{found[2][:20]}' is no unit; there are minutes, hours, days, weeks"
        )
    return Period(max(0, now_ms - round(number * unit)), now_ms)


def _named(settings: Settings, said: str, now_ms: int) -> Period | None:
    if said.lower() not in ("today", "yesterday"):
        return None
    day = day_of(zone_at(settings, now_ms), now_ms // 1000)
    return _day(settings, day if said.lower() == "today" else day - 1)


def _interval(settings: Settings, said: str, now_ms: int) -> Period | None:
    begin, slash, end = said.partition("/")
    if not slash:
        return None
    first_ms, last_ms = _duration_ms(begin), _duration_ms(end)
    if first_ms is not None and last_ms is not None:
        raise NightrakeError(f"period '{said[:60]}': two lengths are no period; give one end")
    if first_ms is not None:
        to_ms = moment_of(settings, "end", end)
        return Period(to_ms - first_ms, to_ms)
    from_ms = moment_of(settings, "begin", begin)
    if last_ms is not None:
        return Period(from_ms, from_ms + last_ms)
    return Period(from_ms, moment_of(settings, "end", end) if end not in ("", "..") else now_ms)


def _single(settings: Settings, said: str, now_ms: int) -> Period | None:
    """A day from midnight to midnight on the wall, or a moment until now."""
    if not re.fullmatch(r"\d{4}-?(\d{2}-?\d{2}|W\d{2}-?\d)([T ].*)?", said, re.IGNORECASE):
        return None
    from_ms = moment_of(settings, "period", said)
    if re.search(r"[T ]\d", said[8:], re.IGNORECASE):
        return Period(from_ms, now_ms)
    zone = zone_at(settings, from_ms)
    return _day(settings, day_of(zone, from_ms // 1000))


def _day(settings: Settings, day: int) -> Period:
    zone = zone_at(settings, day * 86_400_000)
    begin: Callable[[int], int] = lambda number: instant(zone, number, 0) * 1000  # noqa: E731
    return Period(begin(day), begin(day + 1))


def _duration_ms(text: str) -> int | None:
    found = _DURATION.fullmatch(text)
    if found is None or not any(found.groups()):
        return None
    return round(sum(float(part or 0) * unit for part, unit in zip(found.groups(), _DURATION_MS, strict=True)))
