"""Drift of contacts out of journal, readings, trip records and summaries."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from nightrake.domain.site import Direction
from nightrake.learning.contactdrift import RECORD, ROWS, SCANS, Drift
from nightrake.learnreading.contacts import ContactRows, read_drifts, set_point
from nightrake.learnreading.trips import Trips, read_trips
from nightrake.longterm.drivereading import DriveReading, Opened
from shell.learnreading.dutydays import ALARMS, DRIVE, Hour
from triprows import row

ALARM = "PC1/forward/alarm/A"


def trips_of(hour: Hour) -> Trips:
    with Opened(hour.folder) as opened:
        return read_trips(hour.trips(), opened.summaries, DRIVE)


def drifts_of(hour: Hour, trips: Trips | None = None) -> dict[str, Drift]:
    with Opened(hour.folder) as opened:
        operations = trips.operations if trips is not None else {}
        reading = DriveReading(opened, DRIVE)
        found = read_drifts(reading, hour.spec(), hour.rows(), hour.settings.records, operations)
        return {one.contact: one for one in found}


def test_drift_by_readings(hour: Hour) -> None:
    """The alarm contact operates 0.4 mm later than its record says; a jam places nothing, and is counted."""
    found = drifts_of(hour)
    alarm, shutdown = found[ALARM], found["PC1/forward/shutdown/A"]

    assert alarm.n == ALARMS
    assert {o.source for o in alarm.operations} == {SCANS}
    assert alarm.drift_mm is not None
    assert alarm.drift_mm.low <= 0.4 <= alarm.drift_mm.high
    assert alarm.drift_mm.mid == pytest.approx(0.4, abs=0.09)
    assert alarm.is_off
    assert alarm.drift_percent == pytest.approx(100 * 0.4 * 1_600 / 40_000, abs=0.4)
    assert alarm.differential_mm is not None
    assert alarm.differential_mm.low <= 0.4 <= alarm.differential_mm.high
    assert "later than set" in alarm.sentence
    assert "proved at 15.00 mm, record PC1-forward-2026-03-14" in alarm.sentence
    assert "1 operation left out: the arm moved too fast to say where." in alarm.remarks
    assert shutdown.n == 0


def test_drift_by_trip_records(bare: Hour) -> None:
    """Without readings the trip records place the operations about them."""
    alarm = drifts_of(bare, trips_of(bare))[ALARM]

    assert RECORD in {o.source for o in alarm.operations}
    assert alarm.drift_mm is not None
    assert alarm.drift_mm.low <= 0.4 <= alarm.drift_mm.high


def test_drift_by_the_journal_alone(bare: Hour) -> None:
    """With journal and minutes only each operation is bounded by how far the arm went in them: too far here."""
    alarm = drifts_of(bare)[ALARM]
    made = [o for o in alarm.operations if o.operated]

    assert {o.source for o in made} == {ROWS}
    assert all(o.low_mm <= 15.4 <= o.high_mm for o in made)
    assert alarm.n == 0
    assert f"{ALARMS + 1} operations left out: the arm moved too fast to say where." in alarm.remarks


def test_set_point_is_the_proved_one(hour: Hour) -> None:
    """As left in the record in force; without contact points the place of the set torque, and it says so."""
    spec = hour.spec()
    (contact,) = [c for c in spec.contacts if str(c.id) == ALARM]
    (record,) = [r for r in hour.settings.records if r.drive == DRIVE]
    proved, derived = set_point(spec, contact, record), set_point(spec, contact, None)

    assert (proved.operating_mm, proved.release_mm) == (15.0, 14.6)
    assert proved.nm_per_mm == pytest.approx(1_600.0, rel=0.01)
    assert derived.operating_mm == pytest.approx(15.0, abs=0.05)
    assert "not proved" in derived.words
    assert math.isnan(set_point(replace(spec, calibrations={}), contact, record).operating_mm)


def test_rows_of_function_checks_and_damage_are_passed_over(hour: Hour) -> None:
    """In test nothing counts; a payload that is none does not matter; what was counted only is told."""
    rows = ContactRows(DRIVE)

    def take(event: str, **data: Any) -> None:
        rows.take(row(1, 0.0, "drive", event, **data)._replace(direction="forward"))

    take("contact_edge", contact=ALARM, operated=True, position_mm=15.4, in_test=True)
    take("alarm_operated", in_test=True)
    take("alarm_operated", since_test=True)
    take("contact_edge", contact=7, operated="yes")
    take("contact_edges_counted", events=50, told=20)
    take("shutdown_changes_counted", events=9, told=2)
    take("shutdown_operated", momentary=True)
    rows.take(row(2, 0.0, "drive", "alarm_operated")._replace(payload=b"\xff"))
    rows.take(row(3, 0.0, "drive", "alarm_operated", drive="PC2"))

    assert rows.edges(ALARM) == ()
    assert rows.counted(DRIVE, Direction.FORWARD) == 30
    assert rows.overloads(DRIVE, Direction.FORWARD) == (0, 1, 7)
