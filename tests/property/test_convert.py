"""Position to torque one at a time and by the array: the same bits, monotone, for every kind of record."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightrake.commissioning.convert import ABSENT, BELOW, BEYOND, CHUNK, EXACT, torques
from nightrake.domain.calibration import torque_of
from nightrake.domain.reading import Exactness
from nightrake.domain.site import CalibrationCurve, Direction

CODES = {Exactness.EXACT: EXACT, Exactness.BELOW: BELOW, Exactness.BEYOND: BEYOND}
sides = st.sampled_from(list(Direction))
uncertainties = st.lists(st.floats(0.0, 2_000.0), min_size=2, max_size=12)


@st.composite
def segments(draw: st.DrawFn) -> CalibrationCurve:
    """Straight segments, with or without uncertainty."""
    steps = draw(st.lists(st.tuples(st.floats(0.2, 30.0), st.floats(1.0, 60_000.0)), min_size=2, max_size=12))
    side = draw(sides)
    sign = -1.0 if side is Direction.REVERSE else 1.0
    xs, ts = [draw(st.sampled_from([0.0, 0.3, 4.0]))], [draw(st.sampled_from([0.0, 8_000.0]))]
    for dx, dt in steps:
        xs.append(xs[-1] + dx)
        ts.append(ts[-1] + dt)
    us = tuple(draw(uncertainties)) if draw(st.booleans()) else ()
    return CalibrationCurve("R", "d" * 64, side, tuple(sign * x for x in xs), tuple(ts), uncertainty_nm=us)


@st.composite
def polynomials(draw: st.DrawFn) -> CalibrationCurve:
    """A straight line or a quadratic that rises over its range, as a record's fit gives it."""
    side = draw(sides)
    sign = -1.0 if side is Direction.REVERSE else 1.0
    low, span = draw(st.floats(0.0, 5.0)), draw(st.floats(5.0, 40.0))
    slope = draw(st.floats(10.0, 9_000.0))
    bend = draw(st.floats(-0.95, 0.95)) * slope / span
    c = (draw(st.floats(0.0, 9_000.0)) + slope * span, slope, *((bend,) if draw(st.booleans()) else ()))
    middle = round(low + span / 2, 3)

    def at(x: float) -> float:
        d = x - middle
        c0, c1, c2 = (*c, 0.0)[:3]
        return float(c0 + d * (c1 + d * c2))

    ends = (low, low + span)
    return CalibrationCurve(
        "R",
        "d" * 64,
        side,
        tuple(sign * x for x in ends),
        tuple(at(x) for x in ends),
        coefficients=c,
        reference_mm=middle,
        uncertainty_nm=tuple(draw(uncertainties)),
    )


curves = st.one_of(segments(), polynomials())
shares = st.lists(st.one_of(st.floats(-0.2, 1.2), st.sampled_from([0.0, 1.0, 0.5, 1e-9])), min_size=1, max_size=40)


def places(curve: CalibrationCurve, shares: list[float]) -> list[float]:
    """Positions over and around a curve's range, its corners and their neighbours among them."""
    ends = curve.position_mm[0], curve.position_mm[-1]
    spread = [ends[0] + share * (ends[1] - ends[0]) for share in shares]
    near = [math.nextafter(x, away) for x in curve.position_mm for away in (-math.inf, math.inf)]
    return [*spread, *curve.position_mm, *near, 0.0, -0.0]


@given(curve=curves, shares=shares)
def test_array_gives_the_bits_of_the_scalar(curve: CalibrationCurve, shares: list[float]) -> None:
    """Torque, uncertainty and code of every position, corners and their neighbours included."""
    positions = places(curve, shares)
    convert = torque_of(curve)
    scalar = [convert(x) for x in positions]
    array = torques(positions, curve)

    assert array.torque_nm.tobytes() == np.array([r.value for r in scalar]).tobytes()
    assert array.code.tolist() == [CODES[r.kind] for r in scalar]
    stated = np.array([math.nan if r.uncertainty is None else r.uncertainty for r in scalar])
    assert array.uncertainty_nm.tobytes() == stated.tobytes()


