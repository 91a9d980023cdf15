"""Points and contact points from a CSV file, for people with a clipboard and for programs.

Lines that begin with ``#`` may carry the head of the record (``# made_by: F. Example``); then a header line, then rows:

    what,torque,position_mm,branch,run,contact,state
    point,8 kN*m,0.02,rising,1,,
    operated,,15.02,,,alarm A,as left
    released,,14.61,,,alarm A,as left
"""

from __future__ import annotations

import csv
import math
from collections.abc import Callable, Mapping
from dataclasses import fields, replace
from pathlib import Path

from nightrake.commissioning.points import FALLING, RISING
from nightrake.commissioning.proving import (
    AS_FOUND,
    AS_LEFT,
    About,
    ContactEdge,
    Point,
    Session,
    after,
    begun,
    contacts_adjusted,
    edge_seen,
    point_taken,
)
from nightrake.errors import CalibrationError, NightrakeError

COLUMNS = ("what", "torque", "position_mm", "branch", "run", "contact", "state")
MOST_BYTES = 1_000_000
_NUMBERS = {f.name for f in fields(About) if f.type in ("float", "float | None")}


def session_of_file(path: Path, about: About, applied: Callable[[About, str], float]) -> Session:
    """The session that a file amounts to.

    Args:
        path: The file. about: What the head is where the file does not say. applied: Turns a torque's text into N.m
            (or a pull in N, where the method measures one).

    Raises:
        CalibrationError: Names file and line.
    """
    lines = _lines_of(path)
    about = _with_head(path, about, lines)
    rows = [(n, line) for n, line in enumerate(lines, 1) if line.strip() and not line.startswith("#")]
    if not rows:
        raise CalibrationError(f"{path}: holds no rows; the first one names the columns: {','.join(COLUMNS)}")
    names = [c.strip().lower() for c in next(csv.reader([rows[0][1]]))]
    unknown = [c for c in names if c not in COLUMNS]
    if unknown or "what" not in names:
        raise CalibrationError(
            f"{path}:{rows[0][0]}: the first row has to name the columns {','.join(COLUMNS)}; "
            f"got '{','.join(names)[:80]}'"
        )
    session = after(Session(), begun(about, 0))
    for number, line in rows[1:]:
        values = dict(zip(names, [v.strip() for v in next(csv.reader([line]))], strict=False))
        try:
            session = _with_row(session, values, applied)
        except NightrakeError as error:
            raise CalibrationError(f"{path}:{number}: {error}") from error
    return session


def _lines_of(path: Path) -> list[str]:
    try:
        if path.stat().st_size > MOST_BYTES or not path.is_file():
            raise CalibrationError(f"{path}: is no file of points (a megabyte at most)")
        return path.read_text(encoding="utf-8-sig").splitlines()
    except OSError as error:
        raise CalibrationError(f"{path}: cannot be read ({error.strerror})") from error
    except UnicodeDecodeError as error:
        raise CalibrationError(f"{path}: is not UTF-8 text; save it as CSV in UTF-8") from error


def _with_head(path: Path, about: About, lines: list[str]) -> About:
    known = {f.name for f in fields(About)}
    for number, line in enumerate(lines, 1):
        key, colon, value = line.lstrip("# ").partition(":")
        key, value = key.strip(), value.strip()
        if not line.startswith("#") or not colon or key not in known:
            continue
        if key in ("drive", "direction") and value != getattr(about, key):
            raise CalibrationError(f"{path}:{number}: is for {key} {value}, but {getattr(about, key)} is to be proved")
        try:
            about = replace(about, **{key: float(value) if key in _NUMBERS else value})  # type: ignore[arg-type]
        except ValueError as error:
            raise CalibrationError(f"{path}:{number}: {key} needs a number, got '{value[:32]}'") from error
    return about


def _with_row(session: Session, row: Mapping[str, str], applied: Callable[[About, str], float]) -> Session:
    what = row.get("what", "").lower()
    if what == "point":
        return after(session, point_taken(_point(session, row, applied)))
    if what in ("operated", "released"):
        return _with_edge(session, row, operated=what == "operated")
    raise CalibrationError(f"'{what[:32]}' is none of point, operated, released")


def _point(session: Session, row: Mapping[str, str], applied: Callable[[About, str], float]) -> Point:
    about = session.about
    assert about is not None
    torque_nm = about.torque_nm(applied(about, row.get("torque", "")))
    branch, run = session.branch_of(torque_nm)
    if row.get("branch"):
        branch = row["branch"].lower()
        if branch not in (RISING, FALLING):
            raise CalibrationError(f"branch is '{branch[:32]}'; expected rising or falling")
    if row.get("run"):
        run = int(_number(row["run"], "run"))
    position_mm = _number(row.get("position_mm", ""), "position_mm")
    return Point(session.taken + 1, torque_nm, position_mm, branch, run, entered=row.get("torque", "")[:64])


def _with_edge(session: Session, row: Mapping[str, str], *, operated: bool) -> Session:
    stage, _, channel = row.get("contact", "").partition(" ")
    channel = channel.strip().upper() or "A"
    if stage.lower() not in ("alarm", "shutdown") or channel not in ("A", "B"):
        raise CalibrationError(f"contact is '{row.get('contact', '')[:32]}'; expected for instance 'alarm A'")
    state = row.get("state", "").lower() or AS_LEFT
    if state not in (AS_FOUND, AS_LEFT):
        raise CalibrationError(f"state is '{state[:32]}'; expected 'as found' or 'as left'")
    if state == AS_LEFT and not session.adjusted:
        session = after(session, contacts_adjusted())
    position_mm = _number(row.get("position_mm", ""), "position_mm")
    return after(session, edge_seen(ContactEdge(stage.lower(), channel, operated, position_mm, 0.0, True, state)))


def _number(text: str, what: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise CalibrationError(f"{what} needs a number, got '{text[:32]}'")
    return value
