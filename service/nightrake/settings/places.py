"""Two values at one place of a PLC: a slip of the pen within a drive, or a template used without its shift."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from nightrake.domain.site import DriveSpec, PointSpec, ValueType
from nightrake.settings.folder import Document
from nightrake.settings.lines import Path as KeyPath

OWN_ROLES = ("contact:", "latched:", "counter:", "position")
"""Roles that two drives never share; running, power and speed may come from one motor drive, heartbeats from a PLC."""


def check_within(document: Document, drive: DriveSpec, paths: Mapping[str, KeyPath]) -> None:
    """Note each role whose bits or registers another role of the drive has too."""
    seen: dict[object, str] = {}
    for role, point in drive.points().items():
        # A whole status word may be kept beside the bits that are read from it.
        alone = role.startswith("kept:")
        other = next((seen[cell] for cell in _cells(point) if cell in seen), None)
        if other is not None and not (alone and drive.points()[other].type is ValueType.BIT):
            text = f"has the place of {other} ({place_text(point)}); each needs its own, so one address is wrong"
            document.wrong(paths.get(role, ("drive", drive.id)), text)
        for cell in _cells(point):
            seen.setdefault(cell, role)


def check_between(
    document: Document, drives: Mapping[str, DriveSpec], paths: Mapping[str, Mapping[str, KeyPath]]
) -> None:
    """Note, once for each pair, drives that claim the same contact, latched bit, counter or position."""
    seen: dict[object, tuple[str, str]] = {}
    shared: dict[tuple[str, str], list[tuple[str, str]]] = {}
    for drive in drives.values():
        mine = {r: p for r, p in drive.points().items() if r.startswith(OWN_ROLES)}
        for role, point in mine.items():
            owner = next((seen[c] for c in _cells(point) if c in seen and seen[c][0] != drive.id), None)
            if owner is not None:
                shared.setdefault((drive.id, owner[0]), []).append((role, owner[1]))
            for cell in _cells(point):
                seen.setdefault(cell, (drive.id, role))
    for (drive_id, other), roles in shared.items():
        role, theirs = roles[0]
        more = f" (and {len(roles) - 1} more places)" if len(roles) > 1 else ""
        text = f"reads what drive {other} has as {theirs} ({place_text(drives[drive_id].points()[role])}){more}"
        path = paths.get(drive_id, {}).get(role, ("drive", drive_id))
        document.wrong(path, f"{text}; one address is wrong, or a template lacks its shift")


def _cells(point: PointSpec) -> Iterable[object]:
    """What a point occupies: a bit of a table, a bit of a register, or all bits of its registers."""
    head = (point.endpoint, point.unit, point.table)
    if point.table.holds_bits:
        return [(*head, point.address, 0)]
    if point.type is ValueType.BIT:
        return [(*head, point.address, point.bit)]
    return [(*head, point.address + word, bit) for word in range(point.words) for bit in range(16)]


def place_text(point: PointSpec) -> str:
    """Place of a point in words."""
    text = f"{point.endpoint} unit {point.unit} {point.table} {point.address}"
    return f"{text} bit {point.bit}" if point.type is ValueType.BIT and not point.table.holds_bits else text
