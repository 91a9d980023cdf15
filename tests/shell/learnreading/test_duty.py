"""Duty out of a store that the watch's own engine wrote, also when its readings are gone."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import apsw
import numpy as np
import pytest

from nightrake.domain.site import Direction, DriveSpec
from nightrake.history.period import Period
from nightrake.history.rows import DAY_MS
from nightrake.learning.duty import Basis, Duty, Rule, miner
from nightrake.learning.dutyrainflow import rainflow
from nightrake.learnreading.duty import EVERYTHING, FOR_A_SITE, Asked, read_duty, rule_of
from nightrake.longterm.blocks import Blocks
from nightrake.longterm.drivereading import DriveReading, Opened
from nightrake.longterm.summaries import SummaryWriting
from nightrake.longterm.summaryreading import SummaryReading
from nightrake.longterm.writing import Writing
from shell.learnreading.dutydays import ALARMS, DRIVE, PERIOD_S, POWER_W, Hour


def duty_of(hour: Hour, asked: Asked = EVERYTHING, spec: DriveSpec | None = None) -> Duty:
    spec = spec or hour.spec()
    with Opened(hour.folder) as opened:
        overloads = hour.rows().overloads(DRIVE, Direction.FORWARD)
        return read_duty(DriveReading(opened, DRIVE), spec, Direction.FORWARD, hour.period, overloads, asked)


def test_duty_counts_what_happened(hour: Hour) -> None:
    """Running time, starts, overloads and energy are those of the hour that was recorded."""
    found = duty_of(hour)
    counts, ran_h = found.counts, PERIOD_S * sum(hour.running) / 3600

    assert counts.running_h == pytest.approx(ran_h, abs=0.01)
    assert (counts.starts, counts.starts_basis) == (1, Basis.MINUTES)
    assert (counts.alarms, counts.shutdowns) == (ALARMS + 1, 1)
    assert counts.energy_kwh == pytest.approx(POWER_W / 1000 * counts.energy_h)
    assert counts.energy_h == pytest.approx((hour.end_ms - hour.begin_ms) / 3.6e6, abs=0.01)
    assert f"at least 1 start; {ALARMS + 1} alarms and 1 shutdown in service" in found.sentence


def test_reading_says_how_far_it_is(hour: Hour) -> None:
    """Moments of the readings, rising in each of its goes through them, up to the last one."""
    seen: list[int] = []
    with Opened(hour.folder) as opened:
        reading = DriveReading(opened, DRIVE, seen.append)
        read_duty(reading, hour.spec(), Direction.FORWARD, hour.period)

    goes = [i for i, (one, other) in enumerate(pairwise(seen), 1) if other < one]
    assert len(goes) <= 1  # the torque, then the power
    assert all(hour.begin_ms < utc_ms <= hour.end_ms for utc_ms in seen)
    assert max(seen) > hour.end_ms - 10_000


def test_hours_at_torque_are_those_of_the_readings(hour: Hour) -> None:
    """Time by class of torque while the motor ran, and what it does, from the positions as they were."""
    found = duty_of(hour).at_torque
    running = hour.true_nm()[np.array(hour.running)]
    expected, _ = np.histogram(running, np.arange(0.0, 44_001.0, 4_000.0))

    assert found is not None
    assert found.is_running
    assert found.hours[:11] == pytest.approx(expected * PERIOD_S / 3600, abs=0.01)
    assert found.equivalent_h.low == pytest.approx(
        miner(running, np.full(len(running), PERIOD_S / 3600), 6.6, 40_000.0), rel=0.01
    )


def test_cycles_of_all_readings_and_of_minutes(hour: Hour) -> None:
    """Every reading gives the rainflow cycles of the positions as they were; how near minutes come is said."""
    found = duty_of(hour)
    minutes, scans = found.cycles
    truth = rainflow(hour.true_nm())

    assert (minutes.basis, scans.basis) == (Basis.MINUTES, Basis.SCANS)
    assert scans.largest_nm == pytest.approx(truth.size.max(), rel=0.002)
    assert scans.equivalent.low == pytest.approx(miner(truth.size, truth.number, 5.0, 40_000.0), rel=0.01)
    assert scans.count[20:].sum() == pytest.approx(truth.number[truth.size >= 8_000.0].sum())
    assert minutes.largest_nm == pytest.approx(scans.largest_nm, rel=1e-6)
    assert "the lowest and highest torque of each minute gives 100 % of the larger cycles" in found.agreement


def test_duty_without_readings_rests_on_rows(hour: Hour, bare: Hour) -> None:
    """When the readings are gone cycles are those of minutes, and there is no energy; the rest is as before."""
    before, after = duty_of(hour), duty_of(bare)

    assert [c.basis for c in after.cycles] == [Basis.MINUTES]
    assert after.cycles[0].total == before.cycles[0].total
    assert after.counts.energy_kwh is None
    assert after.agreement == ""
    assert after.at_torque is not None
    assert before.at_torque is not None
    assert after.at_torque.hours.tolist() == before.at_torque.hours.tolist()


def test_duty_for_a_site_is_by_hours(hour: Hour) -> None:
    """Of many drives only hours are read; a start within an hour is not seen there."""
    found = duty_of(hour, FOR_A_SITE)

    assert [c.basis for c in found.cycles] == [Basis.HOURS]
    assert found.counts.starts is None  # it ran and it stood in its only hour: which came first is not known
    assert found.counts.running_h == pytest.approx(duty_of(hour).counts.running_h)
    assert duty_of(hour, FOR_A_SITE._replace(hours=False)).at_torque is None
    assert "no torque" not in duty_of(hour, FOR_A_SITE._replace(hours=False)).sentence


def test_minutes_that_are_gone_are_made_up_by_hours(hour: Hour, tmp_path: Path) -> None:
    """Where minutes are kept of part of the time, hours are counted for all of it, beside them, and it is said."""
    copy = hour.without_readings(tmp_path / "copy")
    day, at = divmod(hour.begin_ms // 3_600_000, 24)
    blocks, writing = Blocks(copy.folder), Writing(copy.folder, hour.begin_ms)
    built = SummaryReading(blocks)
    held = built.hours(DRIVE, day)[at]
    hours = {at - 2: held._replace(minutes={}), at - 1: held._replace(minutes={}), at: held}
    writing.db.execute("begin immediate")
    SummaryWriting(writing.db).put_day(DRIVE, day, hours, built.bases({e.basis for e in held.entries}))
    writing.db.execute("commit")
    writing.close()
    blocks.close()
    copy.begin_ms -= 2 * 3_600_000
    found = duty_of(copy)

    assert [c.basis for c in found.cycles] == [Basis.MINUTES, Basis.HOURS]
    assert (found.counts.starts, found.counts.starts_basis) == (1, Basis.MINUTES)
    assert any(remark.startswith("Minutes are kept of 0.9") for remark in found.remarks)


def test_no_run_feedback_is_said(hour: Hour) -> None:
    """Without run feedback hours at torque are those of all time, and there are no starts."""
    found = duty_of(hour, spec=replace(hour.spec(), running=None))

    assert found.at_torque is not None
    assert not found.at_torque.is_running
    assert found.at_torque.total_h == pytest.approx(len(hour.mm) * PERIOD_S / 3600, abs=0.02)
    assert found.counts.starts is None
    assert math.isnan(found.counts.running_h)
    assert "there is no run feedback" in found.counts.sentence


def test_nothing_known_of_the_drive_is_said(hour: Hour) -> None:
    """A period without readings, a drive without set point and record, one that is not there: sentences, no error."""
    spec = hour.spec()
    with Opened(hour.folder) as opened:
        reading, unknown = DriveReading(opened, DRIVE), DriveReading(opened, "PC9")
        empty = read_duty(reading, spec, Direction.FORWARD, Period(0, DAY_MS))
        blank = read_duty(reading, replace(spec, calibrations={}, shutdown_nm=0.0), Direction.FORWARD, hour.period)
        stranger = read_duty(unknown, replace(spec, id="PC9"), Direction.FORWARD, hour.period)

    assert (empty.cycles, empty.at_torque, empty.counts.covered_h) == ((), None, 0.0)
    assert blank.remarks[0].startswith("PC1 states neither a shutdown torque nor a calibration record")
    assert stranger.at_torque is None
    assert all("no torque is known" in one.sentence for one in (empty, blank, stranger))


def test_sums_are_told_in_what_is_known(hour: Hour) -> None:
    """Shutdown torque where it is stated, else the record's end."""
    spec = hour.spec()
    end_nm = spec.calibrations[Direction.FORWARD].torque_nm[-1]

    assert rule_of(spec, Direction.FORWARD) == Rule(40_000.0)
    assert rule_of(replace(spec, shutdown_nm=0.0), Direction.FORWARD) == Rule(
        end_nm, "the end of the calibration record"
    )
    assert rule_of(replace(spec, shutdown_nm=0.0, calibrations={}), Direction.FORWARD) is None


@pytest.fixture
def damaged(hour: Hour, tmp_path: Path) -> Hour:
    """A copy whose counts and rows of the day are damaged."""
    copy = hour.without_readings(tmp_path / "damaged")
    db = apsw.Connection(str(copy.folder / "history.db"))
    for table in ("summary_day", "summary_open"):
        db.execute(f"update {table} set data = x'00ff00ff00ff'")
    db.close()
    return copy


def test_damaged_days_are_passed_over(damaged: Hour) -> None:
    """A damaged day is a sentence; nothing else is lost."""
    found = duty_of(damaged)

    assert found.counts.shutdowns == 1
    assert any("left out" in remark or "could be read" in remark for remark in found.remarks)
