"""What a point that was just read means: state or value, other word orders, plausibility, what the device echoed."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from nightrake.domain.calibration import torque_of
from nightrake.domain.reading import Exactness, Reading
from nightrake.domain.registers import decoder
from nightrake.domain.signals import position_of
from nightrake.domain.site import ContactSpec, Direction, DriveSpec, Order, PointSpec, PositionSpec, Table, ValueType


@dataclass(frozen=True, slots=True)
class Finding:
    """One point as found.

    Attributes:
        drive, role: Which. plc: where it lies. text: What was read and what it means. more: Further lines.
        wrong: It needs a look.
    """

    drive: str
    role: str
    plc: str
    text: str
    more: tuple[str, ...]
    wrong: bool

    def plain(self) -> dict[str, Any]:
        """As plain values."""
        return asdict(self)


def place(point: PointSpec) -> str:
    """Where a point lies, in words."""
    bit = f" bit {point.bit}" if point.type is ValueType.BIT and not point.table.holds_bits else ""
    reference = REFERENCES[point.table] + point.address + 1
    return f"{point.endpoint} unit {point.unit} {point.table} {point.address} ({reference}){bit}"


REFERENCES = {Table.COIL: 0, Table.DISCRETE: 10_000, Table.INPUT: 30_000, Table.HOLDING: 40_000}
"""Classic reference numbers count from here (common practice, no source); lists give one or the other."""


ALL_ZERO = "every point of this drive reads zero: wrong addresses, shift or unit, or a PLC whose program does not run"


def is_zero(result: Mapping[str, Any]) -> bool:
    """Whether a point was read, and nothing but zeros came."""
    return result["got"] == "GOOD" and not bytes.fromhex(result["data"]).strip(b"\0")


DOUBT = 0.7
"""A contact that has operated below this share of its set point, or not operated at its inverse, is implausible."""


def judge_point(
    drive: DriveSpec,
    role: str,
    point: PointSpec,
    result: Mapping[str, Any],
    arm: tuple[Direction, Reading] | None = None,
) -> Finding:
    """Judge one point.

    Args:
        result: As `status.probed_plain` gives it.
        arm: The direction that the drive's arm leans to, and the torque that its position shows; None = unknown.
    """
    if result["got"] != "GOOD":
        return Finding(drive.id, role, point.endpoint, f"{place(point)}: {_failure(result)}", (), True)
    data = bytes.fromhex(result["data"])
    raw = "0x" + data.hex(" ", 2) if not point.table.holds_bits else str(data[0])
    value = decoder(point, 0)(data)
    end = f"[{place(point)}, raw {raw}, {result['round_trip_ms']:.0f} ms]"
    if role.startswith("contact:"):
        return _contact(drive, role, int(value), end, arm)
    if point.type is ValueType.BIT:
        text, wrong = _bit_words(drive, role, int(value))
        return Finding(drive.id, role, point.endpoint, f"{text} {end}", (), wrong)
    text, wrong = _number_words(drive, role, point, value)
    orders = _orders(point, data) if point.words == 2 else ()
    doubt = _order_doubt(drive, role, point, data) if point.words == 2 else ""
    more = (doubt, *orders) if doubt else orders
    return Finding(drive.id, role, point.endpoint, f"{text} {end}", more, wrong or bool(doubt))


def _failure(result: Mapping[str, Any]) -> str:
    if result["got"] == "WRONG_UNIT":
        return f"the device answers, but as another unit: {result['detail']}; check the unit id"
    if result["got"] == "WRONG_TRANSACTION":
        hint = " (set transaction_zero_ok if it always answers 0)" if result["transaction"] == 0 else ""
        return f"the device answers, but with another transaction id: {result['detail']}{hint}"
    return str(result["detail"] or result["got"].lower().replace("_", " "))


def arm_torque(drive: DriveSpec, data: bytes) -> tuple[Direction, Reading] | None:
    """Direction and torque that a position point's data show; None where they show none."""
    if drive.position is None:
        return None
    value = decoder(drive.position.point, 0)(data)
    if isinstance(value, str):
        return None
    reading = position_of(drive.position)(float(value))
    if reading.value is None:
        return None
    side = Direction.REVERSE if len(drive.directions) == 2 and reading.value < 0 else drive.directions[0]
    curve = drive.calibrations.get(side)
    return (side, torque_of(curve)(reading.value)) if curve is not None else None


def _contact(drive: DriveSpec, role: str, bit: int, end: str, arm: tuple[Direction, Reading] | None) -> Finding:
    contact: ContactSpec = next(
        c for c in drive.contacts if f"{c.id.direction}/{c.id.stage}/{c.id.channel}" == role.removeprefix("contact:")
    )
    operated = bit == contact.operated_bit
    form = contact.form.replace("_", " ")
    other = f"other polarity: {'released' if operated else 'OPERATED'}"
    text = f"{'OPERATED' if operated else 'released'} (reads {bit}, {form}, 1 = {contact.bit_1_means}; {other}) {end}"
    doubt = _implausible(drive, contact, operated, arm)
    if doubt:
        return Finding(drive.id, role, contact.point.endpoint, text, (doubt,), True)
    if not operated:
        return Finding(drive.id, role, contact.point.endpoint, text, (), False)
    more = (
        "operated now: true torque, a broken wire, or the wrong address, form or bit_1_means; look at the arm and the "
        "contact"
    )
    return Finding(drive.id, role, contact.point.endpoint, text, (more,), True)


