"""Arm position to output torque, with its uncertainty, by the drive's calibration record: scalar. Pure.

The array form for history (`commissioning.convert`) does the same operations in the same order and gives the same bits.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable
from itertools import pairwise

from nightrake.domain.reading import Exactness, Reading, reading
from nightrake.domain.site import CalibrationCurve, Direction

TorqueOf = Callable[[float], Reading]
"""Arm position in mm (finite) -> torque in N.m."""

BELOW_FIRST_POINT = "below the first calibrated point"
BEYOND_LAST_POINT = "beyond the last calibrated point"
REST_BAND_MM = 0.05
"""A preloaded arm this near its rest stop lies on it (a transducer's own noise; common practice, no source)."""


class Plan:
    """A record prepared for conversion: everything that does not depend on the position.

    Attributes:
        sign: -1.0 for a REVERSE record, whose positions are negative, else 1.0.
        first, last: Magnitudes of the position, mm, outside which nothing is said but below or beyond.
        xs, ts, slopes: Corners and slopes of straight segments (of a polynomial: its ends, and no slope).
        c0, c1, c2, reference_mm: Of a polynomial.
        start, per_mm, us, steps: Where the uncertainty's first value stands, values for each mm, the values and the
            differences from one to the next; empty where none is stated.
    """

    __slots__ = (
        "c0",
        "c1",
        "c2",
        "first",
        "last",
        "per_mm",
        "reference_mm",
        "sign",
        "slopes",
        "start",
        "steps",
        "ts",
        "us",
        "xs",
    )

    def __init__(self, curve: CalibrationCurve) -> None:
        if curve.coefficients and not curve.uncertainty_nm:
            raise ValueError(f"record {curve.ref}: a fitted curve states its uncertainty")
        self.sign = -1.0 if curve.direction is Direction.REVERSE else 1.0
        self.xs = [self.sign * x for x in curve.position_mm]
        self.ts = [abs(t) for t in curve.torque_nm]
        pairs = list(zip(self.xs, self.ts, strict=True))
        self.slopes = [(t1 - t0) / (x1 - x0) for (x0, t0), (x1, t1) in pairwise(pairs)]
        self.c0, self.c1, self.c2 = (*curve.coefficients, 0.0, 0.0, 0.0)[:3]
        self.reference_mm = curve.reference_mm
        self.first, self.last = self.xs[0], self.xs[-1]
        if self.first <= 0.0 < self.ts[0] and self.first + REST_BAND_MM < self.xs[1]:
            self.first += REST_BAND_MM
        self.start, self.us = self.xs[0], list(curve.uncertainty_nm)
        self.per_mm = (len(self.us) - 1) / (self.last - self.start) if self.us else 0.0
        self.steps = [b - a for a, b in pairwise(self.us)]


def torque_of(curve: CalibrationCurve) -> TorqueOf:
    """Make the conversion for one record.

    Straight segments: between corners t = t0 + (x - x0) * (t1 - t0) / (x1 - x0). Polynomial:
    t = c0 + d (c1 + d c2) with d = x - reference, never outside the torques at its ends. Outside the calibrated span
    nothing is extrapolated: below the first point the torque is BELOW that point's torque, past the last one BEYOND it.
    An arm that lies on its stop under preload (0 mm, with torque at the first point) says only 'less than the preload'.
    The uncertainty is read from its own evenly spaced values, in straight lines between them.

    Args:
        curve: At least two points, strictly rising in magnitude. Positions of a REVERSE record are negative.

    Returns:
        A function of the position in mm giving torque in N.m, always as magnitude (>= 0).

    Source: the calibration record itself (`curve.ref`).
    """
    plan = Plan(curve)
    if not plan.us:
        return _segments(plan)
    return _polynomial(plan) if curve.coefficients else _segments_with_uncertainty(plan)


def _limits(plan: Plan) -> tuple[Reading, Reading]:
    """What is said outside the calibrated span."""
    low_u, high_u = (plan.us[0], plan.us[-1]) if plan.us else (None, None)
    below = Reading(Exactness.BELOW, plan.ts[0], BELOW_FIRST_POINT, low_u)
    return below, Reading(Exactness.BEYOND, plan.ts[-1], BEYOND_LAST_POINT, high_u)


def _segments(plan: Plan) -> TorqueOf:
    sign, first, last, xs, ts, slopes = plan.sign, plan.first, plan.last, plan.xs, plan.ts, plan.slopes
    exact = Exactness.EXACT
    below, beyond = _limits(plan)

    def convert(position_mm: float) -> Reading:
        x = sign * position_mm
        if x < first:
            return below
        if x >= last:
            return Reading(exact, ts[-1]) if x == last else beyond
        i = bisect_right(xs, x) - 1
        # Rounding must not lift a value above the next point: torque never falls as the position rises.
        return reading((exact, min(ts[i] + (x - xs[i]) * slopes[i], ts[i + 1]), "", None))

    return convert


def _segments_with_uncertainty(plan: Plan) -> TorqueOf:
    sign, first, last, xs, ts, slopes = plan.sign, plan.first, plan.last, plan.xs, plan.ts, plan.slopes
    start, per_mm, us, steps, cells = plan.start, plan.per_mm, plan.us, plan.steps, len(plan.steps)
    exact = Exactness.EXACT
    below, beyond = _limits(plan)
    top = Reading(exact, ts[-1], "", us[-1])

    def convert(position_mm: float) -> Reading:
        x = sign * position_mm
        if x < first:
            return below
        if x >= last:
            return top if x == last else beyond
        i = bisect_right(xs, x) - 1
        t = ts[i] + (x - xs[i]) * slopes[i]
        if t > ts[i + 1]:
            t = ts[i + 1]
        s = (x - start) * per_mm
        j = int(s)
        if j == cells:  # rounding, just before the last position
            return Reading(exact, t, "", us[j])
        return reading((exact, t, "", us[j] + (s - j) * steps[j]))

    return convert


def _polynomial(plan: Plan) -> TorqueOf:
    sign, first, last, low, high = plan.sign, plan.first, plan.last, plan.ts[0], plan.ts[-1]
    c0, c1, c2, reference_mm = plan.c0, plan.c1, plan.c2, plan.reference_mm
    start, per_mm, us, steps, cells = plan.start, plan.per_mm, plan.us, plan.steps, len(plan.steps)
    exact = Exactness.EXACT
    below, beyond = _limits(plan)
    top = Reading(exact, high, "", us[-1])

    def convert(position_mm: float) -> Reading:
        x = sign * position_mm
        if x < first:
            return below
        if x >= last:
            return top if x == last else beyond
        d = x - reference_mm
        t = c0 + d * (c1 + d * c2)
        if t < low:
            t = low
        elif t > high:
            t = high
        s = (x - start) * per_mm
        j = int(s)
        if j == cells:  # rounding, just before the last position
            return Reading(exact, t, "", us[j])
        return reading((exact, t, "", us[j] + (s - j) * steps[j]))

    return convert
