"""Two values at one place of a PLC: a slip of the pen within a drive, or a template used without its shift."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from nightrake.domain.site import PointSpec, ValueType
from nightrake.settings.folder import Document
from nightrake.settings.lines import Path as KeyPath
from nightrake.settings.points import UNKNOWN_UNIT

OWN_ROLES = ("contact", "latched", "counter", "position")
"""Roles that two drives never share; running, power and speed may come from one motor drive, heartbeats from a PLC."""


def check_within(document: Document, drive: str, points: Mapping[str, PointSpec], paths: Mapping[str, KeyPath]) -> None:
    """Note each role whose bits or registers another role of the drive has too."""
    seen: dict[object, str] = {}
    for role, point in points.items():
        # A whole status word may be kept beside the bits that are read from it.
        alone = role.startswith("kept:")
        other = next((seen[cell] for cell in _cells(point) if cell in seen), None)
        if other is not None and not (alone and points[other].type is ValueType.BIT):
            text = f"has the place of {other} ({place_text(point)}); each needs its own, so one address is wrong"
            document.wrong(paths.get(role, ("drive", drive)), text)
        for cell in _cells(point):
            seen.setdefault(cell, role)


def check_between(
    document: Document, drives: Mapping[str, Mapping[str, PointSpec]], paths: Mapping[str, Mapping[str, KeyPath]]
) -> None:
    """Note, once for each pair, drives that claim the same contact, latched bit, counter or position."""
    seen: dict[object, tuple[str, str]] = {}
    shared: dict[tuple[str, str], list[tuple[str, str]]] = {}
    for drive, points in drives.items():
        for role, point in points.items():
            if not role.startswith(OWN_ROLES) or point.unit == UNKNOWN_UNIT:
                continue
            owner = next((seen[c] for c in _cells(point) if c in seen and seen[c][0] != drive), None)
            if owner is not None:
                shared.setdefault((drive, owner[0]), []).append((role, owner[1]))
            for cell in _cells(point):
                seen.setdefault(cell, (drive, role))
    for (drive_id, other), roles in shared.items():
        role, theirs = roles[0]
        more = f" (and {len(roles) - 1} more place{'s' if len(roles) > 2 else ''})" if len(roles) > 1 else ""
        text = f"reads what drive {other} has as {theirs} ({place_text(drives[drive_id][role])}){more}"
        path = paths.get(drive_id, {}).get(role, ("drive", drive_id))
        # It rests on how this drive uses its template: others of the same template are told for themselves.
        text = f"{text}; one address is wrong, or a template lacks its shift"
        document.wrong(path, text, ("drive", drive_id, "template"))


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
    unit = "" if point.unit == UNKNOWN_UNIT else f" unit {point.unit}"
    text = f"{point.endpoint}{unit} {point.table} {point.address}"
    return f"{text} bit {point.bit}" if point.type is ValueType.BIT and not point.table.holds_bits else text
