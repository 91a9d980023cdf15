"""Arm position to output torque by the drive's calibration record: straight segments, scalar. Pure."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable

from nightrake.domain.reading import Exactness, Reading
from nightrake.domain.site import CalibrationCurve, Direction

TorqueOf = Callable[[float], Reading]
"""Arm position in mm (finite) -> torque in N.m."""

BELOW_FIRST_POINT = "below the first calibrated point"
BEYOND_LAST_POINT = "beyond the last calibrated point"
REST_BAND_MM = 0.05
"""A preloaded arm this near its rest stop lies on it (a transducer's own noise; common practice, no source)."""


def torque_of(curve: CalibrationCurve) -> TorqueOf:
    """Make the conversion for one record.

    Between points t = t0 + (x - x0) * (t1 - t0) / (x1 - x0) on the rising branch. Outside the calibrated span nothing
    is extrapolated: below the first point the torque is BELOW that point's torque, past the last one BEYOND it. An arm
    that lies on its stop under preload (0 mm, with torque at the first point) says only 'less than the preload'.

    Args:
        curve: At least two points, strictly rising in magnitude. Positions of a REVERSE record are negative.

    Returns:
        A function of the position in mm giving torque in N.m, always as magnitude (>= 0).

    Source: the calibration record itself (`curve.ref`).
    """
    sign = -1.0 if curve.direction is Direction.REVERSE else 1.0
    xs = [sign * x for x in curve.position_mm]
    ts = [abs(t) for t in curve.torque_nm]
    slopes = [(t1 - t0) / (x1 - x0) for x0, x1, t0, t1 in zip(xs, xs[1:], ts, ts[1:], strict=False)]
    below = Reading(Exactness.BELOW, ts[0], BELOW_FIRST_POINT)
    beyond = Reading(Exactness.BEYOND, ts[-1], BEYOND_LAST_POINT)
    first, last, exact = xs[0], xs[-1], Exactness.EXACT
    if first <= 0.0 < ts[0] and first + REST_BAND_MM < xs[1]:
        first += REST_BAND_MM

    def convert(position_mm: float) -> Reading:
        x = sign * position_mm
        if x < first:
            return below
        if x >= last:
            return Reading(exact, ts[-1]) if x == last else beyond
        i = bisect_right(xs, x) - 1
        # Rounding must not lift a value above the next point: torque never falls as the position rises.
        return Reading(exact, min(ts[i] + (x - xs[i]) * slopes[i], ts[i + 1]))

    return convert
