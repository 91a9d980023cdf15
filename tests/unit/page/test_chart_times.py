"""Times on an axis: round on the site's wall, also across the hours that it shows twice or never.

Expected moments are those of Python's zoneinfo, which reads the same time zone database by another program.
"""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from unit.page.scripts import answer

LONDON = ZoneInfo("Europe/London")
HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS


def ms(year: int, month: int, day: int, hour: int = 0, zone: ZoneInfo = LONDON, fold: int = 0) -> int:
    """A moment of a wall, UTC in ms."""
    return int(datetime(year, month, day, hour, tzinfo=zone, fold=fold).timestamp() * 1000)


def ticks(zone: str, begin: int, end: int, most: int) -> tuple[list[int], list[str]]:
    """Where the ticks stand and what they read."""
    script = (
        f"const w = new Wall('{zone}'); const t = w.ticks({begin}, {end}, {most}); "
        "return [t.at, w.labels(t.at, t.step)];"
    )
    at, labels = answer("chart/times.js", "Wall", script)
    return at, labels


def test_days_begin_at_the_walls_midnight_in_summer_and_winter() -> None:
    """Across the end of summer time every tick is a midnight in London, though the days differ in length."""
    at, labels = ticks("Europe/London", ms(2026, 10, 23, 9), ms(2026, 10, 28, 9), 6)

    assert at == [ms(2026, 10, day) for day in range(24, 29)]
    assert labels[0].split("\n") == ["24 Oct", "2026"]
    assert labels[-1] == "28 Oct"


def test_hours_shown_twice_are_both_there() -> None:
    """In the night that has 25 hours the wall reads 01:00 twice, an hour apart."""
    at, labels = ticks("Europe/London", ms(2026, 10, 25, 0), ms(2026, 10, 25, 4), 6)

    read = [label.split("\n")[0] for label in labels]
    assert read == ["00:00", "01:00", "01:00", "02:00", "03:00", "04:00"]
    assert {b - a for a, b in pairwise(at)} == {HOUR_MS}


def test_hour_left_out_is_not_there() -> None:
    """In the night that has 23 hours 01:00 is followed by nothing between it and 02:00 of summer time."""
    at, labels = ticks("Europe/London", ms(2026, 3, 29, 0), ms(2026, 3, 29, 5), 6)

    read = [label.split("\n")[0] for label in labels]
    assert read == ["00:00", "02:00", "03:00", "04:00", "05:00"]
    assert {b - a for a, b in pairwise(at)} == {HOUR_MS}


@pytest.mark.parametrize("zone", ["Asia/Kathmandu", "Australia/Lord_Howe", "America/St_Johns", "Pacific/Apia"])
def test_ticks_are_round_in_zones_with_odd_offsets(zone: str) -> None:
    """Three-hourly ticks of zones that are not whole hours off stand at hours of their own wall that 3 divides."""
    begin = ms(2026, 6, 1, zone=ZoneInfo(zone)) - HOUR_MS // 2

    at, _ = ticks(zone, begin, begin + DAY_MS, 9)

    walls = [datetime.fromtimestamp(t / 1000, ZoneInfo(zone)) for t in at]
    assert [(w.hour, w.minute) for w in walls] == [(h, 0) for h in range(0, 24, 3)]


def test_years_have_ticks_at_the_first_of_months() -> None:
    """Over three years quarters are marked, each on the first of a month, the year where it is new."""
    at, labels = ticks("Europe/London", ms(2024, 2, 1, 5), ms(2027, 2, 1), 14)

    days = [datetime.fromtimestamp(t / 1000, LONDON) for t in at]
    assert {(d.day, d.hour, d.minute) for d in days} == {(1, 0, 0)}
    assert {d.month for d in days} == {1, 4, 7, 10}
    assert [label for label in labels if "\n2026" in label] == ["Jan\n2026"]


def test_full_time_says_which_of_two_hours() -> None:
    """In an hour that the wall shows twice the offset stands beside the time; else not."""
    twice = [ms(2026, 10, 25, 1, fold=0), ms(2026, 10, 25, 1, fold=1), ms(2026, 10, 25, 3)]

    read = answer(
        "chart/times.js", "Wall", f"const w = new Wall('Europe/London'); return {twice}.map((t) => w.full(t, 1000));"
    )

    assert read == ["25 Oct 2026 01:00:00 (UTC+1)", "25 Oct 2026 01:00:00 (UTC+0)", "25 Oct 2026 03:00:00"]


def test_unknown_zone_reads_as_utc() -> None:
    """A browser without the site's zone shows UTC, as the server does."""
    at = int(datetime(2026, 7, 1, 12, tzinfo=UTC).timestamp() * 1000)

    read = answer("chart/times.js", "Wall", f"return new Wall('Mars/Olympus').full({at}, 1000);")

    assert read == "1 Jul 2026 12:00:00"
