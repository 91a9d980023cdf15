"""Witnesses: values that are never zero while the PLC is sound, by which an all-zero image gives itself away. Pure."""

from __future__ import annotations

from nightrake.domain.site import DriveSpec, PositionSignal


def is_witness(drive: DriveSpec, role: str) -> bool:
    """Whether a role's raw value is not zero while all is well.

    A 4-20 mA loop reads 4 mA at rest, counts with a live zero likewise; a closed contact that must be 1; a rack bit
    that is 1 when healthy. A heartbeat passes through zero, so it is none.

    Args:
        drive: The drive. role: As in `DriveSpec.points`.
    """
    if role == "position" and drive.position is not None:
        spec = drive.position
        return spec.signal is not PositionSignal.SCALED and spec.lo > 0.0 and spec.point.offset == 0.0
    if role == "rack_healthy" and drive.rack_healthy is not None:
        return drive.rack_healthy.true_bit == 1
    if role.startswith("contact:"):
        tail = role.removeprefix("contact:")
        for contact in drive.contacts:
            if f"{contact.id.direction}/{contact.id.stage}/{contact.id.channel}" == tail:
                return contact.operated_bit == 0
    return False
