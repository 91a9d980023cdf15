"""Trip records as the page lists and shows them. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple
from urllib.parse import urlencode

from nightrake.page.journalwords import Told
from nightrake.page.moments import Wall, span
from nightrake.page.torquebar import UNIT

STAGES = {"alarm": "alarm contact operated", "shutdown": "shutdown contact operated"}
TONES = {"alarm": "alarm", "shutdown": "shutdown"}
PAGE = 50
"""Records of a page."""


class TripRow(NamedTuple):
    """One record in the list.

    Attributes:
        id: Of the record. utc_ms: When the contact operated. drive: Id. name: What people call it.
        what: What operated, in words. stage, tone: For its mark. peak: Highest torque, "" where none is known.
        ended: Why and how long after it ends.
    """

    id: str
    utc_ms: int
    drive: str
    name: str
    what: str
    stage: str
    tone: str
    peak: str
    ended: str


def row_of(head: Mapping[str, Any], names: Mapping[str, str]) -> TripRow:
    """One record.

    Args:
        head: As `Reader.trips` lists it. names: Of drives, by id.
    """
    stage, drive = str(head["stage"]), str(head["drive"])
    what = STAGES.get(stage, f"{stage} operated")
    if head["direction"] not in ("", "forward"):
        what += f", {head['direction']}"
    after = span((head["to_utc_ms"] - head["utc_ms"]) / 1000)
    ended = f"still going on, {after} recorded so far" if head["open"] else f"until {after} after: {head['because']}"
    tone = TONES.get(stage, "calm")
    name = names.get(drive, str(head.get("name", "")))
    return TripRow(str(head["trip"]), head["utc_ms"], drive, name, what, stage, tone, peak_words(head["peak"]), ended)


def peak_words(peak: Mapping[str, Any] | None) -> str:
    """The highest torque of a record."""
    if peak is None or peak.get("torque_nm") is None:
        return ""
    sign = {"below": "below ", "beyond": "beyond "}.get(str(peak.get("torque_is", "")), "")
    return f"{sign}{peak['torque_nm'] / 1000:.1f} {UNIT}".replace("-", "\u2212")


class TripList(NamedTuple):
    """A page of the list.

    Attributes:
        rows: The newest first; None: they cannot be read. why_not: Then why. notes: What was left out.
        drive, stage: What is picked out, "" = all. newer, older: Addresses of the next pages, "" = there is none.
        words: Which of how many these are.
    """

    rows: list[TripRow] | None
    why_not: str
    notes: list[str]
    drive: str
    stage: str
    newer: str
    older: str
    words: str


def list_of(more: Mapping[str, Any], names: Mapping[str, str]) -> TripList:
    """A page of the list.

    Args:
        more: Of the page: ``trips``, ``more``, ``total``, ``notes``, ``drive``, ``stage``, ``skip``, ``why_not``.
    """
    heads: Sequence[Mapping[str, Any]] | None = more.get("trips")
    drive, stage = str(more.get("drive", "")), str(more.get("stage", ""))
    skip = int(more.get("skip", 0))
    rows = None if heads is None else [row_of(head, names) for head in heads]
    total = int(more.get("total", len(heads or ())))
    newer = _address(drive, stage, max(0, skip - PAGE)) if skip > 0 else ""
    older = _address(drive, stage, skip + len(heads or ())) if more.get("more") else ""
    words = f"{skip + 1} to {skip + len(rows)} of {total}" if rows and (newer or older) else ""
    return TripList(rows, str(more.get("why_not", "")), list(more.get("notes", ())), drive, stage, newer, older, words)


def _address(drive: str, stage: str, skip: int) -> str:
    given = {"drive": drive, "stage": stage, "skip": str(skip) if skip else ""}
    query = urlencode({key: value for key, value in given.items() if value})
    return f"/trips?{query}" if query else "/trips"


class TripView(NamedTuple):
    """One record's page.

    Attributes:
        row: As in the list. facts: What was known then: label and value. events: What happened in its time.
        marks: Events for the chart. from_utc_ms, to_utc_ms: The record's ends. notes: What was left out.
    """

    row: TripRow
    facts: list[tuple[str, str]]
    events: list[Told]
    marks: list[dict[str, Any]]
    from_utc_ms: int
    to_utc_ms: int
    notes: list[str]


MARKED = {
    ("drive", "shutdown_operated"): ("shutdown", "shutdown contact operated"),
    ("drive", "alarm_operated"): ("trip", "alarm contact operated"),
    ("drive", "alarm_released"): ("reset", "alarm contact released"),
    ("drive", "shutdown_released"): ("reset", "shutdown contact released"),
    ("drive", "reset"): ("reset", "reset"),
    ("drive", "test_began"): ("test", "test began"),
    ("drive", "test_ended"): ("test", "test ended"),
    ("lockout", "opened"): ("lockout", "lockout opened"),
    ("lockout", "released"): ("lockout", "lockout released"),
    ("lockout", "cancelled"): ("lockout", "lockout cancelled"),
    ("alarm", "acknowledged"): ("alarm", "acknowledged"),
}
"""Rows that the chart of a record marks, as what and with which words."""
MOST_MARKS = 200


def view_of(told: Mapping[str, Any], names: Mapping[str, str], wall: Wall) -> TripView:
    """One record.

    Args:
        told: As `Reader.trip` gives it. names: Of drives, by id.
    """
    row = row_of(told, names)
    points = [f"{p['stage']} {p['direction']} {abs(p['torque_nm']) / 1000:g} {UNIT}" for p in told["set_points"]]
    records = [f"{c['ref']} ({c['direction']})" for c in told["calibrations"]]
    lacking = "none were stated" if told["settings"] else "not on record yet"
    facts = [
        ("When", wall.full(row.utc_ms) + ("" if told["clock_trusted"] else ", by a clock that was not to be trusted")),
        ("Drive", f"{row.drive} {row.name}".strip()),
        ("Highest torque", _peak(told["peak"], row.utc_ms)),
        ("Set points then", ", ".join(points) or lacking),
        ("Calibration then", ", ".join(records) or ("none; no torque could be told" if told["settings"] else "")),
        ("Record", f"{told['readings']} readings, {told['rows']} journal rows, {row.ended}"),
        ("Settings then", ", ".join(str(digest)[:12] for digest in told["settings"])),
        *(("Remark", str(remark)) for remark in told["remarks"]),
    ]
    events = [_told(event) for event in told["events"]]
    shown = [(label, value) for label, value in facts if value]
    span_ms = int(told["from_utc_ms"]), int(told["to_utc_ms"])
    return TripView(row, shown, events, marks_of(told["events"]), *span_ms, list(told["notes"]))


def _peak(peak: Mapping[str, Any] | None, trip_ms: int) -> str:
    words = peak_words(peak)
    if not words or peak is None:
        return "no torque was told"
    seconds = (peak["utc_ms"] - trip_ms) / 1000
    if abs(seconds) < 1:
        return f"{words}, as the contact operated"
    return f"{words}, {span(abs(seconds))} {'after' if seconds > 0 else 'before'}"


def _told(event: Mapping[str, Any]) -> Told:
    """A row without the drive's name, which stands above."""
    about = str(event["about"]).partition(": ")[2]
    tone = "strong" if event["strong"] else ""
    return Told(event["seq"], event["utc_ms"], event["drive"], about[:1].upper() + about[1:], event["text"], tone)


def marks_of(events: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """What of a record's rows its chart marks: those of the drive itself, and what people did."""
    found = []
    for event in events:
        known = MARKED.get((event["kind"], event["event"]))
        if known is None:
            continue
        kind, text = known
        if event["direction"] == "reverse":
            text += ", reverse"
        found.append({"utc_ms": event["utc_ms"], "from_utc_ms": None, "kind": kind, "text": text, "seq": event["seq"]})
    return found[-MOST_MARKS:]
