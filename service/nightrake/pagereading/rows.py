"""Journal rows for the page, the newest first: short reading transactions, bounded in time, each row with its words."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from nightrake.domain.rows import Row
from nightrake.errors import StoreError
from nightrake.journal.reader import HIGHEST
from nightrake.journal.search import Search, Wanted, has_form
from nightrake.page.journalwords import told_row
from nightrake.pagereading.limit import Limit
from nightrake.pagereading.names import Names

MOST = 500
"""Rows of one answer."""
BUDGET_S = 4.0
DAY_MS = 86_400_000
LATE = "there is more in the journal than could be looked through at once"


class TooLong(Exception):
    """More than can be looked through at once."""


class NewestFirst(Search):
    """Looks backwards, no longer than it may, and no farther than rows can fit.

    Args:
        path: The store's file. limit: Of the question.

    Raises:
        StoreError: There is no readable store, or its schema is another program's.
    """

    def __init__(self, path: Path, limit: Limit) -> None:
        super().__init__(path)
        self._limit = limit

    def before(self, wanted: Wanted, seq: int) -> Iterator[Row]:
        """Rows that fit below a number, the newest first; columns as the file has them.

        Raises:
            TooLong: The time is over; what was given by then is right. StoreError: The store cannot be read.
        """
        at: int | None = seq
        while at is not None:
            if self._limit.is_over(BUDGET_S):
                raise TooLong
            with self._at_once():  # the watch may move rows into a file meanwhile
                archived = self._next_archived(at, newest_first=True)
                found, last = self._page(wanted, at, archived, newest_first=True)
            for values in found:
                row = Row(*values)
                yield row._replace(urgent=bool(row.urgent), clock_trusted=bool(row.clock_trusted))
            if last is None and archived is not None:
                yield from self._of_file(archived, wanted, at, newest_first=True)
                last = archived.segment.first_seq
            elif last is not None and self._is_past(wanted, last, at):
                return
            at = last

    def _is_past(self, wanted: Wanted, first: int, before: int) -> bool:
        """Whether a page ended well before the time that is asked for; clocks that were set by less are allowed for."""
        if wanted.since_utc_ms is None:
            return False
        newest = self._ask("select max(utc_ms) from journal where seq >= ? and seq < ?", first, before)[0][0]
        return isinstance(newest, int) and newest < wanted.since_utc_ms - DAY_MS


def opened(state_dir: Path, limit: Limit) -> NewestFirst:
    """The store's journal.

    Raises:
        StoreError: See `NewestFirst`.
    """
    path = state_dir / "store.db"
    if not path.is_file():
        raise StoreError(f"{path}: there is no store; the watch makes it when it starts")
    return NewestFirst(path, limit)


def journal(state_dir: Path, names: Names, time: Limit, drive: str, before: int, limit: int) -> dict[str, Any]:
    """Rows, the newest first, each as `status.row_view` has it, and in words.

    Args:
        names: Of drives and people. time: Of the question. drive: Of this drive, "" = of all.
        before: Below this number, 0 = from the newest on. limit: At most so many.

    Raises:
        StoreError: The journal cannot be read.
    """
    found: list[dict[str, Any]] = []
    limit = max(1, min(limit, MOST))
    notes, more = [], False
    search = opened(state_dir, time)
    try:
        for row in search.before(Wanted(drive), before if before > 0 else HIGHEST):
            if len(found) == limit:
                more = True
                break
            found.append(shown(row, names))
    except TooLong:
        notes, more = [f"{LATE}; ask for rows below the last one"], bool(found)
    finally:
        search.close()
    return {"rows": found, "more": more, "notes": notes}


def shown(row: Row, names: Names) -> dict[str, Any]:
    """A row as plain values and in words; one that is damaged says so."""
    view = _view(row)
    if view is None:
        seq = row.seq if isinstance(row.seq, int) else 0
        text = "This row is damaged; nightrake journal verify says more."
        utc_ms = row.utc_ms if isinstance(row.utc_ms, int) else 0
        blank = dict.fromkeys(("id", "kind", "drive", "direction", "boot_id"), "")
        plain = {"seq": seq, "event": "row_damaged", "utc_ms": utc_ms, "mono_ns": 0, "data": {}}
        return {**blank, **plain, "about": "", "text": text, "strong": False, "clock_trusted": False}
    told = told_row(view, names.drives, names.people)
    return {**view, "about": told.about, "text": told.text, "strong": bool(told.tone)}


def _view(row: Row) -> dict[str, Any] | None:
    if not has_form(row):
        return None
    try:
        data = json.loads(row.payload)
    except (ValueError, RecursionError):
        return None
    if not isinstance(data, dict):
        return None
    names = ("id", "seq", "kind", "event", "drive", "direction", "utc_ms", "boot_id", "mono_ns", "clock_trusted")
    return {**{name: getattr(row, name) for name in names}, "data": data}
