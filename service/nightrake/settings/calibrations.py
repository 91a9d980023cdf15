"""Calibration record files -> `CalibrationCurve`: checked, dated, the newest in force."""

from __future__ import annotations

import hashlib
from datetime import UTC, date, datetime
from itertools import pairwise
from pathlib import Path

from pydantic import ValidationError

from nightrake.domain.rows import canonical
from nightrake.domain.site import CalibrationCurve, Direction
from nightrake.errors import Mistake
from nightrake.settings.folder import Document, parse
from nightrake.settings.models import CalibrationTable, DriveTable
from nightrake.settings.words import sentence

UNIT_FACTORS = {8.85: "lbf.in instead of N.m", 12.0: "inches and feet", 1000.0: "kN.m instead of N.m", 0.001: "mN.m"}
"""Ratios that give away a mixed-up unit, with what is likely."""


def read_calibrations(
    document: Document, drives: dict[str, DriveTable], today: date
) -> dict[str, list[CalibrationCurve]]:
    """All records of the folder's ``calibration`` folder; the newest that is not in the future stands for each.

    Returns:
        Drive id -> the curve in force for each direction that has one.
    """
    newest: dict[tuple[str, str], tuple[date, CalibrationCurve]] = {}
    folder = document.folder / "calibration"
    for file in sorted(folder.glob("*.toml")) if folder.is_dir() else []:
        label = f"{document.folder.name}/calibration/{file.name}"
        loaded = parse(file, label, document.mistakes)
        if loaded is None:
            continue
        found = _record(document, file, label, loaded, drives)
        if found is None:
            continue
        record, made, curve = found
        key = (record.drive, record.direction)
        if made <= today and (key not in newest or made > newest[key][0]):
            newest[key] = (made, curve)
    result: dict[str, list[CalibrationCurve]] = {}
    for (drive, _), (_, curve) in newest.items():
        result.setdefault(drive, []).append(curve)
    return result


def _record(
    document: Document,
    file: Path,
    label: str,
    loaded: tuple[dict[str, object], dict[tuple[str | int, ...], int]],
    drives: dict[str, DriveTable],
) -> tuple[CalibrationTable, date, CalibrationCurve] | None:
    tables, lines = loaded

    def wrong(key: str, text: str) -> None:
        head = key.split(".")[0].split("[")[0]
        line = next((n for path, n in lines.items() if path and path[0] == head), 0)
        document.mistakes.append(Mistake(label, line, key, text))

    try:
        record = CalibrationTable.model_validate(tables)
    except ValidationError as error:
        for finding in error.errors(include_url=False):
            path = tuple(finding["loc"])
            line = next((lines[path[:n]] for n in range(len(path), 0, -1) if path[:n] in lines), 0)
            text = ".".join(str(p) for p in path)
            document.mistakes.append(Mistake(label, line, text, sentence(finding, CalibrationTable)))
        return None
    before = len(document.mistakes)
    drive = drives.get(record.drive)
    if drive is None:
        wrong("drive", f"there is no drive '{record.drive}' in this folder")
    elif record.direction not in drive.directions:
        wrong("direction", f"{record.drive} does not sense the {record.direction} direction")
    elif drive.device_serial and record.device_serial != drive.device_serial:
        text = f"is '{record.device_serial}', but drive.{record.drive} carries device '{drive.device_serial}'"
        wrong("device_serial", f"{text}; a record belongs to one device")
    made, due = _date(record.made_on), _date(record.due_on)
    if made is None:
        wrong("made_on", f"is '{record.made_on}'; expected a date such as 2026-03-14")
    if record.due_on and due is None:
        wrong("due_on", f"is '{record.due_on}'; expected a date such as 2027-03-14")
    digest = content_digest(record)
    if record.digest and record.digest != digest:
        wrong("digest", f"does not fit the content (which has {digest}): the record was changed after it was made")
    curve = _curve(record, file.stem, digest, made, due, wrong, drive)
    if curve is None or made is None or len(document.mistakes) > before:
        return None
    return record, made, curve


def content_digest(record: CalibrationTable) -> str:
    """SHA-256 (hex) over the record's content, its own digest apart."""
    return hashlib.sha256(canonical(record.model_dump(exclude={"digest"}))).hexdigest()


def _curve(
    record: CalibrationTable,
    ref: str,
    digest: str,
    made: date | None,
    due: date | None,
    wrong: object,
    drive: DriveTable | None,
) -> CalibrationCurve | None:
    assert callable(wrong)
    sign = -1.0 if record.direction == "reverse" else 1.0
    rising = _branch(record, "rising", sign)
    falling = _branch(record, "falling", sign)
    if len(rising) < 2:
        wrong("point", f"has {len(rising)} different rising position(s); a record needs two or more")
        return None
    for (x0, t0), (x1, t1) in pairwise(rising):
        if t1 <= t0:
            text = f"torque does not rise from {sign * x0:g} mm ({t0:g} N.m) to {sign * x1:g} mm ({t1:g} N.m)"
            wrong("point", f"{text}; a reading could not be told from these points")
            return None
    if drive is not None and drive.shutdown_nm and rising[-1][1] > 0:
        _check_units(rising[-1][1], drive.shutdown_nm, wrong)
    return CalibrationCurve(
        ref=ref,
        digest=digest,
        direction=Direction(record.direction),
        position_mm=tuple(sign * x for x, _ in rising),
        torque_nm=tuple(t for _, t in rising),
        falling_mm=tuple(sign * x for x, _ in falling),
        falling_nm=tuple(t for _, t in falling),
        valid_from_utc_ms=_utc_ms(made),
        due_utc_ms=_utc_ms(due),
    )


def _check_units(top_nm: float, shutdown_nm: float, wrong: object) -> None:
    assert callable(wrong)
    ratio = top_nm / shutdown_nm
    for factor, words in UNIT_FACTORS.items():
        for value in (factor, 1.0 / factor):
            if abs(ratio / value - 1.0) < 0.35 and not 0.4 < ratio < 2.5:
                text = f"the highest torque, {top_nm:g} N.m, is {ratio:.3g} times the drive's shutdown torque"
                wrong("point", f"{text}; were units mixed up ({words})?")
                return


def _branch(record: CalibrationTable, branch: str, sign: float) -> list[tuple[float, float]]:
    """Mean torque at each position over the runs, positions rising in magnitude."""
    by_position: dict[float, list[float]] = {}
    for point in record.point:
        if point.branch == branch:
            by_position.setdefault(sign * point.position_mm, []).append(abs(point.torque_nm))
    return [(x, sum(ts) / len(ts)) for x, ts in sorted(by_position.items())]


def _date(text: str) -> date | None:
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None


def _utc_ms(day: date | None) -> int:
    return int(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp() * 1000) if day else 0
