"""What a drive, as it is wired and served, cannot notice, and why."""

from __future__ import annotations

from nightrake.domain.site import DriveSpec, SiteSpec, Stage
from nightrake.domain.witness import is_witness


def blind_spots(drive: DriveSpec, site: SiteSpec, now_utc_ms: int) -> list[str]:
    """One sentence for each thing that this drive's points cannot show.

    Args:
        drive: The drive. site: For what other drives' points prove of the same PLC. now_utc_ms: For due dates.
    """
    spots = []
    for contact in drive.contacts:
        if not contact.shows_broken_wire:
            which = f"{contact.id.direction} {contact.id.stage} {contact.id.channel}"
            spots.append(f"cannot notice a broken wire of {which}: wired normally open, a cut wire reads as released")
    for plc, unit in sorted({(c.point.endpoint, c.point.unit) for c in drive.contacts}):
        if not _has_witness(site, plc, unit):
            spots.append(
                f"cannot notice a restart of {plc} unit {unit}: no point there is other than zero while all is well "
                "(a 4-20 mA position, a closed contact that is 1, or a rack bit would be)"
            )
            continue
        alone = _only_own_contact(drive, site, plc, unit)
        if alone:
            spots.append(
                f"cannot tell its own {alone} from a restart of {plc} unit {unit}: that contact is the only point "
                "there that is other than zero while all is well, so its operation is told as suspect, not before 2 s"
            )
    if drive.heartbeat is None:
        spots.append("cannot notice a PLC program that has stopped: no heartbeat")
    if drive.running is None:
        spots.append("cannot confirm a stop: no run feedback")
    if drive.position is None:
        spots.append("shows no torque: no position transducer; contacts only")
    else:
        spots += [
            f"shows no torque for {side}: no calibration record"
            for side in drive.directions
            if side not in drive.calibrations
        ]
    if not any(c.id.stage is Stage.SHUTDOWN for c in drive.contacts):
        spots.append("cannot see a shutdown: no shutdown contact is configured")
    if not drive.alarm_nm or not drive.shutdown_nm:
        spots.append("set points are not stated (alarm_nm, shutdown_nm)")
    spots += [
        f"calibration {c.ref} is past its due date"
        for c in drive.calibrations.values()
        if 0 < c.due_utc_ms <= now_utc_ms
    ]
    return spots


def _only_own_contact(drive: DriveSpec, site: SiteSpec, plc: str, unit: int) -> str:
    """The stage of this drive's contact that is the sole witness of a unit; "" where there are others, or none."""
    witnesses = {
        (other.id, role)
        for other in site.drives.values()
        for role, point in other.points().items()
        if (point.endpoint, point.unit) == (plc, unit) and is_witness(other, role)
    }
    if len(witnesses) != 1:
        return ""
    owner, role = next(iter(witnesses))
    return role.split("/")[1] if owner == drive.id and role.startswith("contact:") else ""


def _has_witness(site: SiteSpec, plc: str, unit: int) -> bool:
    return any(
        (point.endpoint, point.unit) == (plc, unit) and is_witness(drive, role)
        for drive in site.drives.values()
        for role, point in drive.points().items()
    )
