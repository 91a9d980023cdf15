"""Single values put in the place of the folder's, and drive templates merged under the drives that use them."""

from __future__ import annotations

import copy
import re
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from nightrake.settings.folder import Document, key_text
from nightrake.settings.lines import Path as KeyPath
from nightrake.settings.words import listed, nearest

SHIFT_KEYS = ("coil", "discrete", "holding", "input")

Note = Callable[[KeyPath, str], None]


OVERRIDE = "--set"
"""Where a mistake stands that is in no file."""


def override(document: Document, overrides: Mapping[str, Any], convert: Callable[[KeyPath, Any], Any]) -> None:
    """Put single values in the place of the folder's.

    Args:
        document: The folder.
        overrides: Dotted key, as mistakes show it (``plc.PLCA.port``, ``drive.PC1.contact[0].form``) -> value.
        convert: Makes of a value what its key needs: the command line gives texts and whole numbers only.
    """
    for key, value in overrides.items():
        path = _path_of(key)
        stranger = _stranger(document, path)
        if stranger:
            document.put(path, OVERRIDE, 0)
            document.wrong(path, stranger)
            continue
        if not path or not _put(document.tables, path, convert(path, value)):
            document.put(path or (key,), OVERRIDE, 0)
            document.wrong(path or (key,), "there is no such table to set a value in; write for instance mqtt.port")
            continue
        document.put(path, OVERRIDE, 0)


def _stranger(document: Document, path: KeyPath) -> str:
    """What to say where a key names a PLC, drive or person that the folder does not have; a new one is not made."""
    if len(path) < 3 or path[0] not in ("plc", "drive", "person", "template"):
        return ""
    known = document.tables.get(path[0])
    if not isinstance(known, dict) or path[1] in known:
        return ""
    names = sorted(str(name) for name in known)
    hint = nearest(str(path[1]), names) or f"there are: {listed(names)}"
    return f"there is no [{path[0]}.{path[1]}] to set a value in; {hint}"


def _path_of(key: str) -> KeyPath:
    parts = re.findall(r"([^.\[\]]+)|\[(\d+)\]", key)
    return tuple(int(number) if number else name for name, number in parts)


def _put(tables: dict[str, Any], path: KeyPath, value: Any) -> bool:
    here: Any = tables
    for part in path[:-1]:
        if isinstance(here, dict) and isinstance(part, str):
            here = here.setdefault(part, {})
        elif isinstance(here, list) and isinstance(part, int) and part < len(here):
            here = here[part]
        else:
            return False
    last = path[-1]
    fits = isinstance(here, dict) and isinstance(last, str)
    if not fits and not (isinstance(here, list) and isinstance(last, int) and last < len(here)):
        return False
    here[last] = value
    return True


def apply_templates(document: Document) -> dict[str, Any]:
    """Merge each drive's template under its own keys, with the addresses shifted.

    Returns:
        The templates that no drive uses, so that they can be checked too.
    """
    templates = document.tables.pop("template", {})
    drives = document.tables.get("drive")
    if not isinstance(templates, dict):
        document.wrong(("template",), "has to hold tables such as [template.NAME]")
        return {}
    for name, table in templates.items():
        if not isinstance(table, dict):
            document.wrong(("template", name), "has to be a table, written [template.NAME]")
        for key in ("template", "shift") if isinstance(table, dict) else ():
            if table.pop(key, None) is not None:
                document.wrong(("template", name, key), "has no place in a template; only a drive has it")
    if isinstance(drives, dict):
        for drive, own in drives.items():
            if isinstance(own, dict):
                drives[drive] = _with_template(document, drive, dict(own), templates)
    return {n: t for n, t in templates.items() if n not in document.used_templates and isinstance(t, dict)}


