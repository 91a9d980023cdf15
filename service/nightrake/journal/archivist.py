"""A store's archive: closed segments into files, and out of the store when that needs the room; a little at a time.

    closed segment -> archive/segment.part -> synced -> its name -> read back, row by row -> record in the store
    record, quota needs room, file still as written, past the cursors -> rows deleted, some at a time
    files beyond their share of the disk -> the oldest given up, its record kept

Up to the record nothing depends on the file, and a kill at any moment costs no more than doing it again.
"""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import apsw

from nightrake.crashpoint import reach
from nightrake.journal.archive import (
    FOLDER,
    INSERT,
    SELECT,
    Kept,
    Segment,
    Where,
    fault_of,
    kept_of,
    sha256_of,
    values_of,
)
from nightrake.journal.archivewrite import HIGHEST, Damaged, find, read_back, write
from nightrake.journal.archivewrite import ROWS as ROWS
from nightrake.journal.batch import rollback
from nightrake.journal.sql import fetch

DELETED_AT_ONCE = 2000
"""Rows deleted in one transaction."""
LOOK_S = 30.0
"""How often a closed segment is looked for."""
AGAIN_S = 300.0
"""After a file could not be written."""
PART = "segment.part"


class Archive:
    """A store's archive. Used by the writer's thread only.

    Args:
        state_dir: Folder of the store. most_bytes: Beyond this the oldest files are given up; 0 = never.

    Attributes:
        detail: Why no file could be written lately, "" = all could. written: Segments since start.
        given_up: First and last numbers of segments whose files were given up; whoever tells it empties the list.
    """

    def __init__(self, state_dir: Path, most_bytes: int = 0) -> None:
        self.folder = state_dir / FOLDER
        self.detail, self.written = "", 0
        self.given_up: list[tuple[int, int]] = []
        self._most_bytes = most_bytes
        self._db: apsw.Connection | None = None
        self._work: Iterator[None] | None = None
        self._next_look_s = time.monotonic() + LOOK_S
        self._covered = -1
        self._tidy = False

    # --- writing ------------------------------------------------------------------------------------------------------

    def go_on(self, db: apsw.Connection, until_s: float) -> None:
        """Do some of what there is to do; little more than until a moment of the monotonic clock.

        Args:
            db: The writing connection.
        """
        if db is not self._db:  # the store was begun anew
            self._db, self._work, self._covered = db, None, -1
        while time.monotonic() < until_s:
            if self._work is None:
                if time.monotonic() < self._next_look_s:
                    return
                self._next_look_s = time.monotonic() + LOOK_S
                self._work = self._run(db)
            try:
                next(self._work)
            except StopIteration:
                self._work = None
            except OSError as error:
                self._work = None
                self._next_look_s = time.monotonic() + AGAIN_S
                self.detail = f"{self.folder}: no archive can be written ({error.strerror})"
            except apsw.Error:
                self._work = None
                raise

    def _run(self, db: apsw.Connection) -> Iterator[None]:
        """All closed segments, one after the other."""
        if not self._tidy:
            self._clean_up(db)
        while (segment := self._find(db)) is not None:
            yield
            with contextlib.suppress(Damaged):
                yield from self._keep(db, segment)
            self._covered = segment.last_seq
        self.detail = ""
        self._keep_bounds(db)

    def _keep(self, db: apsw.Connection, segment: Segment) -> Iterator[None]:
        self.folder.mkdir(exist_ok=True)
        path = self.folder / segment.file_name
        part = self.folder / PART
        try:
            yield from write(db, segment, part)
            reach("before-archive-name")
            part.replace(path)
        except (OSError, Damaged):
            with contextlib.suppress(OSError):
                part.unlink(missing_ok=True)
            raise
        _sync(self.folder)
        reach("after-archive-name")
        yield from read_back(db, segment, path)
        kept = Kept(segment, path.stat().st_size, sha256_of(path), Where.BOTH)
        reach("before-archive-record")
        db.execute(INSERT, values_of(kept))
        reach("after-archive-record")
        self.written += 1

    def _clean_up(self, db: apsw.Connection) -> None:
        """What a run before has left half done: a part of a file, a file that was given up."""
        with contextlib.suppress(OSError):
            (self.folder / PART).unlink(missing_ok=True)
        for kept in _records(db, "where place = ?", int(Where.NOWHERE)):
            with contextlib.suppress(OSError):
                (self.folder / kept.segment.file_name).unlink(missing_ok=True)
        self._tidy = True

    def _find(self, db: apsw.Connection) -> Segment | None:
        """The first closed segment without a file; one that is damaged is passed over."""
        while True:
            after, before = self._gap(db)
            found = find(db, after, before)
            if found.segment is not None or not found.last_seq:
                return found.segment
            self._covered = found.last_seq

    def _gap(self, db: apsw.Connection) -> tuple[int, int]:
        """Between which numbers there are rows that no file has; at first all is looked through."""
        spans = [(k.segment.first_seq, k.segment.last_seq) for k in _records(db, "where last_seq > ?", self._covered)]
        after = self._covered
        for first, last in spans:
            if fetch(db, "select 1 from journal where seq > ? and seq < ? limit 1", (after, first)):
                return after, first
            after = self._covered = last
        return after, HIGHEST

    # --- making room --------------------------------------------------------------------------------------------------

    def drop(self, db: apsw.Connection, *, at_any_rate: bool = False) -> int:
        """Delete rows of the oldest segment that is in a file; only if the file is as it was written.

        The newest rows stay, as many as a segment has.

        Args:
            at_any_rate: Also rows that a cursor has not passed: whoever is behind gets them from the file. Better so
                than scans lost for good, when somebody has been away until the quota was full.

        Returns:
            How many were deleted.
        """
        for kept in _records(db, "where place = ? order by first_seq desc limit 1", int(Where.FILE)):
            if _has_rows(db, kept.segment):
                return _delete(db, kept.segment)  # begun before
        for kept in _records(db, "where place = ? order by first_seq limit 1", int(Where.BOTH)):
            segment = kept.segment
            newer = fetch(db, "select 1 from journal where seq > ? limit 1 offset ?", (segment.last_seq, ROWS - 1))
            if not newer or (segment.last_seq > _passed(db) and not at_any_rate):
                return 0
            if not fault_of(self.folder, kept):
                return _delete(db, segment)
            self._write_again(db, segment)
        return 0

    def _write_again(self, db: apsw.Connection, segment: Segment) -> None:
        """Its file is not what it was, and the rows are still here."""
        db.execute("delete from archive where first_seq = ?", (segment.first_seq,))
        self._covered, self._next_look_s = -1, 0.0

    def _keep_bounds(self, db: apsw.Connection) -> None:
        """Give up the oldest files where all of them have more than their share of the disk."""
        if self._most_bytes:
            statement = "select coalesce(sum(size_bytes), 0) from archive where place <> ?"
            while int(fetch(db, statement, (int(Where.NOWHERE),))[0][0]) > self._most_bytes:
                if not self.give_up_oldest(db):
                    return

    def give_up_oldest(self, db: apsw.Connection) -> bool:
        """Delete the oldest file, whose rows are nowhere else; what it held stays told in its record.

        Returns:
            False: there is none.
        """
        for kept in _records(db, "where place = ? order by first_seq limit 1", int(Where.FILE)):
            segment = kept.segment
            if _has_rows(db, segment):
                return False  # they are being deleted just now
            reach("before-give-up")
            db.execute("update archive set place = ? where first_seq = ?", (int(Where.NOWHERE), segment.first_seq))
            reach("after-give-up")
            self.given_up.append((segment.first_seq, segment.last_seq))
            with contextlib.suppress(OSError):
                (self.folder / segment.file_name).unlink(missing_ok=True)
            return True
        return False