@given(curve=curves, pair=st.tuples(st.floats(-0.1, 1.1), st.floats(-0.1, 1.1)))
def test_torque_never_falls_as_the_arm_moves_out(curve: CalibrationCurve, pair: tuple[float, float]) -> None:
    """Over the range and outside it; a polynomial may lose its last bit to rounding, no more."""
    near, far = sorted(pair)
    convert = torque_of(curve)
    first, last = curve.position_mm[0], curve.position_mm[-1]
    a, b = (convert(first + share * (last - first)).value for share in (near, far))

    assert a is not None
    assert b is not None
    assert a <= b * (1.0 + 4e-16 * (3 if curve.coefficients else 0))
    assert curve.torque_nm[0] <= a
    assert b <= curve.torque_nm[-1]


@given(curve=curves, shares=shares)
def test_uncertainty_lies_between_its_own_values(curve: CalibrationCurve, shares: list[float]) -> None:
    """Straight lines between them: never less than the least, never more than the most."""
    array = torques(places(curve, shares), curve)
    stated = curve.uncertainty_nm

    if not stated:
        assert np.isnan(array.uncertainty_nm).all()
    else:
        slack = 1e-9 * max(stated)
        assert np.all((array.uncertainty_nm >= min(stated) - slack) & (array.uncertainty_nm <= max(stated) + slack))


@given(curve=curves)
def test_missing_positions_stay_missing(curve: CalibrationCurve) -> None:
    """No value in, none out, and the neighbours are as they would be alone."""
    middle = curve.position_mm[0] / 2 + curve.position_mm[-1] / 2
    array = torques([middle, math.nan, middle], curve)

    assert array.code.tolist() == [EXACT, ABSENT, EXACT]
    assert math.isnan(array.torque_nm[1])
    assert array.torque_nm[0] == array.torque_nm[2] == torque_of(curve)(middle).value


@pytest.mark.parametrize("shape", [(0,), (), (7,), (3, CHUNK), (CHUNK + 1,), (2, 3, 5)])
def test_any_shape_of_history_is_taken(shape: tuple[int, ...]) -> None:
    """Empty, a single value, more than one chunk, several dimensions; what was handed in does not change."""
    curve = CalibrationCurve(
        "R", "d" * 64, Direction.FORWARD, (0.5, 20.0), (9_000.0, 40_000.0), uncertainty_nm=(1.0, 3.0)
    )
    given_mm = np.linspace(-1.0, 22.0, int(np.prod(shape))).reshape(shape)
    before = given_mm.copy()
    array = torques(given_mm, curve)

    assert array.torque_nm.shape == array.uncertainty_nm.shape == array.code.shape == shape
    assert np.array_equal(given_mm, before)
    convert = torque_of(curve)
    assert array.torque_nm.reshape(-1).tolist() == [convert(x).value for x in given_mm.reshape(-1).tolist()]


def test_history_is_converted_anew_under_another_record() -> None:
    """Positions are kept as read; another record gives other torques of them."""
    old = CalibrationCurve("old", "d" * 64, Direction.FORWARD, (0.5, 20.0), (9_000.0, 40_000.0))
    new = CalibrationCurve("new", "e" * 64, Direction.FORWARD, (0.5, 20.0), (9_500.0, 41_000.0))
    history = np.linspace(1.0, 19.0, 50)

    assert np.all(torques(history, new).torque_nm > torques(history, old).torque_nm)


def test_fitted_curve_without_uncertainty_is_no_record() -> None:
    """A fit always states what it is worth."""
    bare = CalibrationCurve("R", "d" * 64, Direction.FORWARD, (0.5, 20.0), (9_000.0, 40_000.0), coefficients=(1.0, 2.0))

    with pytest.raises(ValueError, match="states its uncertainty"):
        torque_of(bare)