def _with_template(document: Document, drive: str, own: dict[str, Any], templates: dict[str, Any]) -> dict[str, Any]:
    name, shift = own.pop("template", None), own.pop("shift", 0)
    shifts = _shifts(document, drive, shift)
    if name is None:
        if shift:
            document.wrong(("drive", drive, "shift"), "shifts the addresses of a template, but this drive has none")
        return own
    if not isinstance(name, str) or name not in templates:
        document.unresolved.add(drive)
        if not document.broken:
            text = f"there is no template {key_text((str(name),))}; there are: {listed(sorted(templates))}"
            document.wrong(("drive", drive, "template"), text)
        return own
    if not isinstance(templates[name], dict):
        document.unresolved.add(drive)
        return own
    base = copy.deepcopy(templates[name])
    document.use_template(drive, name)
    spilled: list[tuple[KeyPath, str]] = []
    _shift_points(base, shifts or {}, (), lambda path, text: spilled.append((path, text)))
    if spilled:
        more = f" (and {len(spilled) - 1} more)" if len(spilled) > 1 else ""
        document.wrong(("drive", drive, "shift"), f"moves {key_text(spilled[0][0])} {spilled[0][1]}{more}; correct it")
    unknown = _points_to_shift(base, ()) if shifts is None else (path for path, _ in spilled)
    document.spoil(("drive", drive, *path, "address") for path in unknown if not _has_address(own, path))
    return merged(base, own)


def _has_address(own: Any, path: KeyPath) -> bool:
    """Whether a drive gives an address of its own to a point of its template."""
    for part in path:
        if isinstance(own, list):  # lists are replaced whole
            return True
        if not isinstance(own, dict) or part not in own:
            return False
        own = own[part]
    return not isinstance(own, dict) or "address" in own


def _points_to_shift(value: Any, path: KeyPath) -> Iterator[KeyPath]:
    """Paths of the points that a shift would move."""
    if isinstance(value, list):
        for number, item in enumerate(value):
            yield from _points_to_shift(item, (*path, number))
    if isinstance(value, dict):
        if "address" in value:
            if value.get("fixed") is not True:
                yield path
            return
        for key, item in value.items():
            yield from _points_to_shift(item, (*path, key))


def _shifts(document: Document, drive: str, shift: Any) -> dict[str, int] | None:
    """By how much each table's addresses are moved; None, and a mistake, where that is not to be told."""
    if _whole(shift):
        return dict.fromkeys((*SHIFT_KEYS, ""), shift)
    if isinstance(shift, dict) and all(k in SHIFT_KEYS and _whole(v) for k, v in shift.items()):
        return {str(k): int(v) for k, v in shift.items()}
    text = "has to be a whole number, or whole numbers by table such as { discrete = 10, input = 20 }"
    document.wrong(("drive", drive, "shift"), text)
    return None


def _whole(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def merged(base: dict[str, Any], own: dict[str, Any]) -> dict[str, Any]:
    """A template's keys under a drive's own: tables are merged key by key, lists are replaced whole."""
    result = dict(base)
    for key, value in own.items():
        held = result.get(key)
        result[key] = merged(held, value) if isinstance(held, dict) and isinstance(value, dict) else value
    return result


def _shift_points(value: Any, shifts: Mapping[str, int], path: KeyPath, note: Note) -> None:
    """Shift every point of a template, except those marked as fixed (shared by all drives)."""
    if isinstance(value, list):
        for number, item in enumerate(value):
            _shift_points(item, shifts, (*path, number), note)
    if not isinstance(value, dict):
        return
    address = value.get("address")
    if isinstance(address, int) and _whole(address):
        if value.get("fixed") is not True:
            value["address"] = _shifted(value, address, shifts, path, note)
        return
    for key, item in value.items():
        _shift_points(item, shifts, (*path, key), note)


def _shifted(point: dict[str, Any], address: int, shifts: Mapping[str, int], path: KeyPath, note: Note) -> int:
    table = point.get("table")
    if isinstance(table, str):
        return address + shifts.get(table, 0)
    # Without a table it is a classic reference number, whose first digit names the table: it must not spill over.
    after = address + shifts.get(table_of(address), 0)
    if table_of(after) != table_of(address):
        note(path, f"from {address} to {after}, out of the {table_of(address) or 'numbered'} table")
        return address
    return after


def table_of(address: int) -> str:
    """Table of a classic reference number, "" for anything else."""
    if address < 1:
        return ""
    first = address // 10_000 if address < 100_000 else address // 100_000
    return {0: "coil", 1: "discrete", 3: "input", 4: "holding"}.get(first, "")
