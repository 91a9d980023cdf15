"""What a finished proving leaves behind: the record, the certificate, and a verdict on each contact."""

from __future__ import annotations

import contextlib
import datetime
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from nightrake.commissioning.contactworth import ContactWorth, contact_worth
from nightrake.commissioning.mixups import slope_of
from nightrake.commissioning.points import CalibrationPoint
from nightrake.commissioning.proved import contact_figures, content_of, strange_contacts
from nightrake.commissioning.proving import About, Session
from nightrake.commissioning.record import Record, curve_of, make_record
from nightrake.commissioning.recordremarks import MARK, remarks
from nightrake.commissioning.recordtext import record_toml
from nightrake.commissioning.refusals import Known, RecordRefused, day_of
from nightrake.commissioning.specification import Specification
from nightrake.commissioning.stated import read_specification
from nightrake.commissioning.surroundings import NOTHING_KNOWN, surroundings
from nightrake.commissioning.verdicts import Verdict, verdict
from nightrake.domain.recordstep import step_between
from nightrake.domain.site import CalibrationCurve, Direction, DriveSpec, PositionSignal, Stage
from nightrake.errors import CalibrationError

TOLERANCE_PCT = 5.0
"""How far a contact may operate from its set point where no specification says it, % of it (common practice, no
source)."""


@dataclass(frozen=True, slots=True)
class Proved:
    """A finished proving.

    Attributes:
        session: What was done. record: The record made of it. ref: Its reference. verdicts: One for each contact.
        remarks: What has to be said of the record: a curve that does not fit, an uncertainty that lacks a source.
        step: That it says another torque than the record before it, "" = it does not.
    """

    session: Session
    record: Record
    ref: str
    verdicts: tuple[Verdict, ...]
    remarks: tuple[str, ...] = ()
    step: str = ""


def contacts_of(drive: DriveSpec, direction: str) -> list[tuple[str, str]]:
    """(stage, channel) of one direction's contacts, alarm first."""
    found = [(str(c.id.stage), c.id.channel) for c in drive.contacts if c.id.direction == direction]
    return sorted(found)


def resolution_mm(drive: DriveSpec, stated: Specification | None = None) -> float | None:
    """The least step of the position as it is read: what the specification says, else one count.

    None where the PLC gives a floating value and nothing is stated.
    """
    spec = drive.position
    if stated is not None and stated.resolution_m is not None:
        return round(1000.0 * stated.resolution_m, 9)
    if spec is None or spec.point.type == "float32":
        return None
    if spec.signal is PositionSignal.SCALED:
        return abs(spec.point.scale)
    return abs(spec.point.scale * (spec.hi_mm - spec.lo_mm) / (spec.hi - spec.lo))


def prove(
    session: Session,
    drive: DriveSpec,
    today: datetime.date,
    ref: str,
    tolerance_pct: float = TOLERANCE_PCT,
    others: Sequence[DriveSpec] = (),
    specification: Mapping[str, Any] | None = None,
    serial_before: str = "",
) -> Proved:
    """Fit, and judge each contact.

    Args:
        session: As it was left. drive: Its drive. today: Date of the record. ref: its reference.
        tolerance_pct: Of the set points. others: The site's other drives, for their serials.
        specification: The drive's specification as its table, for transducer and temperature; None = it has none.
        serial_before: Of the device of the record in force, "" = that of the drive.

    Raises:
        RecordRefused: No record can be made of it; says everything that is wrong.
    """
    about = session.about
    if about is None:
        raise CalibrationError("this session never began; start it anew")
    contacts = contacts_of(drive, about.direction)
    must_be_of_drive(session, drive, contacts)
    stated = None if specification is None else read_specification(drive, specification)[0]
    around = NOTHING_KNOWN if stated is None else surroundings(stated, about.direction, about.ambient_c)
    curve = drive.calibrations.get(Direction(about.direction))
    before = curve.ref if curve is not None and curve.ref != ref else ""
    step_mm = resolution_mm(drive, stated)
    within_mm = _within_mm(session, drive, tolerance_pct)
    content = content_of(
        session, contacts, str(today), step_mm, supersedes=before, surroundings=around, within_mm=within_mm
    )
    is_same = (serial_before or drive.device_serial) == about.device_serial and not about.altered
    compared = curve if is_same else None
    record = make_record(content, _known(about, drive, today, others, compared))
    judged = _Judged(drive, contacts, tolerance_pct, within_mm, None if stated is None else stated.differential_m)
    step = step_between(compared, curve_of(record)) if compared is not None else None
    told = "" if step is None else step.text
    return Proved(session, record, ref, judged.verdicts(session, record), tuple(remarks(record)), told)


def _within_mm(session: Session, drive: DriveSpec, tolerance_pct: float) -> dict[str, float]:
    """Stage -> the tolerance of its set point as a way of the arm; stages without one are left out."""
    assert session.about is not None
    direction = Direction(session.about.direction)
    slope = slope_of([CalibrationPoint(p.torque_nm, p.position_mm) for p in session.points]) if session.points else 0.0
    set_nm = {str(stage): drive.set_point_nm(direction, stage) for stage in Stage}
    return {s: t * tolerance_pct / 100.0 / slope for s, t in set_nm.items() if t and slope > 0.0}


