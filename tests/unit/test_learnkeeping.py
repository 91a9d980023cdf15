"""When torque creep is to be looked for, and when the report is due."""

from __future__ import annotations

from datetime import UTC, date, datetime
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightrake.alarms.zones import DAY_S, UTC_ZONE, Zone, day_of, weekday
from nightrake.learnkeeping import Wanted, due
from nightrake.settings.zones import zone_table

AT_S = 5 * 3600 + 1800
MONDAY = 0


def utc_s(text: str) -> int:
    """Of a UTC time of 2026, such as ``11-26 05:30``."""
    return int(datetime.fromisoformat(f"2026-{text}").replace(tzinfo=UTC).timestamp())


@pytest.mark.parametrize(
    ("now", "last", "reported", "wanted"),
    [
        ("11-26 05:29", "11-25 05:31", "11-23 05:31", (False, False)),
        ("11-26 05:30", "11-25 05:31", "11-23 05:31", (True, False)),
        ("11-26 05:40", "11-26 05:31", "11-23 05:31", (False, False)),
        ("11-30 05:29", "11-29 05:31", "11-23 05:31", (False, False)),  # a Monday
        ("11-30 05:30", "11-29 05:31", "11-23 05:31", (True, True)),
        ("12-01 09:00", "11-29 05:31", "11-23 05:31", (True, True)),  # it was away on Monday
        ("11-26 05:29", "12-24 05:31", "12-24 05:31", (True, True)),  # the clock stood far ahead
    ],
)
def test_due_once_a_day_and_the_report_once_a_week(
    now: str, last: str, reported: str, wanted: tuple[bool, bool]
) -> None:
    """A day or a Monday that was missed is made up for."""
    assert due(UTC_ZONE, AT_S, MONDAY, utc_s(now), utc_s(last), utc_s(reported)) == wanted


def test_no_report_before_the_first_such_day_and_none_where_none_is_wanted() -> None:
    """Nothing was ever reported: 0 stands for a site that is new; None for one that wants none."""
    assert due(UTC_ZONE, AT_S, MONDAY, utc_s("11-30 06:00"), 0, 0) == Wanted(True, False)
    assert due(UTC_ZONE, AT_S, None, utc_s("11-30 06:00"), 0, utc_s("01-05 00:00")) == Wanted(True, False)


LONDON = zone_table("Europe/London", date(2026, 7, 1))
assert LONDON is not None
HOUR_S = 3600


@given(
    st.integers(utc_s("01-05 00:00"), utc_s("12-20 00:00")),
    st.integers(0, DAY_S - 60),
    st.integers(0, 6),
    st.sampled_from([UTC_ZONE, LONDON]),
)
def test_every_local_day_has_its_turn_and_no_day_two(begin_s: int, at_s: int, day: int, zone: Zone) -> None:
    """Ten days, looked at every twenty minutes: one turn a day, one report a week, both clock changes included."""
    last_s = reported_s = begin_s
    turns, reports = [], []
    for now_s in range(begin_s, begin_s + 10 * DAY_S, 1200):
        wanted = due(zone, at_s, day, now_s, last_s, reported_s)
        assert not wanted.report or wanted.trends, "the report stands on the trends of the same turn"
        if wanted.trends:
            last_s = now_s
            turns.append(now_s)
        if wanted.report:
            reported_s = now_s
            reports.append(now_s)

    assert 9 <= len(turns) <= 11
    assert all(22 * HOUR_S <= later - earlier <= 26 * HOUR_S for earlier, later in pairwise(turns))
    assert 1 <= len(reports) <= 2
    assert all(weekday(day_of(zone, instant_s)) in (day, (day + 1) % 7) for instant_s in reports)