def _records(db: apsw.Connection, where: str, *bindings: Any) -> list[Kept]:
    order = "" if "order by" in where else " order by first_seq"
    return [kept_of(values) for values in fetch(db, f"{SELECT} {where}{order}", bindings)]


def _has_rows(db: apsw.Connection, segment: Segment) -> bool:
    span = (segment.first_seq, segment.last_seq)
    return bool(fetch(db, "select 1 from journal where seq between ? and ? limit 1", span))


def _delete(db: apsw.Connection, segment: Segment) -> int:
    """Some of its rows; from the first of them on, the file is where its rows are read."""
    some = "select seq from journal where seq between ? and ? order by seq limit ?"
    db.execute("begin immediate")
    try:
        db.execute("update archive set place = ? where first_seq = ?", (int(Where.FILE), segment.first_seq))
        span = (segment.first_seq, segment.last_seq, DELETED_AT_ONCE)
        db.execute(f"delete from journal where seq in ({some})", span)
        count = int(db.changes())
        reach("before-drop")
        db.execute("commit")
    except BaseException:
        rollback(db)
        raise
    reach("after-drop")
    return count


def _passed(db: apsw.Connection) -> int:
    """Up to here every destination has had the rows; a cursor that counts scans has the row's number in `extra`."""
    at = HIGHEST
    for seq, extra in fetch(db, "select seq, cast(extra as blob) from cursor"):
        first = (extra or b"").split(b" ")[0]
        row_seq = int(first) if first.isdigit() else 0 if extra else seq
        at = min(at, row_seq if type(row_seq) is int else 0)
    return at


def _sync(folder: Path) -> None:
    fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)