def must_be_of_drive(session: Session, drive: DriveSpec, contacts: Sequence[tuple[str, str]]) -> None:
    """A record of another device would lie in the folder unused; a contact that is not there cannot be proved.

    Raises:
        RecordRefused: Says which serial or contact is not this drive's.
    """
    about = session.about
    assert about is not None
    wrong = []
    if drive.device_serial and about.device_serial != drive.device_serial:
        wrong.append(
            f"device_serial is '{about.device_serial}', but by the settings drive {drive.id} carries "
            f"'{drive.device_serial}', so the watch would not use this record; correct the serial, or where the device "
            f"was exchanged first set device_serial and device_since of {drive.id}"
        )
    names = ", ".join(f"{stage} {channel}" for stage, channel in contacts) or "none"
    wrong += [
        f"contact '{name}' is none of {drive.id} {about.direction}, which has {names}; correct that, or the settings"
        for name in strange_contacts(session, contacts)
    ]
    if wrong:
        raise RecordRefused(wrong)


def _known(
    about: About,
    drive: DriveSpec,
    today: datetime.date,
    others: Sequence[DriveSpec],
    compared: CalibrationCurve | None,
) -> Known:
    """What the record is held against; its slope only against a record of the same device, as it was then."""
    direction = Direction(about.direction)
    return Known(
        today=today,
        shutdown_nm=drive.set_point_nm(direction, Stage.SHUTDOWN),
        span_mm=max(abs(drive.position.lo_mm), abs(drive.position.hi_mm)) if drive.position else 0.0,
        nm_per_mm=slope_nm_per_mm(compared) if compared is not None else 0.0,
        drive_since=day_of(drive.device_since) if about.device_serial == drive.device_serial else None,
        serials={d.device_serial: d.id for d in others if d.device_serial and d.id != drive.id},
    )


def slope_nm_per_mm(curve: CalibrationCurve) -> float:
    """Torque for each mm of travel from the first to the last point of a record."""
    return (curve.torque_nm[-1] - curve.torque_nm[0]) / abs(curve.position_mm[-1] - curve.position_mm[0])


@dataclass(frozen=True, slots=True)
class _Judged:
    """What contacts are judged by."""

    drive: DriveSpec
    contacts: list[tuple[str, str]]
    tolerance_pct: float
    within_mm: Mapping[str, float]
    differential_m: float | None

    def verdicts(self, session: Session, record: Record) -> tuple[Verdict, ...]:
        verdicts = []
        mark = MARK if record.budget.left_out else ""
        differential_mm = None if self.differential_m is None else round(1000.0 * self.differential_m, 6)
        for figures in contact_figures(session, self.contacts, self.within_mm):
            set_nm = self.drive.set_point_nm(Direction(record.content.direction), Stage(figures.stage))
            worth = ContactWorth(None, 0.0)
            if figures.operated_mm:
                worth = contact_worth(record, figures.operated_mm, figures.spread_mm)
            tolerance_nm = set_nm * self.tolerance_pct / 100.0
            verdicts.append(verdict(figures, set_nm, tolerance_nm, worth, mark, differential_mm))
        return tuple(verdicts)


def free_ref(folder: Path, drive: str, direction: str, today: datetime.date) -> str:
    """A reference for the record that no file has: drive, direction, date, and a number from the second on."""
    for number in range(1, 1000):
        ref = f"{drive}-{direction}-{today}" + (f"-{number}" if number > 1 else "")
        if not (folder / f"{ref}.toml").exists():
            return ref
    raise CalibrationError(f"{folder}: holds a thousand records of {drive} {direction} of {today}; move some away")


def write_record(folder: Path, proved: Proved) -> Path:
    """Write the record, whole or not at all; a file that is there is never touched.

    Raises:
        CalibrationError: The disk does not take it, or another record has appeared under its name meanwhile.
    """
    path, text = folder / f"{proved.ref}.toml", record_toml(proved.record)
    if path.exists() and path.read_text(encoding="utf-8", errors="replace") == text:
        return path  # written before the last stop
    return write_whole(path, text)


def write_whole(path: Path, text: str) -> Path:
    """A new file, on disk under its name only when all of it is.

    Raises:
        CalibrationError: It exists, or was not written.
    """
    temporary = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        with temporary.open("x", encoding="utf-8") as handle:
            handle.write(text)
            handle.flush()
            os.fsync(handle.fileno())
        os.link(temporary, path)  # refuses where a rename would put it over an older file
        folder = os.open(path.parent, os.O_RDONLY)
        os.fsync(folder)
        os.close(folder)
    except FileExistsError as error:
        raise CalibrationError(
            f"{path}: is there already, and a record is never edited; nothing was written"
        ) from error
    except OSError as error:
        raise CalibrationError(f"{path}: was not written ({error.strerror}); nothing is lost, repeat it") from error
    finally:
        with contextlib.suppress(
            OSError
        ):  # a disk that takes nothing lets nothing go either; its sentence is the one above
            temporary.unlink(missing_ok=True)
    return path


def direction_of(drive: DriveSpec, asked: str) -> str:
    """The direction to prove.

    Raises:
        CalibrationError: The drive senses two and none was named, or it does not sense this one.
    """
    sensed = [str(d) for d in drive.directions]
    if not asked and len(sensed) > 1:
        raise CalibrationError(f"{drive.id} senses {' and '.join(sensed)}; say which with --direction")
    if asked and asked not in sensed:
        raise CalibrationError(f"{drive.id} does not sense '{asked[:32]}'; it senses {' and '.join(sensed)}")
    return str(Direction(asked or sensed[0]))
