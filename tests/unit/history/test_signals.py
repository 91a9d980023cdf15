"""Signals by name, and their readings as columns: the same values as the watch's own, bit for bit."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightrake.domain.calibration import torque_of as scalar_torque_of
from nightrake.domain.site import Direction, Stage
from nightrake.history.lanes import Piece
from nightrake.history.picture import Grid, Shown, Thinning, bridged, grid_for
from nightrake.history.series import drive_torque
from nightrake.history.signals import Kind, Signal, columns_of, signals_of, torque_of, values_of
from works import FAR_SIDE, NEAR_SIDE, bit, contact, rake

STATED = replace(NEAR_SIDE, uncertainty_nm=(100.0, 300.0, 900.0))
TWO_WAY = replace(
    rake("D"),
    directions=(Direction.FORWARD, Direction.REVERSE),
    calibrations={Direction.FORWARD: STATED, Direction.REVERSE: FAR_SIDE},
)

DAY_MS = 86_400_000


def test_signals_have_the_names_that_people_use() -> None:
    """Torque where there is a position; contacts by direction, stage and channel; kept signals by their own names."""
    roles = ["contact:forward/alarm/A", "latched:forward/alarm/A", "position", "running", "power", "kept:flow_m3_per_h"]
    found = signals_of(roles)
    assert [s.name for s in found] == [
        "torque",
        "forward/alarm/A",
        "latched:forward/alarm/A",
        "position",
        "running",
        "power",
        "flow_m3_per_h",
    ]
    assert [s.column for s in found][::3] == ["torque_nm", "position_mm", "flow_m3_per_h"]
    assert [c for s in found[:1] for c in columns_of(s)] == ["torque_nm", "torque_u_nm", "torque_is"]
    assert "torque" not in [s.name for s in signals_of(["running"])]


@given(st.lists(st.floats(-30, 30) | st.just(math.nan), min_size=1, max_size=40))
def test_torque_is_that_of_the_series_and_of_the_scalar_form(positions_mm: list[float]) -> None:
    """Values and codes as `drive_torque` gives them, uncertainty as the watch states it, to the last bit."""
    position_mm = np.array(positions_mm)
    found, (torque_nm, code) = torque_of(position_mm, TWO_WAY), drive_torque(position_mm, TWO_WAY)
    assert found.torque_nm.tobytes() == torque_nm.tobytes()
    assert found.code.tobytes() == code.tobytes()
    stated = scalar_torque_of(STATED)
    for x, u in zip(positions_mm, found.uncertainty_nm.tolist(), strict=True):
        if not math.isnan(x) and x >= 0.0:
            assert u == stated(x).uncertainty
        else:
            assert math.isnan(u)


def test_contact_reads_operated_whatever_its_wiring() -> None:
    """A normally closed contact is operated when its bit is 0; what was not read stays nothing."""
    drive = rake("D", contact("D", Stage.ALARM, bit(0)), contact("D", Stage.SHUTDOWN, bit(1)))
    (values,) = values_of(
        Signal("forward/alarm/A", "contact:forward/alarm/A", Kind.CONTACT), np.array([0, 1, np.nan]), drive
    )
    assert values[:2].tolist() == [1.0, 0.0]
    assert math.isnan(values[2])
    (running,) = values_of(Signal("running", "running", Kind.BIT), np.array([0.0, 1.0]), drive)
    assert running.tolist() == [0.0, 1.0]


@pytest.mark.parametrize(
    ("span_ms", "columns", "step_ms"),
    [
        (3_600_000, 30, 120_000),
        (86_400_000, 30, 3_600_000),
        (60_000, 1200, 1000),
        (60 * DAY_MS, 30, 2 * DAY_MS),
        (100 * DAY_MS, 30, 7 * DAY_MS),
        (365 * DAY_MS, 30, 14 * DAY_MS),
        (2 * 365 * DAY_MS, 30, 28 * DAY_MS),
        (1_500 * DAY_MS, 68, 28 * DAY_MS),
        (10 * 365 * DAY_MS, 30, 182 * DAY_MS),
        (80 * 365 * DAY_MS, 30, 974 * DAY_MS),
    ],
)
def test_grid_has_even_steps(span_ms: int, columns: int, step_ms: int) -> None:
    """Steps that a person reads easily, as many as fit, the whole period covered."""
    grid = grid_for(1_790_000_123_456, 1_790_000_123_456 + span_ms, columns)
    assert grid.step_ms == step_ms
    assert grid.columns <= columns + 1 or grid.step_ms == 1000
    assert grid.from_ms <= 1_790_000_123_456
    assert grid.to_ms >= 1_790_000_123_456 + span_ms


def test_grid_lines_are_even_on_the_wall() -> None:
    """Days begin at midnight there, not in UTC."""
    grid = grid_for(1_790_000_000_000, 1_790_000_000_000 + 5 * 86_400_000, 10, 86_400_000, 3_600_000)
    assert (grid.from_ms + 3_600_000) % 86_400_000 == 0


def test_grid_of_several_days_begins_in_the_period_s_first_day() -> None:
    """Not at a line that nobody knows, weeks before it."""
    grid = grid_for(1_790_000_000_000, 1_790_000_000_000 + 730 * DAY_MS, 30, 0, 3_600_000)
    assert grid.step_ms == 28 * DAY_MS
    assert 0 <= 1_790_000_000_000 - grid.from_ms < DAY_MS
    assert (grid.from_ms + 3_600_000) % DAY_MS == 0


def test_outage_is_not_bridged_however_few_readings_there_are() -> None:
    """Two hours of readings 41 days apart: what lies between was not read, whatever is usual between two of them."""
    grid = Grid(0, 3_600_000, 1_000)
    thinning = Thinning([Signal("running", "running", Kind.BIT)], grid)
    stamps = np.array([0, 1_000, 41 * DAY_MS, 41 * DAY_MS + 1_000], np.int64)
    thinning.add(Piece(stamps, (np.ones(4), np.zeros(4))))
    (shown,) = [bridged(one, grid.step_ms, 1_000) for one in thinning.shown()]
    assert np.flatnonzero(~np.isnan(shown.thinned.mean)).tolist() == [0, 41 * 24]


def test_slow_point_is_bridged_over_two_of_its_periods() -> None:
    """Read once a minute, drawn by the second."""
    grid = Grid(0, 1000, 700)
    thinning = Thinning([Signal("position", "position", Kind.POSITION, "mm")], grid)
    stamps = np.array([0, 60_000, 120_000, 300_000], np.int64)
    thinning.add(Piece(stamps, (np.arange(4.0), np.zeros(4))))
    (shown,) = [bridged(one, 1000, 60_000) for one in thinning.shown()]
    assert set(shown.thinned.mean[:120]) == {0.0, 1.0}
    assert np.isnan(shown.thinned.mean[121:300]).all()


def test_short_gaps_are_bridged_and_long_ones_stay() -> None:
    """Between two readings two seconds apart the last stands; ten minutes without one are nothing."""
    grid = Grid(0, 1000, 700)
    signal = Signal("position", "position", Kind.POSITION, "mm")
    thinning = Thinning([signal], grid)
    stamps = np.array([*range(0, 20_000, 2_000), 650_000], np.int64)
    thinning.add(Piece(stamps, (np.arange(len(stamps), dtype=np.float64), np.zeros(len(stamps)))))
    (shown,) = [bridged(one, 1000) for one in thinning.shown()]
    assert isinstance(shown, Shown)
    (of_change,) = [bridged(one, 1000, silence_ms=640_000) for one in thinning.shown()]
    assert set(of_change.thinned.mean[18:650]) == {9.0}  # recorded on change: it stood still for so long
    assert shown.thinned.mean[:5].tolist() == [0, 0, 1, 1, 2]
    assert np.isnan(shown.thinned.mean[19:650]).all()
    assert shown.thinned.mean[650] == 10
