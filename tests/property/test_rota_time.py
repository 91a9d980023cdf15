"""Local time of the rota against the standard library's own, in zones that change their clocks in their own ways."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightrake.alarms.rota import Shift, Team, on_duty
from nightrake.alarms.zones import DAY_S, EPOCH_ORDINAL, Zone, day_of, instant, offset_s, weekday
from nightrake.settings.zones import zone_table

NAMES = (
    "Europe/London",
    "America/New_York",
    "Australia/Lord_Howe",  # half an hour
    "Pacific/Apia",
    "Asia/Kolkata",  # never
    "Africa/Casablanca",  # four weeks apart
    "America/Santiago",  # at midnight
)
FIRST_S = int(datetime(2025, 2, 1, tzinfo=UTC).timestamp())
LAST_S = int(datetime(2038, 1, 1, tzinfo=UTC).timestamp())


def table(name: str) -> Zone:
    found = zone_table(name, date(2026, 6, 1))
    assert found is not None
    return found


@given(st.sampled_from(NAMES), st.integers(FIRST_S, LAST_S))
def test_offset_and_day_are_the_standard_librarys(name: str, utc_s: int) -> None:
    """At any second of the years of the table."""
    at = datetime.fromtimestamp(utc_s, ZoneInfo(name))

    assert timedelta(seconds=offset_s(table(name), utc_s)) == at.utcoffset()
    assert day_of(table(name), utc_s) == at.date().toordinal() - EPOCH_ORDINAL
    assert weekday(day_of(table(name), utc_s)) == at.weekday()


@pytest.mark.parametrize("name", NAMES)
def test_changes_stand_in_the_table_to_the_second(name: str) -> None:
    """The second before each change has the old offset, the change itself the new one, by the standard library."""
    zone = table(name)
    for start_s, old_s, new_s in zip(zone.starts_utc_s[1:], zone.offsets_s, zone.offsets_s[1:], strict=False):
        seen = [datetime.fromtimestamp(start_s + s, ZoneInfo(name)).utcoffset() for s in (-1, 0)]
        assert seen == [timedelta(seconds=old_s), timedelta(seconds=new_s)]


@given(st.sampled_from(NAMES), st.integers(FIRST_S // DAY_S, LAST_S // DAY_S), st.integers(0, 1439))
def test_instant_of_a_time_of_day_is_the_standard_librarys(name: str, day: int, minute: int) -> None:
    """The first of two, and by the offset before where it is left out: what the library calls fold = 0 (PEP 495)."""
    text = datetime.fromordinal(EPOCH_ORDINAL + day) + timedelta(minutes=minute)

    assert instant(table(name), day, minute * 60) == text.replace(tzinfo=ZoneInfo(name), fold=0).timestamp()


@given(
    st.sampled_from(NAMES),
    st.lists(st.integers(0, 1439), min_size=2, max_size=4, unique=True),
    st.integers(FIRST_S, LAST_S),
)
def test_shifts_that_follow_each_other_leave_nobody_alone(name: str, minutes: list[int], utc_s: int) -> None:
    """Shifts round the clock: at any second somebody is on duty, whatever the clocks do."""
    ends = sorted(m * 60 for m in minutes)
    turns = zip(ends, [*ends[1:], ends[0]], strict=True)
    shifts = [Shift(f"s{i}", (f"p{i}",), tuple(range(7)), a, b, table(name)) for i, (a, b) in enumerate(turns)]

    assert len(on_duty(Team("t", "T", (), tuple(shifts)), utc_s)) >= 1
