"""When a drive is meant to stand: weekdays, nights, dates, the nights in which the clocks change.

When clocks change: last Sunday of March and of October at 01:00 UTC (directive 2000/84/EC; in the United Kingdom the
Summer Time Order 2002): 2026-03-29 and 2026-10-25. Instants are the standard library's.
"""

from __future__ import annotations

import pytest

from nightrake.alarms.standby import AHEAD_S, Standing, is_standby, next_change, standing
from nightrake.alarms.zones import DAY_S
from unit.alarms.rotas import EVERY_DAY, LONDON, day, local, zone

HOUR = 3600
NIGHTLY = Standing(EVERY_DAY, 22 * HOUR, 5 * HOUR, zone=LONDON)
WEEKENDS = Standing((5, 6), zone=LONDON)
OUTAGE = Standing(from_s=12 * HOUR, to_s=6 * HOUR, first_day=day("2026-12-24"), last_day=day("2027-01-01"), zone=LONDON)


def changes(schedule: tuple[Standing, ...], begins: int, ends: int) -> list[int]:
    """Every change of a stretch of time, each found from the one before."""
    found: list[int] = []
    at = next_change(schedule, begins)
    while at < ends:
        found.append(at)
        at = next_change(schedule, at)
    return found


def test_drive_without_a_schedule_never_stands_by() -> None:
    """And is looked at again in two weeks."""
    at = local("2026-06-01 12:00")

    assert (is_standby((), at), next_change((), at)) == (False, at + AHEAD_S)


@pytest.mark.parametrize(
    ("at", "stands"),
    [
        ("2026-06-05 21:59", False),
        ("2026-06-05 22:00", True),
        ("2026-06-06 04:59", True),
        ("2026-06-06 05:00", False),
    ],
)
def test_night_over_midnight(at: str, stands: bool) -> None:
    """From the evening's minute to the morning's, the last one excluded."""
    assert is_standby((NIGHTLY,), local(at)) is stands
    assert is_standby((NIGHTLY,), local(at) - 1) is (stands if at[-2:] != "00" else not stands)


@pytest.mark.parametrize(("evening", "hours"), [("2026-03-28", 6), ("2026-10-24", 8), ("2026-06-01", 7)])
def test_night_is_as_long_as_its_clock_makes_it(evening: str, hours: int) -> None:
    """22:00 to 05:00 is an hour shorter in March and an hour longer in October."""
    at = local(f"{evening} 22:00")

    assert next_change((NIGHTLY,), at - 1) == at
    assert next_change((NIGHTLY,), at) == at + hours * HOUR == local(f"{day_after(evening)} 05:00")


@pytest.mark.parametrize("date", ["2026-03-29", "2026-10-25"])
@pytest.mark.parametrize("meets_h", [0.5, 1.0, 1.5, 2.0, 2.5])
def test_spans_that_meet_in_the_changed_hour_leave_no_gap(date: str, meets_h: float) -> None:
    """Two spans that follow each other on the wall do so in time, wherever in the night they meet."""
    meets_s = int(meets_h * HOUR)
    schedule = (
        Standing(EVERY_DAY, 20 * HOUR, meets_s, zone=LONDON),
        Standing(EVERY_DAY, meets_s, 8 * HOUR, zone=LONDON),
    )
    begins, ends = local(f"{date} 00:00") - 4 * HOUR, local(f"{date} 08:00")

    assert all(is_standby(schedule, at) for at in range(begins, ends, 300))
    assert changes(schedule, begins, ends + 1) == [ends]


@pytest.mark.parametrize(("monday", "hours"), [("2026-03-30", 47), ("2026-10-26", 49), ("2026-06-08", 48)])
def test_whole_days_that_follow_each_other_are_one_span(monday: str, hours: int) -> None:
    """Saturday and Sunday, in the weekends of 47 and of 49 hours too."""
    ends = local(f"{monday} 00:00")

    assert standing((WEEKENDS,), ends - 3 * DAY_S, ends) == ((ends - hours * HOUR, ends),)
    assert changes((WEEKENDS,), ends - 3 * DAY_S, ends + DAY_S) == [ends - hours * HOUR, ends]


def test_time_that_comes_twice_begins_with_the_first() -> None:
    """01:30 to 01:45 of the October night: once, by summer time."""
    schedule = (Standing(EVERY_DAY, 5400, 6300, zone=LONDON),)
    begins = local("2026-10-25 01:30", fold=0)

    assert changes(schedule, local("2026-10-25 00:00"), local("2026-10-25 06:00")) == [begins, begins + 900]


def test_time_that_is_left_out_is_counted_on() -> None:
    """01:15 to 01:45 of the March night does not stand on the clock, and is half an hour all the same."""
    schedule = (Standing(EVERY_DAY, 4500, 6300, zone=LONDON),)
    begins = local("2026-03-29 02:15")

    assert changes(schedule, local("2026-03-29 00:00"), local("2026-03-29 06:00")) == [begins, begins + 1800]


def test_span_by_date_has_no_break() -> None:
    """From noon of Christmas Eve to the morning of New Year's Day; far ahead it is not seen yet."""
    begins, ends = local("2026-12-24 12:00"), local("2027-01-01 06:00")

    assert [is_standby((OUTAGE,), at) for at in (begins - 1, begins, ends - 1, ends)] == [False, True, True, False]
    assert changes((OUTAGE,), begins - 5 * DAY_S, ends + DAY_S) == [begins, ends]
    assert next_change((OUTAGE,), begins - 100 * DAY_S) == begins - 100 * DAY_S + AHEAD_S


def test_schedules_that_overlap_are_one() -> None:
    """A nightly stop within the outage changes nothing; after it the nights go on."""
    found = changes((NIGHTLY, OUTAGE), local("2026-12-24 12:00"), local("2027-01-02 12:00"))

    assert found == [local("2027-01-01 06:00"), local("2027-01-01 22:00"), local("2027-01-02 05:00")]


def test_each_time_has_its_own_clock() -> None:
    """Kolkata's night begins at 16:30 UTC, whatever London does."""
    kolkata = NIGHTLY._replace(zone=zone("Asia/Kolkata"))

    for date in ("2026-03-28", "2026-10-24"):
        at = local(f"{date} 22:00", name="Asia/Kolkata")
        assert changes((kolkata,), at - HOUR, at + 8 * HOUR) == [at, at + 7 * HOUR]


def test_change_is_found_as_the_seconds_show_it() -> None:
    """Two schedules in two zones through the March change, against asking at every minute."""
    schedule = (NIGHTLY, Standing((6,), 3 * HOUR, 3 * HOUR, zone=zone("America/New_York")))
    begins, ends = local("2026-03-27 12:00"), local("2026-03-31 12:00")
    seen = [at for at in range(begins + 60, ends, 60) if is_standby(schedule, at) != is_standby(schedule, at - 60)]

    assert changes(schedule, begins, ends) == seen
    assert len(seen) > 6


def test_drive_that_always_stands_is_looked_at_again() -> None:
    """Seven whole days a week never change."""
    at = local("2026-03-28 12:00")
    always = (Standing(EVERY_DAY, zone=LONDON),)

    assert (is_standby(always, at), next_change(always, at)) == (True, at + AHEAD_S)


def day_after(date: str) -> str:
    """``2026-03-28`` -> ``2026-03-29``."""
    return f"{date[:8]}{int(date[8:]) + 1:02}"
