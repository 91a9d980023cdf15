"""What one scan says of each drive, for the store that it is forwarded to: torque derived from position. Pure.

Only this scan's own blocks speak: nothing is carried over from an earlier one. Fields are floats, units in their names;
a value that is not there has no field. `torque_is`: 0 exact, -1 below the first calibrated point, 1 beyond the last.
`torque_uncertainty_nm`: expanded, 95 %; `torque_uncertainty_lacks`: of how many sources nothing is known, no field for
none. `good`: 1 when all of this scan's blocks for the drive were read, otherwise 0.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import NamedTuple

from nightrake.domain.inputs import Got, RawScan
from nightrake.domain.reading import Exactness
from nightrake.domain.readplan import ReadPlan
from nightrake.domain.registers import Decoder
from nightrake.domain.site import Direction
from nightrake.domain.wiring import DriveWire, wire_plan

_IS = {Exactness.EXACT: 0.0, Exactness.BELOW: -1.0, Exactness.BEYOND: 1.0}


class Sample(NamedTuple):
    """One drive's values from one scan."""

    drive: str
    fields: dict[str, float]


Writer = Callable[[dict[str, float], float], None]
"""Puts a slot's value into the fields."""


def field_name(role: str) -> str:
    """Name of the field that a role is forwarded under; "" for roles that have none of their own."""
    if role.startswith("contact:"):
        return "contact_" + role.removeprefix("contact:").replace("/", "_").lower()
    if role.startswith("kept:"):
        return role.removeprefix("kept:")
    return {"running": "running", "power": "power_kw", "speed": "speed_rpm"}.get(role, "")


class Sampler:
    """Turns scans of one read plan into samples.

    Args:
        plan: The read plan. drives: Every drive of the site, laid out.
    """

    def __init__(self, plan: ReadPlan, drives: Mapping[str, DriveWire]) -> None:
        wire = wire_plan(plan, dict(drives))
        self._blocks: list[list[tuple[str, list[tuple[Decoder, Writer]]]]] = []
        for readers in wire.readers:
            block = []
            for reader in readers:
                drive = drives[reader.drive]
                pairs = [(decode, _writer(drive, slot)) for slot, decode in reader.decoders]
                block.append((reader.drive, [(d, w) for d, w in pairs if w is not None]))
            self._blocks.append(block)

    def samples(self, scan: RawScan) -> list[Sample]:
        """One sample for each drive that this scan read, or tried to read."""
        by_drive: dict[str, dict[str, float]] = {}
        good = Got.GOOD
        for reply in scan.blocks:
            for drive, pairs in self._blocks[reply.block]:
                fields = by_drive.get(drive)
                if fields is None:
                    fields = by_drive[drive] = {"good": 1.0}
                if reply.got != good:
                    fields["good"] = 0.0
                    continue
                for decode, write in pairs:
                    value = decode(reply.data)
                    if type(value) is not str:
                        write(fields, value)  # type: ignore[arg-type]  # str is ruled out in the line above
        return [Sample(d, f) for d, f in by_drive.items()]


def _writer(drive: DriveWire, slot: int) -> Writer | None:
    role = drive.roles[slot]
    if role == "position":
        return _position_writer(drive)
    name = field_name(role)
    if not name:
        return None
    ones = next((c.operated_bit for c in drive.contacts if c.slot == slot), None)
    if ones is None and slot == drive.running:
        ones = drive.running_true
    if ones is None:

        def write_number(fields: dict[str, float], value: float) -> None:
            fields[name] = float(value)

        return write_number

    def write_bit(fields: dict[str, float], value: float) -> None:
        fields[name] = 1.0 if value == ones else 0.0

    return write_bit


def _position_writer(drive: DriveWire) -> Writer | None:
    to_position, torque_of, two = drive.position_of, drive.torque_of, len(drive.spec.directions) == 2
    if to_position is None:
        return None
    only = drive.spec.directions[0]
    lacks = {side: float(len(c.not_in_budget)) for side, c in drive.spec.calibrations.items() if c.not_in_budget}

    def write(fields: dict[str, float], value: float) -> None:
        position_mm = to_position(value).value
        if position_mm is None:
            return
        fields["position_mm"] = position_mm
        side = (Direction.REVERSE if position_mm < 0.0 else Direction.FORWARD) if two else only
        convert = torque_of.get(side)
        if convert is None:
            return
        torque = convert(position_mm)
        if torque.value is not None:
            fields["torque_nm"] = -torque.value if side is Direction.REVERSE else torque.value
            fields["torque_is"] = _IS[torque.kind]
            if torque.uncertainty is not None:
                fields["torque_uncertainty_nm"] = torque.uncertainty
                if side in lacks:
                    fields["torque_uncertainty_lacks"] = lacks[side]

    return write
