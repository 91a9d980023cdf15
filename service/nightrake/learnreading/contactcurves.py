"""A calibration record read the other way: from torque to arm position. In magnitudes."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from nightrake.commissioning.convert import torques
from nightrake.domain.site import CalibrationCurve, Direction
from nightrake.history.histogram import Floats

POINTS = 2_001
"""Of a record's span, between which straight lines will do: a thousandth of a mm of a usual travel."""


class _Curve(NamedTuple):
    """Positions and torques, both rising."""

    mm: Floats
    nm: Floats


def _of(curve: CalibrationCurve) -> _Curve:
    mm = np.linspace(abs(curve.position_mm[0]), abs(curve.position_mm[-1]), POINTS)
    sign = -1.0 if curve.direction is Direction.REVERSE else 1.0
    return _Curve(mm, np.maximum.accumulate(torques(sign * mm, curve).torque_nm))


def position_of(curve: CalibrationCurve, torque_nm: float) -> float:
    """Arm position, mm, of a torque, N.m; NaN where the record does not reach it."""
    found = _of(curve)
    if not found.nm[0] <= torque_nm <= found.nm[-1] or torque_nm <= 0.0:
        return float("nan")
    return float(np.interp(torque_nm, found.nm, found.mm))


def place_within(curve: CalibrationCurve, torque_nm: float) -> float:
    """The same; past the record its end; at or below its first point 0, for the arm may be at rest."""
    found = _of(curve)
    return 0.0 if torque_nm <= found.nm[0] else float(np.interp(torque_nm, found.nm, found.mm))


def slope_at(curve: CalibrationCurve, place_mm: float) -> float:
    """N.m for each mm about a position; NaN outside of the record."""
    found = _of(curve)
    if not found.mm[0] <= place_mm <= found.mm[-1]:
        return float("nan")
    reach_mm = (found.mm[-1] - found.mm[0]) / 50.0
    ends = np.clip([place_mm - reach_mm, place_mm + reach_mm], found.mm[0], found.mm[-1])
    low, high = np.interp(ends, found.mm, found.nm)
    return float((high - low) / (ends[1] - ends[0]))
