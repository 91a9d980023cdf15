"""Calibration record files -> `CalibrationCurve`: checked, dated, the newest in force."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from nightrake.domain.rows import canonical
from nightrake.domain.site import CalibrationCurve, Direction
from nightrake.errors import Mistake
from nightrake.settings.curve import curve_points
from nightrake.settings.folder import Document, key_text, parse
from nightrake.settings.lines import Path as KeyPath
from nightrake.settings.models import CalibrationTable, ContactPoint, DriveTable
from nightrake.settings.words import nearest, sentence

Note = Callable[[KeyPath, str], None]


@dataclass(frozen=True, slots=True)
class CalibrationRecord:
    """One record file.

    Attributes:
        file: File name as mistakes show it.
        drive, device_serial: What was measured. made_on: When.
        curve: What the core needs of it, its reference, digest and direction among that.
        contact_points: Where the contacts operated.
    """

    file: str
    drive: str
    device_serial: str
    made_on: date
    curve: CalibrationCurve
    contact_points: tuple[ContactPoint, ...]


def read_calibrations(document: Document, drives: Mapping[str, DriveTable], today: date) -> list[CalibrationRecord]:
    """The records in force: for each drive and direction the newest of the device it carries, none from the future.

    Records of an exchanged device and older ones may stay in the folder as its history.
    """
    records: list[CalibrationRecord] = []
    for file in document.files("calibration") or []:
        label = f"{document.label}/calibration/{file.name}"
        loaded = parse(file, label, document.mistakes)
        if loaded is not None:
            records += _record(document, file, label, loaded, drives)
    force: dict[tuple[str, str], CalibrationRecord] = {}
    for record in records:
        key = (record.drive, record.curve.direction)
        if not _is_of_device(record, drives) or record.made_on > today:
            continue
        held = force.setdefault(key, record)
        if held is not record and held.made_on == record.made_on:
            text = f"is the date of {held.file} too, for the same drive and direction; only one can be in force"
            document.mistakes.append(Mistake(record.file, 0, "made_on", text))
        if record.made_on > held.made_on:
            force[key] = record
    _check_strays(document, records, force, drives)
    return list(force.values())


def _is_of_device(record: CalibrationRecord, drives: Mapping[str, DriveTable]) -> bool:
    drive = drives.get(record.drive)
    return drive is not None and drive.device_serial in ("", record.device_serial)


def _check_strays(
    document: Document,
    records: list[CalibrationRecord],
    force: Mapping[tuple[str, str], CalibrationRecord],
    drives: Mapping[str, DriveTable],
) -> None:
    """A record of another device, where the drive's own has none, is more likely a slip than history."""
    for record in records:
        drive = drives.get(record.drive)
        if drive is None or _is_of_device(record, drives):
            continue
        if (record.drive, record.curve.direction) not in force:
            text = f"is '{record.device_serial}', but drive.{record.drive} carries '{drive.device_serial}'"
            text += ", which has no record of its own; correct the serial, or remove this record"
            document.mistakes.append(Mistake(record.file, 0, "device_serial", text))


def _record(
    document: Document,
    file: Path,
    label: str,
    loaded: tuple[dict[str, Any], dict[KeyPath, int]],
    drives: Mapping[str, DriveTable],
) -> list[CalibrationRecord]:
    """The record in a list, or, with mistakes noted, an empty one."""
    tables, lines = loaded
    before = len(document.mistakes)

    def wrong(path: KeyPath, text: str) -> None:
        line = next((lines[path[:n]] for n in range(len(path), 0, -1) if path[:n] in lines), 0)
        document.mistakes.append(Mistake(label, line, key_text(path), text))

    for key in ("made_on", "due_on"):
        if isinstance(tables.get(key), date):
            tables[key] = tables[key].isoformat()  # TOML's own dates are as good as quoted ones
    try:
        table = CalibrationTable.model_validate(tables)
    except ValidationError as error:
        for finding in error.errors(include_url=False):
            wrong(finding["loc"], sentence(finding, CalibrationTable))
        return []
    digest = content_digest(table)
    made, due = _check_record(document, table, digest, drives, wrong)
    rising, falling = curve_points(table, drives.get(table.drive), wrong)
    if made is None or len(document.mistakes) > before:
        return []
    curve = CalibrationCurve(
        ref=file.stem,
        digest=digest,
        direction=Direction(table.direction),
        position_mm=tuple(x for x, _ in rising),
        torque_nm=tuple(t for _, t in rising),
        falling_mm=tuple(x for x, _ in falling),
        falling_nm=tuple(t for _, t in falling),
        valid_from_utc_ms=utc_ms(made),
        due_utc_ms=utc_ms(due),
    )
    return [CalibrationRecord(label, table.drive, table.device_serial, made, curve, tuple(table.contact_point))]


def _check_record(
    document: Document, table: CalibrationTable, digest: str, drives: Mapping[str, DriveTable], wrong: Note
) -> tuple[date | None, date | None]:
    """Check what surrounds the points; gives the dates made and due."""
    drive = drives.get(table.drive)
    known = document.names("drive")
    if known and table.drive not in known and not document.broken:
        wrong(("drive",), f"there is no drive '{table.drive}'; {nearest(table.drive, known) or 'correct or remove it'}")
    elif drive is not None and table.direction not in drive.directions:
        wrong(("direction",), f"is {table.direction}, a direction that drive.{table.drive} does not sense")
    made, due = _date(table.made_on), _date(table.due_on)
    if made is None:
        wrong(("made_on",), f"is '{table.made_on}'; expected a date such as 2026-03-14")
    if table.due_on and due is None:
        wrong(("due_on",), f"is '{table.due_on}'; expected a date such as 2028-03-14")
    if made is not None and due is not None and due <= made:
        wrong(("due_on",), f"is {due}, not after the day it was made, {made}; correct one of them")
    if table.digest and table.digest.lower() != digest:
        text = f"does not fit the content, which has {digest}; the record was changed after it was made: restore it"
        wrong(("digest",), f"{text}, or make a new record")
    return made, due


def content_digest(record: CalibrationTable) -> str:
    """SHA-256 (hex) over the record's content, its own digest apart; layout and comments of the file do not matter."""
    return hashlib.sha256(canonical(record.model_dump(exclude={"digest"}))).hexdigest()


def _date(text: str) -> date | None:
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None


def utc_ms(day: date | None) -> int:
    """Start of a day, UTC; 0 for none."""
    return int(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp() * 1000) if day else 0
