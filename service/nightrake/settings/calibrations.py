"""Calibration record files -> `CalibrationCurve`: checked, dated, the newest in force."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from nightrake.domain.cleantext import clean
from nightrake.domain.recordcurve import curve_from, utc_ms
from nightrake.domain.recorddigest import record_digest
from nightrake.domain.site import CalibrationCurve, Direction
from nightrake.errors import Mistake
from nightrake.settings.curve import check_fitted_points, check_signs, curve_points
from nightrake.settings.folder import Document, parse
from nightrake.settings.mending import mended
from nightrake.settings.models import DriveTable
from nightrake.settings.recordmodels import CalibrationTable, ContactPoint
from nightrake.settings.storedfit import check_stored_fit
from nightrake.settings.words import nearest, sentence


@dataclass(frozen=True, slots=True)
class CalibrationRecord:
    """One record file.

    Attributes:
        file: File name as mistakes show it.
        drive, device_serial: What was measured. made_on: When.
        curve: What the core needs of it, its reference, digest and direction among that.
        contact_points: Where the contacts operated. table: Everything that the file says.
        source: The file's text, for the lines of its keys.
    """

    file: str
    drive: str
    device_serial: str
    made_on: date
    curve: CalibrationCurve
    contact_points: tuple[ContactPoint, ...]
    table: CalibrationTable
    source: Document = field(repr=False, compare=False)

    def mistake(self, key: str, text: str) -> Mistake:
        """A mistake at one of its keys."""
        return Mistake(*self.source.place((key,)), key, text)


@dataclass(frozen=True, slots=True)
class Records:
    """The record files of a folder.

    Attributes:
        in_force: For each drive and direction the newest of the device it carries, none from the future.
        unused: The others, each with the reason in a few words.
    """

    in_force: list[CalibrationRecord]
    unused: list[tuple[CalibrationRecord, str]]


def read_calibrations(document: Document, drives: Mapping[str, DriveTable], today: date) -> Records:
    """Read every record file.

    Records of an exchanged device and older ones stay in the folder as its history: they are told and not used, and a
    drive whose new device has no record yet shows no torque.
    """
    records: list[CalibrationRecord] = []
    for file in document.files("calibration") or []:
        label = f"{document.label}/calibration/{clean(file.name)}"
        loaded = parse(file, label, document.mistakes)
        if loaded is not None:
            records += _record(document, file, label, loaded, drives)
    usable = [r for r in records if _is_of_device(r, drives) and not _before_device(r, drives) and r.made_on <= today]
    force = _in_force(document, usable)
    _check_serials(document, force.values(), drives)
    used = list(force.values())
    chosen = {id(r) for r in used}
    return Records(used, [(r, _why_unused(r, drives, today)) for r in records if id(r) not in chosen])


def _why_unused(record: CalibrationRecord, drives: Mapping[str, DriveTable], today: date) -> str:
    drive = drives.get(record.drive)
    if drive is not None and not _is_of_device(record, drives):
        return f"of device '{record.device_serial}', and the drive carries '{drive.device_serial}'"
    if since := _before_device(record, drives):
        return f"of {record.made_on}, before the device came onto the drive on {since}"
    if record.made_on > today:
        return f"dated {record.made_on}, still to come"
    return f"older, of {record.made_on}"


def _in_force(document: Document, records: list[CalibrationRecord]) -> dict[tuple[str, str], CalibrationRecord]:
    """The newest record of each drive and direction; of one day's, the one that no other of that day supersedes."""
    newest: dict[tuple[str, str], list[CalibrationRecord]] = {}
    for record in records:
        held = newest.setdefault((record.drive, record.curve.direction), [])
        if not held or record.made_on > held[0].made_on:
            held[:] = [record]
        elif record.made_on == held[0].made_on:
            held.append(record)
    force = {}
    for key, held in newest.items():
        gone = {r.table.supersedes for r in held}
        left = [r for r in held if r.curve.ref not in gone] or held
        force[key] = left[0]
        for other in left[1:]:
            text = f"is the date of {left[0].file} too, for the same drive and direction; only one can be in force: "
            text += "let the later one say which it 'supersedes', or remove one"
            document.mistakes.append(other.mistake("made_on", text))
    return force


def _check_serials(document: Document, records: Iterable[CalibrationRecord], drives: Mapping[str, DriveTable]) -> None:
    """A device is on one drive: neither two drives nor records in force of two drives bear the same serial."""
    owners: dict[str, str] = {}
    for name, drive in drives.items():
        other = owners.setdefault(drive.device_serial, name) if drive.device_serial else name
        if other != name:
            text = f"is '{drive.device_serial}', the serial of drive.{other}'s device too; a device is on one drive"
            document.wrong(("drive", name, "device_serial"), f"{text}: correct one of them")
        if drive.device_since and _date(drive.device_since) is None:
            text = f"is '{drive.device_since}'; expected a date such as 2026-03-14"
            document.wrong(("drive", name, "device_since"), text)
    for record in records:
        other = owners.setdefault(record.device_serial, record.drive)
        if other != record.drive and not drives[record.drive].device_serial:
            text = f"is '{record.device_serial}', the serial of drive.{other}'s device too; a device is on one drive"
            document.mistakes.append(record.mistake("device_serial", f"{text}: correct one of them"))


def _is_of_device(record: CalibrationRecord, drives: Mapping[str, DriveTable]) -> bool:
    drive = drives.get(record.drive)
    return drive is not None and drive.device_serial in ("", record.device_serial)


