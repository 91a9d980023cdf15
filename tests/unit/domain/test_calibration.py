"""Torque from position by the calibration record: exact at its points, monotone between, never beyond."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightrake.domain.calibration import REST_BAND_MM, torque_of
from nightrake.domain.reading import Exactness
from nightrake.domain.signals import current_fault, position_of
from nightrake.domain.site import CalibrationCurve, Direction, PositionSignal, PositionSpec
from works import PRELOADED, word

steps = st.lists(st.tuples(st.floats(0.2, 30.0), st.floats(1.0, 60_000.0)), min_size=2, max_size=12)


def record(points: list[tuple[float, float]], first_mm: float, first_nm: float, side: Direction) -> CalibrationCurve:
    """A record from steps in mm and N.m above its first point."""
    sign = -1.0 if side is Direction.REVERSE else 1.0
    xs, ts = [first_mm], [first_nm]
    for dx, dt in points:
        xs.append(xs[-1] + dx)
        ts.append(ts[-1] + dt)
    return CalibrationCurve("R", "d" * 64, side, tuple(sign * x for x in xs), tuple(ts))


@given(points=steps, first_mm=st.floats(0.1, 5.0), side=st.sampled_from(list(Direction)))
def test_torque_is_exact_at_the_points(points: list[tuple[float, float]], first_mm: float, side: Direction) -> None:
    """What was measured is what is shown, to the last bit, on either side."""
    curve = record(points, first_mm, 8_000.0, side)
    convert = torque_of(curve)

    for position_mm, torque_nm in zip(curve.position_mm, curve.torque_nm, strict=True):
        assert convert(position_mm) == (Exactness.EXACT, torque_nm, "", None)


@given(
    points=steps,
    side=st.sampled_from(list(Direction)),
    shares=st.tuples(st.floats(-0.1, 1.1), st.floats(-0.1, 1.1)),
)
def test_torque_never_falls_as_the_arm_moves_out(
    points: list[tuple[float, float]], side: Direction, shares: tuple[float, float]
) -> None:
    """Monotone over the whole span and outside it, rounding included; beyond says beyond, below says below."""
    curve = record(points, 0.5, 8_000.0, side)
    convert, end_mm = torque_of(curve), curve.position_mm[-1]
    near, far = sorted(shares)
    a, b = convert(near * end_mm), convert(far * end_mm)

    assert a.value is not None
    assert b.value is not None
    assert a.value <= b.value
    for share, reading in ((near, a), (far, b)):
        if share > 1.0:
            assert (reading.kind, reading.value) == (Exactness.BEYOND, curve.torque_nm[-1])
        if share <= 0.0:
            assert (reading.kind, reading.value) == (Exactness.BELOW, 8_000.0)


def test_arm_on_its_stop_under_preload_says_only_less_than() -> None:
    """At rest, within the transducer's noise, the springs have not moved: the torque may be anything below."""
    convert = torque_of(PRELOADED)

    for position_mm in (-0.3, 0.0, REST_BAND_MM * 0.99):
        assert convert(position_mm)[:2] == (Exactness.BELOW, 8_000.0)
    assert convert(REST_BAND_MM).kind is Exactness.EXACT
    assert convert(1.0) == (Exactness.EXACT, 9_600.0, "", None)


def test_centred_springs_read_exactly_zero_at_rest() -> None:
    """Without preload the rest position is a reading like any other."""
    convert = torque_of(record([(20.0, 112_500.0)], 0.0, 0.0, Direction.REVERSE))

    assert convert(0.0) == (Exactness.EXACT, 0.0, "", None)
    assert convert(-20.0) == (Exactness.EXACT, 112_500.0, "", None)
    assert convert(0.1).kind is Exactness.BELOW
    assert convert(-20.1).kind is Exactness.BEYOND


@pytest.mark.parametrize(
    ("spec", "raw", "position_mm"),
    [
        (PositionSpec(word(0), PositionSignal.SCALED, 0.0, 25.0, 0.0, 25.0), 13.25, 13.25),
        (PositionSpec(word(0), PositionSignal.COUNTS, 0.0, 10_000.0, -5.0, 45.0), 5_000, 20.0),
        (PositionSpec(word(0), PositionSignal.COUNTS, 819.0, 4_095.0, -25.0, 25.0, 204.75), 2_457, 0.0),
        (PositionSpec(word(0), PositionSignal.CURRENT_MA, 4.0, 20.0, 25.0, 0.0), 8.0, 18.75),
    ],
)
def test_signal_becomes_position(spec: PositionSpec, raw: float, position_mm: float) -> None:
    """Scaled values pass, counts and currents follow their span, also a falling one."""
    reading = position_of(spec)(raw)

    assert reading.kind is Exactness.EXACT
    assert reading.value == pytest.approx(position_mm)
    assert reading.reason == ""


@pytest.mark.parametrize(("counts", "usable"), [(737, False), (738, False), (778, False), (779, True), (819, True)])
def test_twelve_bit_counts_meet_the_limits_of_ne_43(counts: int, usable: bool) -> None:
    """0-20 mA as 0-4095: 737 is 3.6 mA (failure), 778 just under 3.8 mA (nothing assigned), 779 measurement."""
    spec = PositionSpec(word(0), PositionSignal.COUNTS, 819.0, 4_095.0, -25.0, 25.0, 204.75)

    assert (position_of(spec)(counts).value is not None) is usable
    assert bool(current_fault(counts / 204.75)) is not usable
