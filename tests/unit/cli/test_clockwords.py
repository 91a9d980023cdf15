"""What a clock that was set far leaves in lists: how far, in words; and the date of what is of another day."""

from __future__ import annotations

import pytest

from nightrake.cli.rowwords import facts_of
from nightrake.cli.trips_found import Place
from nightrake.cli.trips_plot import _line
from nightrake.domain.rows import Row, canonical

DAY_S = 86_400
TRIP_MS = 1_790_000_000_000


@pytest.mark.parametrize(
    ("by_s", "words"),
    [
        (-1.5, "by -1.5 s"),
        (59.0, "by +59 s"),
        (3_600.0, "forward by 1 h"),
        (-1_800.0, "back by 30 min"),
        (-41.5 * DAY_S, "back by 41 d 12 h"),
        (400_000.0 * DAY_S, "forward by 1095 years"),
        (-1_790_000_000.0, "back by 57 years"),
    ],
)
def test_step_of_a_clock_is_told_as_people_say_it(by_s: float, words: str) -> None:
    """No exponents."""
    assert facts_of({"kind": "service", "event": "clock_stepped", "data": {"by_s": by_s}}) == [words]


def test_event_of_another_day_has_its_date() -> None:
    """In the list below a trip's picture; one of the same day has its time only."""
    place = Place(None, {})
    row = Row("e", 7, "service", "started", "", "", False, 1, 5, "b", 1, TRIP_MS, True, canonical({}), b"", b"")
    assert _line(1, row, place, TRIP_MS).startswith("1  14:13:20  ")
    back = row._replace(utc_ms=TRIP_MS - 41 * DAY_S * 1000)
    assert _line(2, back, place, TRIP_MS).startswith("2  2026-08-11 14:13:20  ")
    nowhere = row._replace(utc_ms=10**15)
    assert "(a clock without a date)" in _line(3, nowhere, place, TRIP_MS)
