"""Times on the site's wall, and spans."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from nightrake.page.moments import Wall, span, zone_of
from pagescenes import NOW_MS

LONDON = Wall(zone_of("Europe/London"), NOW_MS)


def utc_ms(year: int, month: int, day: int, hour: int = 0, minute: int = 0, second: int = 0) -> int:
    """A UTC in milliseconds."""
    return int(datetime(year, month, day, hour, minute, second, tzinfo=UTC).timestamp() * 1000)


@pytest.mark.parametrize(
    ("when", "text"),
    [
        ((2026, 11, 26, 3, 14, 5), "03:14"),
        ((2026, 11, 25, 23, 59, 59), "25 Nov 23:59"),
        ((2026, 7, 1, 12, 0, 0), "1 Jul 13:00"),
        ((2025, 11, 26, 3, 14, 5), "2025-11-26 03:14"),
    ],
)
def test_date_where_it_is_not_today(when: tuple[int, ...], text: str) -> None:
    """Today the time of day alone, else the day with it, in the site's zone."""
    assert LONDON.at(utc_ms(*when)) == text


def test_hour_that_comes_twice_says_which() -> None:
    """When the clocks go back, 01:30 is told with its offset (25 October 2026, tz database)."""
    night = Wall(zone_of("Europe/London"), utc_ms(2026, 10, 25, 9, 0))

    assert night.at(utc_ms(2026, 10, 25, 0, 30)) == "01:30 (UTC+1)"
    assert night.at(utc_ms(2026, 10, 25, 1, 30)) == "01:30 (UTC+0)"


def test_times_nobody_can_mean() -> None:
    """Never is nothing; a clock beyond all dates says so and breaks nothing."""
    assert LONDON.at(0) == ""
    assert LONDON.at(10**17) == "(a clock without a date)"
    assert LONDON.iso(10**17) == ""


def test_unknown_zone_reads_as_utc() -> None:
    """A zone that this machine does not know does not take the page away."""
    assert zone_of("Nowhere/Else") is UTC
    assert zone_of("../etc/passwd") is UTC


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (-5, "0 s"),
        (40, "40 s"),
        (59.7, "1 min"),
        (61, "2 min"),
        (7500, "2 h 5 min"),
        (86_400, "24 h"),
        (400_000, "4 d"),
    ],
)
def test_span(seconds: float, text: str) -> None:
    """To the figure that matters; minutes are rounded up, so that 'in 1 min' is never already over."""
    assert span(seconds) == text
