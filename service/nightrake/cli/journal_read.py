"""`nightrake journal read`: rows for people at 80 columns, or as lines of JSON."""

from __future__ import annotations

import base64
import json
import textwrap
from collections.abc import Iterator, Mapping
from itertools import islice
from pathlib import Path
from typing import Any

from nightrake.alarms.accountwords import alarm_words, call_words, check_words, lockout_words, refused_words, title_of
from nightrake.alarms.deliverywords import is_about_alarm
from nightrake.alarms.pagewords import page_words
from nightrake.alarms.told import Fact, fact_of, stamp
from nightrake.cli.journal_wanted import Chosen, Filters, day_of_row, searching, zone_at
from nightrake.cli.text import event_text
from nightrake.domain.cleantext import clean
from nightrake.domain.rows import Row
from nightrake.settings import Settings, load

WIDTH = 80
LAST = 50


def run_read(
    folder: Path, overrides: Mapping[str, str | int | float], filters: Filters, last: int | None, *, as_json: bool
) -> int:
    """Print rows; exit code 0.

    Raises:
        NightrakeError: Folder, store or a filter is wrong.
    """
    settings = load(folder, overrides)
    with searching(settings) as search:
        chosen = Chosen(settings, search, filters)
        count = last if last is not None else 0 if filters.since else LAST
        if count:
            newest = islice(chosen.of(search.rows(chosen.wanted, newest_first=True)), count)
            rows: Iterator[Row] = iter(list(newest)[::-1])
        else:
            rows = chosen.of(search.rows(chosen.wanted))
        lines = map(json_line, rows) if as_json else read_lines(rows, settings)
        some = False
        for line in lines:
            some = True
            print(line)
        chosen.check_person()
        if not some and not as_json:
            print("No row fits.")
    return 0


def json_line(row: Row) -> str:
    """A row as one line of JSON: all that is kept of it, so that its hash can be computed anew. ASCII only."""
    return json.dumps(row_object(row), separators=(",", ":"))


def row_object(row: Row) -> dict[str, Any]:
    """A row as plain values; a payload that is no JSON is kept as base64."""
    data: dict[str, Any]
    try:
        data = {"data": json.loads(row.payload)}
    except (ValueError, RecursionError):
        data = {"data": None, "payload_base64": base64.b64encode(row.payload).decode()}
    head = row._asdict()
    del head["payload"]
    hashes = {"prev_hash": row.prev_hash.hex(), "hash": row.hash.hex()}
    return {"id": row.id, **head, **hashes, **data}


def read_lines(rows: Iterator[Row], settings: Settings) -> Iterator[str]:
    """Rows under their dates: time, number, what was."""
    day, untrusted = "", False
    names = {i: d.name for i, d in settings.site.drives.items()}
    for row in rows:
        zone = zone_at(settings, row.utc_ms)
        date = day_of_row(zone, row.utc_ms)
        shown = f"{date:%A} {date.isoformat()}" if date else "A clock without a date"
        if shown != day:
            day = shown
            yield f"{day} ({zone.name})"
        at = stamp(zone, row.utc_ms)[11:] if date else "--:--:--"
        untrusted = untrusted or not row.clock_trusted
        begin = f"  {at}{' ' if row.clock_trusted else '~'} {row.seq:>6}  "
        text = begin + row_text(fact_of(row), row, names)
        yield from textwrap.wrap(text, WIDTH, subsequent_indent=" " * len(begin), break_on_hyphens=False)
    if untrusted:
        yield "~ = the clock could not be trusted then."


def row_text(fact: Fact, row: Row, drive_names: Mapping[str, str]) -> str:
    """One row in words."""
    alarm = fact.text("alarm")
    if fact.kind == "call" and not is_about_alarm(fact):
        return check_words(fact)
    if fact.kind == "page":
        return page_words(fact)
    if fact.kind == "lockout":
        return f"{fact.drive} lockout {fact.count('lockout')}: {lockout_words(fact)}"
    if fact.kind == "command":
        about = alarm or fact.drive
        return f"{about}: {refused_words(fact)}" if about else refused_words(fact)
    if alarm and fact.kind in ("alarm", "call"):
        number = f" [{fact.count('occurrence')}]" if fact.count("occurrence") else ""
        return f"{title_of(alarm, drive_names)}{number}. {_alarm_text(fact)}"
    whole = {"event": fact.event, "drive": fact.drive, "direction": fact.direction, "utc_ms": 0, "data": fact.data}
    try:
        return event_text(whole)[10:]
    except (TypeError, ValueError, KeyError, AttributeError):  # a payload that was tampered with, or of a later version
        return clean(f"{fact.drive} {row.event.replace('_', ' ')}".strip())


def _alarm_text(fact: Fact) -> str:
    if fact.event == "acknowledged":
        return f"{fact.text('actor') or 'Somebody'} acknowledged it."
    if fact.event == "calls_answered":
        return f"{fact.text('actor') or 'Somebody'} answered for it; its calls end."
    return call_words(fact) if fact.kind == "call" else alarm_words(fact)
