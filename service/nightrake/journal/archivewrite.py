"""A closed segment on its way from the store into a file, in steps of some milliseconds: found, written, read back.

A segment with a row that does not fit its own hash is left in the store for whoever wants to look.
"""

from __future__ import annotations

import gzip
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import apsw

from nightrake.crashpoint import reach
from nightrake.domain.rows import Row
from nightrake.journal.archive import UNREADABLE, Segment, head_line, row_line, rows_in
from nightrake.journal.damage import fits_its_hash
from nightrake.journal.sql import fetch

ROWS = 10_000
"""Rows of a closed segment: days of a quiet site, under a megabyte in its file."""
BYTES = 8 * 1024 * 1024
"""Payload of a segment, which is closed earlier where its rows are large."""
SLICE = 200
"""Rows taken at a time, some milliseconds."""
LEVEL = 6
HIGHEST = 2**63 - 1
_COLUMNS = ", ".join(Row._fields)
_WALK = (
    "select seq, length(payload), cast(epoch as blob), utc_ms, cast(drive as blob), prev_hash, hash from journal"
    " where seq > ? and seq < ? order by seq limit ?"
)


class Damaged(Exception):
    """A row of the segment does not fit, or the file does not read back."""


class Found(NamedTuple):
    """What was found between two numbers.

    Attributes:
        segment: A closed segment; None: none, or one that has not the form of rows.
        last_seq: The last number of what was looked at, 0 = there is nothing closed.
    """

    segment: Segment | None
    last_seq: int


def find(db: apsw.Connection, after: int, before: int) -> Found:
    """The first closed segment between two numbers; up to a segment that has a file, whatever is there is closed."""
    seen, closed = _Seen(), before < HIGHEST
    cursor = db.cursor()
    try:
        for row in cursor.execute(_WALK, (after, before, ROWS + 1)):
            if seen.ends_before(row):
                closed = True
                break
            seen.take(row)
    finally:
        cursor.close()
    return Found(seen.segment(), seen.last_seq) if closed and seen.rows else Found(None, 0)


class _Seen:
    """What `_WALK` gave so far."""

    def __init__(self) -> None:
        self.rows = self.last_seq = self._first_seq = self._size = 0
        self._ends: tuple[Any, Any] = (None, None)
        self._epoch: Any = None
        self._stamps: tuple[Any, Any] = (HIGHEST, -HIGHEST)
        self._drives: set[Any] = set()
        self._has_form = True

    def ends_before(self, row: tuple[Any, ...]) -> bool:
        """Whether the segment is closed without this row."""
        too_large = self._size + (row[1] or 0) > BYTES
        return self.rows > 0 and (self.rows == ROWS or too_large or row[2] != self._epoch)

    def take(self, row: tuple[Any, ...]) -> None:
        """One row more."""
        seq, size, epoch, utc_ms, drive, prev_hash, own_hash = row
        if not self.rows:
            self._first_seq, self._epoch, self._ends = seq, epoch, (prev_hash, None)
        self.rows, self.last_seq, self._size = self.rows + 1, seq, self._size + (size or 0)
        self._ends = (self._ends[0], own_hash)
        self._drives.add(drive or b"")
        if type(utc_ms) is int:
            self._stamps = (min(self._stamps[0], utc_ms), max(self._stamps[1], utc_ms))
        else:
            self._has_form = False

    def segment(self) -> Segment | None:
        """All of it; None where a row has not the form of one."""
        if not self._has_form or not all(type(h) is bytes for h in self._ends):
            return None
        drives = sorted({drive.decode(errors="replace") for drive in self._drives} - {""})
        epoch = (self._epoch or b"").decode(errors="replace")
        span = (self._first_seq, self.last_seq, self.rows)
        return Segment(*span, epoch, *self._ends, *self._stamps, tuple(drives))


def _slices(db: apsw.Connection, segment: Segment) -> Iterator[list[Row]]:
    """Its rows as the store has them.

    Raises:
        Damaged: One has not the form of a row, or does not fit its own hash.
    """
    at = segment.first_seq - 1
    while at < segment.last_seq:
        statement = f"select {_COLUMNS} from journal where seq > ? and seq <= ? order by seq limit ?"
        try:
            found = [Row(*v) for v in fetch(db, statement, (at, segment.last_seq, SLICE))]
        except UnicodeDecodeError:
            raise Damaged from None
        rows = [r._replace(urgent=bool(r.urgent), clock_trusted=bool(r.clock_trusted)) for r in found]
        if not rows or not all(row.epoch == segment.epoch and fits_its_hash(row) for row in rows):
            raise Damaged
        at = rows[-1].seq
        yield rows


def write(db: apsw.Connection, segment: Segment, part: Path) -> Iterator[None]:
    """Write a segment's rows into a file, and sync it."""
    last_hash, count = b"", 0
    with part.open("wb") as file:
        with gzip.GzipFile("", "wb", LEVEL, file, mtime=0) as out:
            out.write(head_line(segment))
            for rows in _slices(db, segment):
                for row in rows:
                    out.write(row_line(row, last_hash))
                    last_hash = row.hash
                count += len(rows)
                reach("mid-archive")
                yield
        if count != segment.rows:
            raise Damaged
        file.flush()
        os.fsync(file.fileno())


def read_back(db: apsw.Connection, segment: Segment, path: Path) -> Iterator[None]:
    """Hold every row of the file against the one in the store.

    Raises:
        Damaged: They differ.
    """
    written = rows_in(path, segment)
    try:
        for rows in _slices(db, segment):
            for row in rows:
                if next(written, None) != row:
                    raise Damaged
            yield
        if next(written, None) is not None:
            raise Damaged
    except UNREADABLE:
        raise Damaged from None