def _before_device(record: CalibrationRecord, drives: Mapping[str, DriveTable]) -> date | None:
    """The day from which the drive has had its device, where the record is of that serial and older; else None."""
    drive = drives.get(record.drive)
    since = _date(drive.device_since) if drive is not None else None
    own = drive is not None and drive.device_serial == record.device_serial
    return since if own and since is not None and record.made_on < since else None


def _record(
    document: Document,
    file: Path,
    label: str,
    loaded: tuple[dict[str, Any], str],
    drives: Mapping[str, DriveTable],
) -> list[CalibrationRecord]:
    """The record in a list, or, with mistakes noted, an empty one."""
    tables, text = loaded
    record = Document(document.folder)
    record.label = label
    record.put_text(label, text)
    for key in ("made_on", "due_on"):
        if isinstance(tables.get(key), date):
            tables[key] = tables[key].isoformat()  # TOML's own dates are as good as quoted ones
    table: CalibrationTable | None
    try:
        table = CalibrationTable.model_validate(tables)
    except ValidationError as error:
        for finding in error.errors(include_url=False):
            record.wrong(finding["loc"], sentence(finding, CalibrationTable))
        table, spoilt = mended(tables, CalibrationTable)
        record.spoil(spoilt)
    made = curve = digest = None
    if table is not None:
        digest = content_digest(table)
        made, due = _check_record(document, table, digest, drives, record)
        curve = _curve(table, file.stem, digest, (made, due), drives.get(table.drive), record)
    document.mistakes += record.mistakes
    if table is None or curve is None or made is None or record.mistakes:
        return []
    points = tuple(table.contact_point)
    return [CalibrationRecord(label, table.drive, table.device_serial, made, curve, points, table, record)]


def _curve(
    table: CalibrationTable,
    ref: str,
    digest: str,
    days: tuple[date | None, date | None],
    drive: DriveTable | None,
    record: Document,
) -> CalibrationCurve | None:
    """The curve by the record's own fit, or straight segments through the rising branch of a record without one."""
    if any(record.holds_spoilt((key,)) for key in ("point", "fit", "direction")):
        check_signs(table, lambda path, text: record.wrong(path, text, ("direction",)))
        return None
    if table.fit is not None:
        before = len(record.mistakes)
        check_fitted_points(table, drive, record.wrong)
        check_stored_fit(table.fit, record.wrong)
        return None if len(record.mistakes) > before else curve_from(table.model_dump(), ref, digest)
    rising, falling = curve_points(table, drive, record.wrong)
    if not rising:
        return None
    return CalibrationCurve(
        ref=ref,
        digest=digest,
        direction=Direction(table.direction),
        position_mm=tuple(x for x, _ in rising),
        torque_nm=tuple(t for _, t in rising),
        falling_mm=tuple(x for x, _ in falling),
        falling_nm=tuple(t for _, t in falling),
        valid_from_utc_ms=utc_ms(days[0]),
        due_utc_ms=utc_ms(days[1]),
    )


def _check_record(
    document: Document, table: CalibrationTable, digest: str, drives: Mapping[str, DriveTable], record: Document
) -> tuple[date | None, date | None]:
    """Check what surrounds the points; gives the dates made and due."""
    wrong = record.wrong
    drive = drives.get(table.drive)
    known = document.names("drive")
    if known and table.drive not in known and not document.broken:
        wrong(("drive",), _no_drive(table.drive, known))
    elif (
        drive is not None
        and table.direction not in drive.directions
        and not document.holds_spoilt(("drive", table.drive, "directions"))
    ):
        wrong(("direction",), f"is {table.direction}, a direction that drive.{table.drive} does not sense")
    made, due = _date(table.made_on), _date(table.due_on)
    if made is None:
        wrong(("made_on",), f"is '{table.made_on}'; expected a date such as 2026-03-14")
    if table.due_on and due is None:
        wrong(("due_on",), f"is '{table.due_on}'; expected a date such as 2028-03-14")
    if made is not None and due is not None and due <= made:
        wrong(("due_on",), f"is {due}, not after the day it was made, {made}; correct one of them")
    if table.fit is not None and table.format is None:
        wrong(("fit",), "needs format = 1 and a digest above it; make the record anew, or leave [fit] out")
    if table.format is not None and not table.digest:
        wrong(("digest",), "is missing; a record of format 1 carries the digest that it was made with: restore it")
    if table.digest and table.digest.lower() != digest and not record.holds_spoilt(()):
        text = f"does not fit the content, which has {digest}; the record was changed after it was made: restore it"
        wrong(("digest",), f"{text}, or make a new record")
    return made, due


def _no_drive(drive: str, known: Iterable[str]) -> str:
    """What to do about a record of no drive.

    It is a mistake and no doubt, although a drive that was taken out leaves one behind: a slip of the pen, or a drive
    that got another name, looks the same from here, and would go on with an older record or with no torque at all.
    """
    hint = nearest(drive, known)
    gone = f"{hint} If it was taken out" if hint else "correct the name, or if it was taken out"
    return f"there is no drive '{drive}'; {gone}, move this file away, such as into a folder calibration/gone"


def content_digest(record: CalibrationTable) -> str:
    """SHA-256 (hex) over the record's content, its own digest apart; layout and comments of the file do not matter."""
    return record_digest(record.model_dump())


def _date(text: str) -> date | None:
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None
