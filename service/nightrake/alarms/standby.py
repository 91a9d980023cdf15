"""When a drive is meant to stand, by schedule: weekdays and times of day, or one span of dates. Pure.

Ends are times of day, each turned into one instant (`alarms.zones`), so that spans that meet on the wall meet in time
too, also in the nights of 23 and 25 hours. What a person asks for by command comes on top of this.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from nightrake.alarms.zones import DAY_S, UTC_ZONE, Span, Zone, day_of, instant, weekday

AHEAD_S = 15 * DAY_S
"""A change is looked for so far ahead: two weeks hold every weekday, whatever the clocks do."""


class Standing(NamedTuple):
    """One time at which a drive is meant to stand.

    Attributes:
        days: Weekdays on which it begins, Monday = 0; none: by date.
        from_s, to_s: Time of day of its ends, seconds on the wall from midnight. By weekday, `to_s` <= `from_s`: on the
            next day (so 0 and 0 are a whole day).
        first_day, last_day: By date: day number (`day_of`) on which it begins, and that on which it ends, in one span.
        zone: In which the wall clock hangs.
    """

    days: tuple[int, ...] = ()
    from_s: int = 0
    to_s: int = 0
    first_day: int = 0
    last_day: int = 0
    zone: Zone = UTC_ZONE


Schedule = tuple[Standing, ...]
"""All such times of one drive; they may overlap."""


def is_standby(schedule: Schedule, utc_s: int) -> bool:
    """Whether a drive is meant to stand at an instant."""
    return any(begins <= utc_s < ends for s in schedule for begins, ends in _spans(s, utc_s, utc_s + 1))


def next_change(schedule: Schedule, utc_s: int) -> int:
    """The next instant at which `is_standby` changes.

    Returns:
        UTC seconds, later than `utc_s`; `AHEAD_S` from now where nothing changes until then: look again at that time.
    """
    until_s = utc_s + AHEAD_S
    for begins, ends in standing(schedule, utc_s, until_s):
        return min(ends if begins <= utc_s else begins, until_s)
    return until_s


def standing(schedule: Schedule, from_utc_s: int, to_utc_s: int) -> tuple[Span, ...]:
    """Spans that overlap a stretch of time, in order, with those that touch made one; they are not cut to it."""
    return _joined(span for s in schedule for span in _spans(s, from_utc_s, to_utc_s))


def span_of(one: Standing) -> Span:
    """Ends of a time by date."""
    return instant(one.zone, one.first_day, one.from_s), instant(one.zone, one.last_day, one.to_s)


def _spans(one: Standing, from_utc_s: int, to_utc_s: int) -> Sequence[Span]:
    if not one.days:
        found = [span_of(one)]
    else:
        # What began yesterday may last into today, nothing lasts longer.
        first, last = day_of(one.zone, from_utc_s) - 1, day_of(one.zone, to_utc_s)
        over = 0 if one.to_s > one.from_s else 1
        days = (d for d in range(first, last + 1) if weekday(d) in one.days)
        found = [(instant(one.zone, d, one.from_s), instant(one.zone, d + over, one.to_s)) for d in days]
    return [(a, b) for a, b in found if a < to_utc_s and b > from_utc_s and a < b]


def _joined(spans: Iterable[Span]) -> tuple[Span, ...]:
    joined: list[Span] = []
    for begins, ends in sorted(spans):
        if joined and begins <= joined[-1][1]:
            joined[-1] = joined[-1][0], max(ends, joined[-1][1])
        else:
            joined.append((begins, ends))
    return tuple(joined)
