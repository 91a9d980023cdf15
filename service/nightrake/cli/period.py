"""A period as a person types it: ISO 8601, a day, or words such as 'last 3 days'; in the zone of the site's rota."""

from __future__ import annotations

import re
from collections.abc import Callable

from nightrake.alarms.told import stamp
from nightrake.alarms.zones import day_of, instant
from nightrake.cli.journal_wanted import moment_of, zone_at
from nightrake.errors import NightrakeError
from nightrake.history.period import Period
from nightrake.settings import Settings

HELP = "'last 3 days', today, yesterday, a day, a month, BEGIN/END or BEGIN/PT6H (ISO 8601, in the rota's zone)."
UNITS_MS = {
    "second": 1_000,
    "minute": 60_000,
    "min": 60_000,
    "hour": 3_600_000,
    "day": 86_400_000,
    "week": 7 * 86_400_000,
}
SHORT_MS = {"s": 1_000, "m": 60_000, "h": 3_600_000, "d": 86_400_000, "w": 7 * 86_400_000}
"""As people abbreviate them; no plural, so that 'ms' is not taken for minutes."""
_LAST = re.compile(r"last\s+(?:(\d{1,6}(?:\.\d{1,3})?)\s*)?([a-z]+)")
_DURATION = re.compile(
    r"P(?:(\d{1,5})W)?(?:(\d{1,6})D)?(?:T(?:(\d{1,6})H)?(?:(\d{1,7})M)?(?:(\d{1,8}(?:\.\d{1,3})?)S)?)?", re.IGNORECASE
)
_MONTH = re.compile(r"\d{4}-\d{2}")
_TIME = re.compile(r"\d{2}:\d{2}(:\d{2}([.,]\d{1,6})?)?")
_DURATION_MS = (7 * 86_400_000, 86_400_000, 3_600_000, 60_000, 1_000)


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
            if found.from_ms == found.to_ms:
                raise NightrakeError(f"period '{text[:60]}': it is empty, for it ends as it begins; give a longer one")
            if found.from_ms > found.to_ms:
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
    word = found[2]
    number, unit = (
        float(found[1] or 1),
        SHORT_MS.get(word) or UNITS_MS.get(word) or UNITS_MS.get(word.removesuffix("s")),
    )
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
    begin, slash, end = (part.strip() for part in said.partition("/"))
    if not slash:
        return None
    end = _same_day(begin, end)
    begin, end = (f"{part}-01" if _MONTH.fullmatch(part) else part for part in (begin, end))
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


def _same_day(begin: str, end: str) -> str:
    """An end of which only the time of day is given has the begin's day and offset. Source: ISO 8601 (from memory)."""
    day, _, time = re.sub("[Tt ]", "T", begin, count=1).partition("T")
    if not time or not _TIME.fullmatch(end):
        return end
    offset = re.search(r"([Zz]|[+-]\d{2}(:?\d{2})?)$", time)
    return f"{day}T{end}{offset[0] if offset else ''}"


def _single(settings: Settings, said: str, now_ms: int) -> Period | None:
    """A day from midnight to midnight on the wall, a month likewise, or a moment until now."""
    if _MONTH.fullmatch(said):
        year, month = int(said[:4]), int(said[5:])
        after = f"{year + month // 12:04}-{month % 12 + 1:02}-01"
        return Period(moment_of(settings, "period", f"{said}-01"), moment_of(settings, "period", after))
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
