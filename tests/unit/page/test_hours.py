"""The last hour of a drive: seen here, and filled from what is kept."""

from __future__ import annotations

import asyncio
import json
from typing import Any, cast

from nightrake.errors import StoreError
from nightrake.page.hours import MINUTE_MS, Hours
from nightrake.page.lasthours import HOUR_MS, LastHours
from nightrake.page.ports import Reader
from nightrake.page.scene import Scene, different
from pagescenes import NOW_MS, calm


def test_highest_of_each_minute_is_kept_for_an_hour() -> None:
    """Sixty minutes, the oldest first; of a minute the torque that is farthest from nothing."""
    hours = Hours()
    for minute in range(90):
        hours.note("PC1", NOW_MS + minute * MINUTE_MS, 1000.0 + minute)
        hours.note("PC1", NOW_MS + minute * MINUTE_MS + 1, -500.0)

    assert hours.of("PC1", NOW_MS + 89 * MINUTE_MS) == [1000.0 + minute for minute in range(30, 90)]
    assert hours.of("SC1", NOW_MS) == []


def test_what_is_kept_fills_the_gap_and_takes_nothing_away() -> None:
    """Minutes that nobody looked at come in before what was seen, and the higher of both stands."""
    hours = Hours()
    hours.note("PC1", NOW_MS, 9000.0)
    hours.fill("PC1", [(NOW_MS - 2 * MINUTE_MS, 4000.0), (NOW_MS - 2 * MINUTE_MS + 1, 5000.0), (NOW_MS, 7000.0)])
    hours.note("PC1", NOW_MS + 1, 9500.0)

    assert hours.of("PC1", NOW_MS)[-3:] == [5000.0, None, 9500.0]


class Kept:
    """A reader with one drive's torque."""

    async def history(self, drive: str, signal: str, begin_utc_ms: int, end_utc_ms: int, columns: int) -> bytes:
        if drive != "PC1":
            raise StoreError("cannot be read now")
        assert (signal, end_utc_ms - begin_utc_ms) == ("torque", HOUR_MS)
        utc_s = [end_utc_ms / 1000 - 120, end_utc_ms / 1000 - 60]
        return json.dumps({"columns": {"utc_s": utc_s, "min": [3e3, None], "max": [8e3, None]}}).encode()


def test_hours_are_filled_from_what_is_kept() -> None:
    """Of a drive that cannot be read the line stays as it is."""
    scene = Scene()
    filling = LastHours(scene, cast(Reader, Kept()), lambda: NOW_MS)
    for drive in ("PC1", "SC1"):
        asyncio.run(filling.fill(drive))

    assert scene.hours.of("PC1", NOW_MS)[-3:] == [8000.0, None, None]
    assert scene.hours.of("SC1", NOW_MS) == []


def test_live_values_go_into_the_hour() -> None:
    """A value that the watch tells is the newest minute; drives that the site has no longer are forgotten."""
    scene = calm()
    drive = next(iter(scene.drives))
    later_ms = NOW_MS + MINUTE_MS
    scene.apply({"at": later_ms, "values": {drive: [12_345.0, 100.0, "exact", 3.0, later_ms]}})
    assert scene.hours.of(drive, later_ms)[-1] == 12_345.0

    scene.apply({"site": {**scene.site, "drives": []}})
    assert scene.hours.of(drive, later_ms) == []


def test_alarms_name_the_drives_of_which_they_differ() -> None:
    """So that only those strips are made anew."""
    old: list[dict[str, Any]] = [{"drive": "PC1", "alarm": "a", "next": 5}, {"drive": "SC1", "alarm": "b"}]
    new: list[dict[str, Any]] = [
        {"drive": "PC1", "alarm": "a", "next": 4},
        {"drive": "SC1", "alarm": "b"},
        {"drive": "", "alarm": "c"},
    ]

    assert different(old, new) == {"PC1", ""}
    assert different(old, []) == {"PC1", "SC1"}
    assert different(old, old) == set()
