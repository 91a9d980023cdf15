"""Judgement of the calibration record in force against what the data sheet predicts. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from nightrake.commissioning.finding import Finding, Verdict, torque, travel
from nightrake.commissioning.sheet import Sheet, Side
from nightrake.domain.calibration import torque_of
from nightrake.domain.reading import Exactness
from nightrake.domain.site import CalibrationCurve, Direction

SPRING_SCATTER = 0.10
"""How far springs of one order may be off their stated rate (common practice, no source)."""


def judge_record(sheet: Sheet, side: Side, more: str) -> Iterator[Finding]:
    """Where shutdown is predicted, the record shows a torque that springs and gear train can account for.

    The record stands in any case: readings are made from it alone. A large difference says that specification or record
    belongs to another device, or that something binds.
    """
    curve, point = sheet.specification.drive.calibrations.get(side.direction), side.shutdown
    if curve is None or point is None or point.position_m is None:
        return
    subject = f"record against prediction{more}"
    at = f"where shutdown is predicted, at {travel(point.position_m)}, record {curve.ref} shows"
    sign = -1.0 if side.direction is Direction.REVERSE else 1.0
    reading = torque_of(curve)(sign * 1000.0 * point.position_m)
    if reading.value is None or reading.kind is not Exactness.EXACT:
        yield _outside(subject, at, curve, reading.kind)
        return
    uncertainty_nm = reading.uncertainty or 0.0
    low = point.actual_nm.low * (1.0 - SPRING_SCATTER) - uncertainty_nm
    high = point.actual_nm.high * (1.0 + SPRING_SCATTER) + uncertainty_nm
    text = f"{at} {torque(reading.value)}"
    if low <= reading.value <= high:
        text += ", within what springs and gear train can account for"
        yield Finding(subject, Verdict.OK, text)
    else:
        text += f", but springs and gear train account for {torque(low)} to {torque(high)}: does the record belong to"
        yield Finding(subject, Verdict.LOOK_AGAIN, f"{text} this device, is the specification right, or does it bind?")


def _outside(subject: str, at: str, curve: CalibrationCurve, exactness: Exactness) -> Finding:
    end_nm = curve.torque_nm[-1] if exactness is Exactness.BEYOND else curve.torque_nm[0]
    word = "more" if exactness is Exactness.BEYOND else "less"
    text = f"{at} only '{word} than {torque(end_nm)}': it does not reach there; calibrate over the whole range"
    return Finding(subject, Verdict.LOOK_AGAIN, text)
