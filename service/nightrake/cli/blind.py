"""What a drive, as it is wired and served, cannot notice, and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from nightrake.domain.site import DriveSpec, SiteSpec, Stage
from nightrake.domain.witness import is_witness

Witnesses = Mapping[tuple[str, int], Sequence[tuple[str, str]]]
"""PLC and unit -> drive and role of each point there that is other than zero while all is well."""


def all_blind_spots(site: SiteSpec, now_utc_ms: int) -> dict[str, list[str]]:
    """Drive id -> its blind spots, of all drives of a site.

    Args:
        site: Which. now_utc_ms: For due dates.
    """
    witnesses = _witnesses(site)
    return {drive.id: blind_spots(drive, witnesses, now_utc_ms) for drive in site.drives.values()}


def blind_spots(drive: DriveSpec, witnesses: Witnesses, now_utc_ms: int) -> list[str]:
    """One sentence for each thing that this drive's points cannot show.

    Args:
        drive: The drive. witnesses: What its own and other drives' points prove of each PLC. now_utc_ms: For due dates.
    """
    spots = []
    for contact in drive.contacts:
        if not contact.shows_broken_wire:
            which = f"{contact.id.direction} {contact.id.stage} {contact.id.channel}"
            spots.append(f"cannot notice a broken wire of {which}: wired normally open, a cut wire reads as released")
    for plc, unit in sorted({(c.point.endpoint, c.point.unit) for c in drive.contacts}):
        there = witnesses.get((plc, unit), ())
        if not there:
            spots.append(
                f"cannot notice a restart of {plc} unit {unit}: no point there is other than zero while all is well "
                "(a 4-20 mA position, a closed contact that is 1, or a rack bit would be)"
            )
            continue
        alone = _only_own_contact(drive, there)
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


def _only_own_contact(drive: DriveSpec, witnesses: Sequence[tuple[str, str]]) -> str:
    """The stage of this drive's contact that is the sole witness of a unit; "" where there are others."""
    if len(witnesses) != 1:
        return ""
    owner, role = witnesses[0]
    return role.split("/")[1] if owner == drive.id and role.startswith("contact:") else ""


def _witnesses(site: SiteSpec) -> Witnesses:
    found: dict[tuple[str, int], list[tuple[str, str]]] = {}
    for drive in site.drives.values():
        for role, point in drive.points().items():
            if is_witness(drive, role):
                found.setdefault((point.endpoint, point.unit), []).append((drive.id, role))
    return found
