"""A store that was cut short or overwritten under the running watch: what can be read of it goes into a new one.

What is gone is gone; but the watch still knows every state, and the numbers, so that the next start finds the latches.
"""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import Any, NamedTuple

import apsw

from nightrake.domain.rows import GENESIS
from nightrake.journal.archive import FOLDER, SELECT, Where, fault_of, kept_of
from nightrake.journal.batch import INSERT_META, rollback
from nightrake.journal.damage import WRONG
from nightrake.journal.identity import Token, home_of, new_id
from nightrake.journal.opening import connect, move_aside
from nightrake.journal.schema import migrate
from nightrake.journal.sql import fetch

WHOLE = "judgement cursor clock_segment settings layout snapshot archive dead_letter".split()
"""Small tables, copied as a whole or not at all."""
SLICE = 5000
MOST_ROWS = 50_000_000
"""No journal has that many numbers."""
TAIL_SLICES = 400
"""Of a damaged tail so many slices are tried, the newest first."""


class Saved(NamedTuple):
    """What became of it.

    Attributes:
        db: The writing connection to the new file. aside: Name under which the damaged one is kept.
        lost: First and last numbers of the journal rows that are gone.
    """

    db: apsw.Connection
    aside: str
    lost: list[tuple[int, int]]


class Salvage:
    """Saves what can be saved.

    Args:
        path: The store's file. quota_mb, vfs: See `opening.connect`. durable_seq: Highest journal number on it.
        newest_input: Highest number in the tail.
    """

    def __init__(self, path: Path, quota_mb: int, vfs: str, durable_seq: int, newest_input: int) -> None:
        self._path, self._quota_mb, self._vfs = path, quota_mb, vfs
        self._news = path.with_name(f"{path.name}.new")
        self._durable_seq, self._newest_input = durable_seq, newest_input

    def save(self, db: apsw.Connection, meta: dict[str, Any]) -> Saved:
        """Write the new file and put it in the place of the damaged one.

        Args:
            db: The damaged store; closed when everything in reach of it is copied. meta: What the new one is to say of
                itself.

        Raises:
            OSError, apsw.Error: The disk does not take it.
        """
        path, now_ms, token = self._path, time.time_ns() // 1_000_000, new_id(8)
        self._begin(meta | {"token": token}, now_ms)
        self._copy_from(db)
        with contextlib.suppress(apsw.Error):
            db.close()  # before the new file has the name: closing could take the log away that belongs to the name
        Path(f"{path}-shm").unlink(missing_ok=True)  # it says what the log should hold, not what it does
        aside = move_aside(path, now_ms)
        with contextlib.suppress(apsw.Error):
            self._copy_from(connect(path.with_name(aside), self._quota_mb, self._vfs), close=True)
        self._take_from_files()
        lost = self._lost()
        os.rename(self._news, path)
        Token(path.parent).write(token)
        return Saved(connect(path, self._quota_mb, self._vfs), aside, lost)

    def _begin(self, meta: dict[str, Any], now_ms: int) -> None:
        news = self._news
        for tail in ("", "-wal", "-shm", "-journal"):
            Path(f"{news}{tail}").unlink(missing_ok=True)
        fresh = connect(news, self._quota_mb, self._vfs)
        try:
            migrate(fresh, str(news), now_ms)
            fresh.executemany(INSERT_META, (meta | {"home": home_of(news)}).items())
        finally:
            fresh.close()

    def _copy_from(self, db: apsw.Connection, *, close: bool = False) -> None:
        """SQLite itself copies, so that no value is taken apart on the way; what is there already stays."""
        rollback(db)
        try:
            db.execute("attach ? as fresh", (str(self._news),))
            for table in WHOLE:
                _copied(db, f"insert or ignore into fresh.{table} select * from main.{table}")
            for first, last in _runs(self._durable_seq):
                _copied(db, _SOME.format(table="journal"), first, last)
            if not _copied(db, "insert or ignore into fresh.tail select * from main.tail"):
                for first, last in islice(_runs(self._newest_input), TAIL_SLICES):
                    _copied(db, _SOME.format(table="tail"), first, last)
            db.execute("detach fresh")
        except apsw.Error:
            return  # not even that: nothing of it can be read
        finally:
            if close:
                db.close()

    def _take_from_files(self) -> None:
        """Archived segments whose rows the damaged file has lost: from now on their files are what is read."""
        fresh = connect(self._news, self._quota_mb, self._vfs)
        try:
            for kept in map(kept_of, fetch(fresh, f"{SELECT} where place = ?", (int(Where.BOTH),))):
                span = (kept.segment.first_seq, kept.segment.last_seq)
                count = fetch(fresh, "select count(*) from journal where seq between ? and ?", span)[0][0]
                if count < kept.segment.rows and not fault_of(self._path.parent / FOLDER, kept):
                    fresh.execute("update archive set place = ? where first_seq = ?", (int(Where.FILE), span[0]))
                    fresh.execute("delete from journal where seq between ? and ?", span)
        except (apsw.Error, *WRONG):
            rollback(fresh)  # then they count as lost
        finally:
            fresh.close()

    def _lost(self) -> list[tuple[int, int]]:
        """Where the chain in the new file has a gap, and what was on disk behind its end."""
        lost, last_seq, last_hash = list[tuple[int, int]](), 0, GENESIS
        fresh = connect(self._news, self._quota_mb, self._vfs)
        try:
            for first, last, prev_hash, own_hash in fetch(fresh, _RUNS):
                if last <= last_seq:
                    continue  # not yet deleted of a segment that is in its file
                if prev_hash != last_hash and last_seq + 1 < first:
                    lost.append((last_seq + 1, first - 1))
                last_seq, last_hash = last, own_hash
        finally:
            fresh.close()
        return [*lost, (last_seq + 1, self._durable_seq)] if last_seq < self._durable_seq else lost


_RUNS = (
    "select seq, seq, prev_hash, hash from journal union all"
    " select first_seq, last_seq, prev_hash, hash from archive where place > 0 order by 1, 2 desc"
)
"""What there is of the journal: rows, and segments of which only the file is there."""
_SOME = "insert or ignore into fresh.{table} select * from main.{table} where seq between ? and ?"


def _copied(db: apsw.Connection, statement: str, *bindings: int) -> bool:
    try:
        db.execute(statement, bindings)
    except apsw.Error:
        return False
    return True


def _runs(last_seq: int) -> Iterator[tuple[int, int]]:
    """The newest first."""
    for last in range(last_seq, max(0, last_seq - MOST_ROWS), -SLICE):
        yield max(1, last - SLICE + 1), last
