"""Points and contact points from a CSV file, for people with a clipboard and for programs.

Lines that begin with ``#`` carry the head of the record, a key in a line (``# made_by: F. Example``); ``##`` is a mere
comment. Then a line that names the columns, then rows:

    what,torque,position_mm,branch,run,contact,state
    point,8 kN*m,0.02,rising,1,,
    operated,,15.02,,,alarm A,as left
    released,,14.61,,,alarm A,as left
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from nightrake.cli.prove_csv import lines_of, rows_of
from nightrake.cli.prove_keys import Head
from nightrake.cli.prove_words import HEAD_NOTES
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
NUMBERS = ("torque", "position_mm", "run")
MOST_RUNS = 1000
_KEY = re.compile(r"#\s*([^:#]{1,40}?)\s*:(.*)")


def session_of_file(path: Path, head: Head, applied: Callable[[About, str], float]) -> Session:
    """The session that a file amounts to.

    Args:
        path: The file. head: What its head may say. applied: Turns a torque's text into N.m (or a pull in N, where the
            method measures one).

    Raises:
        CalibrationError: Names file and line; of the head everything that is wrong with it.
    """
    lines = lines_of(path)
    about = _about(path, head, lines)
    rows = rows_of(path, lines, COLUMNS, NUMBERS)
    session = after(Session(), begun(about, 0))
    for number, values in rows:
        try:
            session = _with_row(session, values, applied)
        except NightrakeError as error:
            raise CalibrationError(f"{path}:{number}: {error}") from error
    return session


def _about(path: Path, head: Head, lines: list[str]) -> About:
    values: dict[str, Any] = {}
    for number, line in enumerate(lines, 1):
        key, text = _head_line(line)
        if not key:
            continue
        try:
            value = head.value(key, text) if text or key not in HEAD_NOTES else None
        except NightrakeError as error:
            named = str(error) if str(error).startswith(("'", "is for")) else f"{key}: {error}"
            raise CalibrationError(f"{path}:{number}: {named}") from error
        if key in values:
            raise CalibrationError(f"{path}:{number}: {key} is given a second time; leave one of them out")
        values |= {key: value} if value is not None else {}
    about = replace(About(head.drive.id, head.direction, head.drive.device_serial, "", method=""), **values)
    wrong = head.wrongs(about)
    if wrong:
        raise CalibrationError("\n".join(f"{path}: {sentence}" for sentence in wrong))
    return about


def _head_line(line: str) -> tuple[str, str]:
    """Key and text of a line of the head; two empty texts for a comment, one with a colon among its words included.

    A key is one word; some words that nearly are a key are taken for it, and refused as unknown.
    """
    found = _KEY.match(line)
    if found is None:
        return "", ""
    key, text = found[1], found[2].strip()
    if re.fullmatch(r"\w+", key):
        return key, text
    near = difflib.get_close_matches(re.sub(r"\W+", "_", key.lower()), HEAD_NOTES, 1, 0.75)
    return (key, text) if near else ("", "")


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
        run = _run(row["run"])
    position_mm = _number(row.get("position_mm", ""), "position_mm")
    return Point(session.taken + 1, torque_nm, position_mm, branch, run, entered=row.get("torque", "")[:64])


def _run(text: str) -> int:
    value = _number(text, "run")
    if value != int(value) or not 1 <= value <= MOST_RUNS:
        raise CalibrationError(f"run is '{text[:32]}'; expected a whole number from 1 to {MOST_RUNS}")
    return int(value)


def _with_edge(session: Session, row: Mapping[str, str], *, operated: bool) -> Session:
    if row.get("torque"):
        raise CalibrationError(
            "a torque does not belong to an operation or release, whose position says it by the points; leave it empty"
        )
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
        more = "; write a decimal point" if "," in text else ""
        raise CalibrationError(f"{what} needs a number, got '{text[:32]}'{more}")
    return value
