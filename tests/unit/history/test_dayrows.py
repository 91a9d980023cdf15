"""A day whose counts are coarse: quantiles within a bin, ends exact; several records and directions in one day."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from nightrake.domain.calibration import torque_of
from nightrake.domain.reading import Exactness
from nightrake.domain.signals import position_of
from nightrake.domain.site import Direction, ValueType
from nightrake.history.basis import SIDES, basis_of
from nightrake.history.dayrows import day_of, from_counts, merged
from nightrake.history.kept import HourBytes
from nightrake.history.recompute import change_of, figures, rebased
from nightrake.history.rows import HOUR_MS, Grain, Table, blank
from nightrake.history.summaries import Hour, Share, raw_steps, summarise
from summarydrives import FORWARD_CURVE, HOUR_UTC_MS, STEEPER, make_drive, track

DRIVE = make_drive()
COUNTS = np.array([820.0 + i * 3_100.0 / 3_599 for i in range(3_600)]).round()


def swept(at: int) -> Hour:
    """An hour in which the arm goes over its whole travel, a count more each hour."""
    start = HOUR_UTC_MS + at * HOUR_MS
    readings = track([float(s) for s in range(3_600)], list(COUNTS + at), start_utc_ms=start)
    return summarise(start, [Share(DRIVE, {"position": readings})])


HOURS = [swept(at) for at in range(3)]


def table_of(hours: list[Hour]) -> Table:
    """Rows of a day."""
    table = blank(list(hours[0].hour), Grain.HOUR, 24)
    for at, hour in enumerate(hours):
        for name, column in hour.hour.items():
            table[name][at] = column[0]
    return table


def test_quantiles_of_coarse_counts_are_within_a_bin_of_the_readings_own() -> None:
    """Three thousand different counts a day are bins of four."""
    entries, bases = merged(e for hour in HOURS for e in hour.entries), HOURS[0].bases
    table = table_of(HOURS)
    day = day_of(table, list(table), entries, bases)
    (basis,) = bases.values()
    (entry,) = entries
    torque_nm = np.concatenate([basis.convert((COUNTS + at).astype(np.int64)).torque_nm for at in range(3)])
    steepest = np.abs(np.diff(basis.convert(np.arange(810, 3_930)).torque_nm)).max()

    assert entry.steps.width == 4
    for name, share in (("median_nm", 0.5), ("p95_nm", 0.95)):
        found = day[f"forward.all.{name}"][0]
        assert abs(found - np.quantile(torque_nm, share)) <= entry.steps.width * steepest
    assert day["forward.all.mean_nm"][0] == pytest.approx(torque_nm.mean(), rel=1e-12)
    assert day["forward.all.std_nm"][0] == pytest.approx(torque_nm.std(ddof=1), rel=1e-10)
    assert day["forward.all.max_nm"][0] == torque_nm.max()
    again = from_counts(day, Grain.DAY, 0, entries, bases)
    assert again["forward.all.max_nm"][0] == torque_nm.max()
    assert again["forward.all.min_nm"][0] == torque_nm.min()
    assert abs(again["forward.all.mean_nm"][0] - torque_nm.mean()) <= entry.steps.width * steepest


def test_rebased_hour_is_that_of_the_readings_under_the_other_record() -> None:
    """Within a bin, the ends exactly; readings below the span change with the record too."""
    hour = HOURS[0]
    made, bases = rebased(HourBytes(hour.minutes, hour.hour, hour.entries), STEEPER, hour.bases)
    spec = dataclasses.replace(DRIVE, calibrations={STEEPER.direction: STEEPER})
    readings = track([float(s) for s in range(3_600)], list(COUNTS))
    right = summarise(HOUR_UTC_MS, [Share(spec, {"position": readings})])

    assert {b.curves[STEEPER.direction].ref for b in bases.values()} == {"R9"}
    for name in ("n", "min_nm", "max_nm"):
        assert made.hour[f"forward.all.{name}"][0] == right.hour[f"forward.all.{name}"][0]
    for name in ("mean_nm", "median_nm", "p95_nm", "std_nm"):
        assert made.hour[f"forward.all.{name}"][0] == pytest.approx(right.hour[f"forward.all.{name}"][0], rel=2e-3)
    exact, below = (made.hour[f"forward.time.{code}"][0] for code in ("exact", "below"))
    assert exact + below + made.hour["forward.time.beyond"][0] == 3_600
    assert abs(below - right.hour["forward.time.below"][0]) <= 4 * 2


def test_figures_count_what_is_over_the_set_points() -> None:
    """Readings at or above alarm and shutdown before and after; an unstated set point counts nothing."""
    hour = HOURS[0]
    made, bases = rebased(HourBytes(hour.minutes, hour.hour, hour.entries), STEEPER, hour.bases)
    change = change_of(hour.entries, made.entries, 0, {**hour.bases, **bases}, (30_000.0, 42_000.0))

    assert change.is_any
    assert 0 < change.before.over_alarm < change.after.over_alarm
    assert change.before.over_shutdown == 0 < change.after.over_shutdown
    assert change.before.max_nm == FORWARD_CURVE.torque_nm[-1]
    assert change.after.max_nm == STEEPER.torque_nm[-1]
    nothing = figures(hour.entries, 1, hour.bases, 0.0, 0.0)
    assert (nothing.n, nothing.over_alarm, nothing.absent) == (0, 0, 0)
    assert np.isnan(nothing.mean_nm)
    assert not change_of(hour.entries, hour.entries, 1, hour.bases, (0.0, 0.0)).is_any


def test_record_that_comes_later_gives_torque_to_what_had_none() -> None:
    """A drive without a record keeps its positions; recomputed under one it has torque."""
    spec = dataclasses.replace(DRIVE, calibrations={})
    readings = track([float(s) for s in range(100)], [2_000.0 + s % 3 for s in range(100)])
    hour = summarise(HOUR_UTC_MS, [Share(spec, {"position": readings})])
    made, _ = rebased(HourBytes(hour.minutes, hour.hour, hour.entries), FORWARD_CURVE, hour.bases)

    assert hour.hour["drive.absent"][0] == hour.hour["drive.readings"][0] == 100
    assert hour.hour["forward.all.n"][0] == 0
    assert made.hour["forward.all.n"][0] == made.hour["forward.time.exact"][0] == 100
    assert made.hour["drive.absent"][0] == 0


def test_peak_inside_the_span_is_not_lost_in_a_coarse_bin() -> None:
    """Lowest and highest torque come from the exact ends, not from the middle of a bin."""
    counts = np.array([1_101.0 + i * 2_284.0 / 3_599 for i in range(3_600)]).round()
    hour = summarise(HOUR_UTC_MS, [Share(DRIVE, {"position": track([float(s) for s in range(3_600)], list(counts))})])
    (entry,) = hour.entries
    again = from_counts(hour.hour, Grain.HOUR, 0, hour.entries, hour.bases)

    assert entry.steps.width > 1
    for name in ("min_nm", "max_nm"):
        assert again[f"forward.all.{name}"][0] == hour.hour[f"forward.all.{name}"][0]
    assert figures(hour.entries, 0, hour.bases, 0.0, 0.0).max_nm == hour.hour["forward.all.max_nm"][0]


@pytest.mark.parametrize("kind", [ValueType.UINT16, ValueType.FLOAT32])
@pytest.mark.parametrize("two", [False, True])
def test_steps_say_what_the_watch_says_of_the_value(two: bool, kind: ValueType) -> None:
    """Side, torque and code of every count, the rest position and the failure currents among them."""
    drive = make_drive(two=two, kind=kind)
    basis = basis_of(drive)
    assert basis is not None
    assert drive.position is not None
    values = np.arange(600.0, 4_400.0, 4.0)
    found = basis.convert(raw_steps(values, drive.position.point))
    to_mm, torques = position_of(drive.position), {side: torque_of(c) for side, c in drive.calibrations.items()}
    codes = {Exactness.EXACT: 0, Exactness.BELOW: -1, Exactness.BEYOND: 1}

    assert 2_400.0 in values  # the middle of the span: 0 mm where both directions are sensed
    for i, value in enumerate(values.tolist()):
        position_mm = to_mm(value).value
        if position_mm is None:
            assert found.side[i] == -1
            continue
        side = Direction.REVERSE if two and position_mm < 0.0 else Direction.FORWARD
        said = torques[side](position_mm)
        assert (found.side[i], found.torque_nm[i], found.code[i]) == (SIDES.index(side), said.value, codes[said.kind])
