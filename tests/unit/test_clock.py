"""The clocks at the door: a date that cannot be written down is none, and is told once."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta, timezone

import pytest

from nightrake.clock import BUILT_UTC_MS, LAST_UTC_MS, Segment, SystemClock, next_segment

YEAR_MS = 365 * 86_400_000
SECOND_NS = 1_000_000_000


@pytest.mark.parametrize("years", [0, 1, 10_000, 100_000])
def test_utc_beyond_the_year_9999_stands_still_and_is_not_believed(monkeypatch: pytest.MonkeyPatch, years: int) -> None:
    """It can be written down in every time zone, and nothing is stamped with it that goes out."""
    monkeypatch.setattr(time, "time_ns", lambda: (LAST_UTC_MS + years * YEAR_MS) * 1_000_000)
    clock = SystemClock()

    assert clock.utc_ms() == LAST_UTC_MS
    assert not clock.trusted()
    for hours in (-12, 14):
        assert datetime.fromtimestamp(clock.utc_ms() / 1000, UTC).astimezone(timezone(timedelta(hours=hours))).year


def test_utc_beyond_what_python_counts_in_is_no_date_either(monkeypatch: pytest.MonkeyPatch) -> None:
    """`time.time_ns` raises from 2262 on (seen with a clock faked to the year 10000)."""

    def beyond() -> int:
        raise OverflowError("timestamp too large to convert to C _PyTime_t")

    monkeypatch.setattr(time, "time_ns", beyond)

    assert (SystemClock().utc_ms(), SystemClock().trusted()) == (LAST_UTC_MS, False)


def test_clock_is_believed_from_when_this_was_made_until_then(monkeypatch: pytest.MonkeyPatch) -> None:
    """Before, it has lost its date."""
    found = []
    for utc_ms in (BUILT_UTC_MS, BUILT_UTC_MS + 1, LAST_UTC_MS - 1):
        monkeypatch.setattr(time, "time_ns", lambda utc_ms=utc_ms: utc_ms * 1_000_000)
        found.append(SystemClock().trusted())

    assert found == [False, True, True]


def test_clock_that_stands_still_at_the_end_is_one_step_and_not_one_each_second() -> None:
    """Time goes on and that UTC does not: no segment comes of it until the clock is put right."""
    begin = Segment("boot", 0, 1_790_000_000_000, True)
    far, leapt_ms = next_segment(begin, SECOND_NS, LAST_UTC_MS, False)
    hours = [next_segment(far, n * 3600 * SECOND_NS, LAST_UTC_MS, False) for n in range(1, 5)]
    _, back_ms = next_segment(far, 5 * 3600 * SECOND_NS, 1_790_018_000_000, True)

    assert leapt_ms > 0
    assert hours == [(far, 0)] * 4
    assert back_ms < 0