def _implausible(drive: DriveSpec, contact: ContactSpec, operated: bool, arm: tuple[Direction, Reading] | None) -> str:
    """Why a contact's state does not go with where the arm stands; "" where it may."""
    set_nm = drive.set_point_nm(contact.id.direction, contact.id.stage)
    if arm is None or not set_nm or arm[1].value is None:
        return ""
    side, torque = arm
    here_nm = torque.value if side is contact.id.direction else 0.0
    assert here_nm is not None
    shown = f"the arm shows {here_nm / 1000:.1f} kN.m {side}" if here_nm else f"the arm leans {side}"
    if operated and torque.kind is not Exactness.BEYOND and here_nm < DOUBT * set_nm:
        return (
            f"operated, but {shown}, far from the {contact.id.stage} at {set_nm / 1000:.1f} kN.m: the wrong address, "
            "form or bit_1_means, a broken wire, or a position that is wrong or bound"
        )
    if not operated and torque.kind is not Exactness.BELOW and here_nm > set_nm / DOUBT:
        return (
            f"released, but {shown}, far above the {contact.id.stage} at {set_nm / 1000:.1f} kN.m: the wrong address, "
            "form or bit_1_means, a jumpered or cut contact, or a wrong scale of the position"
        )
    return ""


def _bit_words(drive: DriveSpec, role: str, bit: int) -> tuple[str, bool]:
    signal = {"running": drive.running, "rack_healthy": drive.rack_healthy}.get(role)
    if signal is None:
        return f"reads {bit}", False
    yes = bit == signal.true_bit
    text = f"{'yes' if yes else 'no'} (reads {bit}, {signal.true_bit} = yes)"
    if role == "rack_healthy" and not yes:
        return f"{text}; a fault of the rack, or the wrong address or true_bit", True
    return text, False


def _number_words(drive: DriveSpec, role: str, point: PointSpec, value: float | int | str) -> tuple[str, bool]:
    if isinstance(value, str):
        return f"{value} as {point.type} {point.order}", True
    if role == "position" and drive.position is not None:
        return _position_words(drive, float(value))
    return f"{value:g} as {point.type}", False


def _position_words(drive: DriveSpec, value: float) -> tuple[str, bool]:
    assert drive.position is not None
    reading = position_of(drive.position)(value)
    if reading.value is None:
        return f"signal {value:g}: {reading.reason}; {_signal_doubt(drive.position, value)}", True
    low, high = sorted((drive.position.lo_mm, drive.position.hi_mm))
    wrong = not low - 1.0 <= reading.value <= high + 1.0
    text = f"{reading.value:.2f} mm" + (f" ({reading.reason})" if reading.reason else "")
    side = Direction.REVERSE if len(drive.directions) == 2 and reading.value < 0 else drive.directions[0]
    curve = drive.calibrations.get(side)
    if curve is not None:
        torque = torque_of(curve)(reading.value)
        sign = {Exactness.BELOW: "below ", Exactness.BEYOND: "beyond "}.get(torque.kind, "")
        mark = "*" if curve.not_in_budget else ""
        worth = f" ±{torque.uncertainty / 1000:.2f}{mark}" if torque.uncertainty is not None else ""
        text += f", {sign}{(torque.value or 0.0) / 1000:.2f}{worth} kN.m"
        text += f" (* without {', '.join(curve.not_in_budget)})" if mark and worth else ""
    if wrong:
        text += f"; outside the travel of {low:g} to {high:g} mm: wrong scale, address or word order?"
    return text, wrong


LOOP_MA = 24.0
"""More than that no transmitter drives through its loop. Common practice, no source."""


def _signal_doubt(spec: PositionSpec, value: float) -> str:
    """What to look for where a loop's current is no measurement."""
    current_ma = value / spec.counts_per_ma if spec.counts_per_ma else value
    if 0.0 <= current_ma <= LOOP_MA:
        return "a fault of the transducer or its loop, or the wrong address or scale?"
    return "no loop carries that: wrong scale, address or word order?"


PLAUSIBLE = (1e-4, 1e6)
"""A 32-bit value lies between these or is 0; in a wrong order it seldom does. Common practice, no source."""


def _order_doubt(drive: DriveSpec, role: str, point: PointSpec, data: bytes) -> str:
    """Another byte and word order that makes sense of a value that makes none as configured; "" where it does."""

    def value_in(order: Order) -> float | None:
        value = decoder(point._replace(order=order), 0)(data)
        return None if isinstance(value, str) else float(value)

    def plausible(value: float | None) -> bool:
        if value is None or not (value == 0.0 or PLAUSIBLE[0] <= abs(value) < PLAUSIBLE[1]):
            return False
        if role != "position" or drive.position is None:
            return True
        reading = position_of(drive.position)(value)
        low, high = sorted((drive.position.lo_mm, drive.position.hi_mm))
        return reading.value is not None and low - 1.0 <= reading.value <= high + 1.0

    if plausible(value_in(point.order)):
        return ""
    better = [(o, value_in(o)) for o in Order if plausible(value_in(o)) and value_in(o)]
    if not better:
        return ""
    found = ", ".join(f"{order} ({value:.4g})" for order, value in better)
    return f"as configured the value makes no sense, in another order it does: {found}"


def _orders(point: PointSpec, data: bytes) -> tuple[str, ...]:
    """A two-word value in all four byte and word orders, so that a wrong one is seen."""
    parts = []
    for order in Order:
        value = decoder(point._replace(order=order), 0)(data)
        shown = value if isinstance(value, str) else _short(float(value))
        mark = " (configured)" if order is point.order else ""
        parts.append(f"{order} {shown}{mark}")
    return (f"in each order: {', '.join(parts)}",)


def _short(value: float) -> str:
    if value == 0.0 or 1e-4 <= abs(value) < 1e7:
        return f"{value:.4g}"
    return f"{value:.2e}" if math.isfinite(value) else "not finite"
