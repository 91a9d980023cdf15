"""What a finished proving leaves behind: the record, the certificate, and a verdict on each contact."""

from __future__ import annotations

import datetime
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from nightrake.commissioning.contactworth import operating_torque_nm
from nightrake.commissioning.proved import Verdict, contact_figures, content_of, verdict
from nightrake.commissioning.proving import Session
from nightrake.commissioning.record import Record, make_record
from nightrake.commissioning.recordtext import record_toml
from nightrake.commissioning.refusals import Known, day_of
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
    """

    session: Session
    record: Record
    ref: str
    verdicts: tuple[Verdict, ...]


def contacts_of(drive: DriveSpec, direction: str) -> list[tuple[str, str]]:
    """(stage, channel) of one direction's contacts, alarm first."""
    found = [(str(c.id.stage), c.id.channel) for c in drive.contacts if c.id.direction == direction]
    return sorted(found)


def resolution_mm(drive: DriveSpec) -> float | None:
    """The least step of the position as it is read: one count; None where the PLC gives a floating value."""
    spec = drive.position
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
) -> Proved:
    """Fit, and judge each contact.

    Args:
        session: As it was left. drive: Its drive. today: Date of the record. ref: its reference.
        tolerance_pct: Of the set points. others: The site's other drives, for their serials.

    Raises:
        RecordRefused: No record can be made of it; says everything that is wrong.
    """
    about = session.about
    if about is None:
        raise CalibrationError("this session never began; start it anew")
    contacts = contacts_of(drive, about.direction)
    curve = drive.calibrations.get(Direction(about.direction))
    before = curve.ref if curve is not None and curve.ref != ref else ""
    content = content_of(session, contacts, str(today), resolution_mm(drive), supersedes=before)
    span_mm = max(abs(drive.position.lo_mm), abs(drive.position.hi_mm)) if drive.position else 0.0
    shutdown_nm = drive.set_point_nm(Direction(about.direction), Stage.SHUTDOWN)
    slope = slope_nm_per_mm(curve) if curve is not None and drive.device_serial else 0.0
    since = day_of(drive.device_since) if about.device_serial == drive.device_serial else None
    serials = {d.device_serial: d.id for d in others if d.device_serial and d.id != drive.id}
    record = make_record(content, Known(today, shutdown_nm, span_mm, slope, since, serials))
    return Proved(session, record, ref, _verdicts(session, drive, record, contacts, tolerance_pct))


def slope_nm_per_mm(curve: CalibrationCurve) -> float:
    """Torque for each mm of travel from the first to the last point of a record."""
    return (curve.torque_nm[-1] - curve.torque_nm[0]) / abs(curve.position_mm[-1] - curve.position_mm[0])


def _verdicts(
    session: Session, drive: DriveSpec, record: Record, contacts: list[tuple[str, str]], tolerance_pct: float
) -> tuple[Verdict, ...]:
    verdicts = []
    for figures in contact_figures(session, contacts):
        set_nm = drive.set_point_nm(Direction(record.content.direction), Stage(figures.stage))
        torque_nm, uncertainty_nm = None, 0.0
        if figures.operating_mm is not None:
            torque_nm, uncertainty_nm = operating_torque_nm(record, figures.operating_mm, figures.spread_mm)
        verdicts.append(verdict(figures, set_nm, set_nm * tolerance_pct / 100.0, torque_nm, uncertainty_nm))
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
