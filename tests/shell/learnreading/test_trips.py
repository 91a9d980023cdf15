"""Trips sorted by their approach, out of their records and the summaries before them."""

from __future__ import annotations

import csv
import gzip
import io
import json
import shutil
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from nightrake.domain.site import DriveSpec
from nightrake.history.kept import HourBytes
from nightrake.history.period import Period
from nightrake.history.rows import DAY_MS, HOUR_MS
from nightrake.history.summaries import Hour as Summary
from nightrake.history.summaries import Share, summarise
from nightrake.learning.approach import Kind
from nightrake.learnreading.trips import Trips, read_trips
from nightrake.longterm.blocks import Blocks
from nightrake.longterm.drivereading import Opened
from nightrake.longterm.summaries import SummaryWriting
from nightrake.longterm.writing import Writing
from shell.learnreading.dutydays import DRIVE, PERIOD_S, Hour
from summarydrives import track


def trips_of(hour: Hour) -> Trips:
    with Opened(hour.folder) as opened:
        return read_trips(hour.trips(), opened.summaries, DRIVE)


def test_trips_are_sorted(hour: Hour) -> None:
    """The shutdown came by a jam within four seconds; its alarm record began with a rise of some two minutes."""
    found = {one.stage: one for one in trips_of(hour).approaches}

    assert found["shutdown"].kind is Kind.JAM
    assert found["shutdown"].rise is not None
    assert found["shutdown"].rise.seconds <= 4.0 + PERIOD_S
    assert found["shutdown"].rise.from_nm == pytest.approx(hour.true_nm()[10], rel=0.01)
    assert found["alarm"].kind is Kind.LOAD_UP


def test_trips_are_the_same_without_readings(hour: Hour, bare: Hour) -> None:
    """Records hold their own readings."""
    assert [one.sentence for one in trips_of(bare).approaches] == [one.sentence for one in trips_of(hour).approaches]


def test_function_check_is_no_trip(hour: Hour, tmp_path: Path) -> None:
    """An operation while the drive was in test is left out, and counted."""
    path = shutdown_of(hour)
    target = tmp_path / path.name
    shutil.copytree(path, target)
    for part in target.glob("*-events.jsonl.gz"):
        lines = [json.loads(line) for line in gzip.decompress(part.read_bytes()).splitlines()]
        told = [{**line, "data": {**line["data"], "in_test": True}} for line in lines]
        part.write_bytes(gzip.compress("".join(json.dumps(line) + "\n" for line in told).encode()))
    found = read_trips([target], None)

    assert found.approaches == ()
    assert found.faults == ("1 record of operations in a function check left out.",)


def edited(source: Path, target: Path, change: Callable[[dict[str, str]], None]) -> Path:
    """A copy of an open record with every line of its readings changed."""
    shutil.copytree(source, target)
    for part in target.glob("*-readings-*.csv.gz"):
        lines = list(csv.DictReader(io.StringIO(gzip.decompress(part.read_bytes()).decode())))
        for line in lines:
            change(line)
        text = io.StringIO()
        writer = csv.DictWriter(text, lines[0].keys(), lineterminator="\n")
        writer.writeheader()
        writer.writerows(lines)
        part.write_bytes(gzip.compress(text.getvalue().encode()))
    return target


def shutdown_of(hour: Hour) -> Path:
    """The record of the shutdown."""
    (path,) = [p for p in hour.trips() if "shutdown" in p.name]
    return path


def test_clock_that_was_set_makes_no_difference(hour: Hour, tmp_path: Path) -> None:
    """UTC stamps an hour off before the last minute: the rise is told by the machine's own clock."""
    (plain,) = read_trips([shutdown_of(hour)], None).approaches
    limit = plain.utc_ms - 60_000

    def set_back(line: dict[str, str]) -> None:
        at = datetime.fromisoformat(line["utc"].replace("Z", "+00:00"))
        if at.timestamp() * 1000 < limit:
            line["utc"] = f"{(at + timedelta(hours=1)).isoformat(timespec='milliseconds').removesuffix('+00:00')}Z"

    found = read_trips([edited(shutdown_of(hour), tmp_path / shutdown_of(hour).name, set_back)], None)

    assert [one.sentence for one in found.approaches] == [plain.sentence]


def test_record_without_torque_says_so(hour: Hour, tmp_path: Path) -> None:
    """Where no torque was read nothing is said of how it came."""

    def blank(line: dict[str, str]) -> None:
        line.update(dict.fromkeys(("position_mm", "torque_nm", "torque_uncertainty_nm"), ""), torque_is="absent")

    found = read_trips([edited(shutdown_of(hour), tmp_path / shutdown_of(hour).name, blank)], None)

    assert [(one.kind, one.why) for one in found.approaches] == [(Kind.CANNOT_SAY, "no torque was read before it")]


def some_minutes(spec: DriveSpec, level_mm: float, hour_utc_ms: int) -> Summary:
    """Ten minutes of a day about a level, the motor running."""
    place = spec.position
    assert place is not None
    seconds = np.arange(0.0, 600.0, 4.0)
    mm = level_mm + 0.1 * np.sin(seconds)
    position = place.lo + (mm - place.lo_mm) / (place.hi_mm - place.lo_mm) * (place.hi - place.lo)
    tracks = {
        "position": track(seconds.tolist(), position.tolist(), start_utc_ms=hour_utc_ms),
        "running": track(seconds.tolist(), [1.0] * len(seconds), start_utc_ms=hour_utc_ms),
    }
    return summarise(hour_utc_ms, [Share(spec, tracks)])


def test_creep_before_a_trip_comes_from_the_days(hour: Hour, tmp_path: Path) -> None:
    """Days of summaries that rise to the level of the hour: the jam is a jam on a level that had crept."""
    copy = hour.without_readings(tmp_path / "crept")
    spec, first = hour.spec(), hour.begin_ms // DAY_MS - 60
    blocks, writing = Blocks(copy.folder), Writing(copy.folder, hour.begin_ms)
    writing.db.execute("begin immediate")
    for number in range(60):
        level_mm = 4.4 + 3.6 * min(1.0, max(0.0, (number - 25) / 30))
        made = some_minutes(spec, level_mm, (first + number) * DAY_MS + 6 * HOUR_MS)
        SummaryWriting(writing.db).put_day(DRIVE, first + number, {6: HourBytes(*made[:3])}, made.bases)
    writing.db.execute("commit")
    writing.close()
    blocks.close()
    (found,) = [one for one in trips_of(copy).approaches if one.stage == "shutdown"]

    assert found.kind is Kind.JAM
    assert found.crept is not None
    assert found.crept.from_nm == pytest.approx(15_000.0, rel=0.02)
    assert 20 <= found.crept.seconds / 86_400 <= 35
    assert ", on a level that had crept from 15.0 kN.m to 20." in found.sentence


def test_damaged_record_is_a_sentence(hour: Hour, tmp_path: Path) -> None:
    """A file that is no record leaves the others as they are."""
    bad = tmp_path / f"{DRIVE}-forward-shutdown-9-x.zip"
    bad.write_bytes(b"no zip")
    found = read_trips([bad, *hour.trips()], None, DRIVE)

    assert len(found.approaches) == len(hour.trips())
    assert len(found.faults) == 1
    assert found.faults[0].startswith("A trip is left out: ")
    assert read_trips(hour.trips(), None, "SC1").approaches == ()
    assert read_trips(hour.trips(), None, DRIVE, Period(0, 1)).approaches == ()
