"""Making room: retention of the hot tail, the quota, and the ballast that a full disk is freed with.

On a full disk even a DELETE fails, for the write-ahead log has to grow first. So a file of our own is given up, and
the log keeps some megabytes when it is reset. Then the oldest tail goes, and with it the read plans by which no record
is left to be understood. Journal rows go only when they are in a file (`archivist`), states and cursors never; and
whether a tail record was forwarded does not matter here.
"""

from __future__ import annotations

import contextlib
import json
import os
import time
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import apsw

from nightrake.crashpoint import reach
from nightrake.domain.rows import TailRecord
from nightrake.journal.archivist import Archive
from nightrake.journal.batch import INSERT_META, Batch, rollback
from nightrake.journal.boots import Boot, number_of
from nightrake.journal.damage import WRONG
from nightrake.journal.sql import fetch

SLICE = 2000
"""Tail records deleted in one transaction, so that no commit waits long behind one (some milliseconds)."""
QUOTA_HIGH = 0.85
"""Share of the quota above which the oldest tail goes."""
LITTLE_BYTES = 16 * 1024 * 1024
"""Less than this left on the disk (or twice the ballast) counts as nearly full."""
CALM = 1.25
"""It counts as nearly full until this many times as much is left, so that nobody is told back and forth."""
VACUUM_PAGES = 1000
"""Free pages given back to the disk at a time, 4 MiB."""
DEAD_LETTERS = 10_000
"""As many refused lines are kept."""
SEGMENTS = 10_000
"""As many clock segments are kept; a clock that is set eight times a second makes as many in twenty minutes."""
PLANS_PERIOD_S = 60.0
"""How often read plans, clock segments and refused lines are looked through."""
PLANS = 20
"""Read plans deleted at once: each may have a hundred kilobytes."""
PLANS_KEY = "plans"
"""Up to where each read plan was used, in the store's meta."""
PUT_LAYOUT = "insert or ignore into layout(layout, content) values(?, ?)"
_OLD = "select seq from tail where seq < ?1 order by seq limit ?2"
_HIGHEST = 2**63 - 1


class Room:
    """Keeps the store within its quota and the disk usable.

    Args:
        state_dir: Where the ballast lies.
        ballast_mb: Its size in MiB, 0 = none.
        keep_ns: Retention of the tail, in time for which the machine ran: age is measured by the monotonic clock, so
            that a clock set forward by mistake deletes nothing, in this run or at the next start.
        boots: See `Opened.boots`. most_archive_bytes: See `Archive`.
    """

    def __init__(
        self, state_dir: Path, ballast_mb: int, keep_ns: int, boots: Sequence[Boot], most_archive_bytes: int = 0
    ) -> None:
        self.archive = Archive(state_dir, most_archive_bytes)
        self._dir = state_dir
        self._ballast = state_dir / "ballast"
        self._size = ballast_mb * 1024 * 1024
        self._keep_ns = keep_ns
        self._boots = boots
        self._little_bytes = max(LITTLE_BYTES, 2 * self._size)
        self._low = False
        self._used: dict[str, int] = {}
        self._now: dict[str, str] = {}
        self._first_seq = self._last_seq = 0
        self._next_plans_s = 0.0
        self.sealed_seq: int | None = None
        """Up to which input the tail is sealed elsewhere; what comes after waits for it, whatever its age."""
        self.lost_unsealed = 0
        self._remembered = ""

    def note(self, newer: Batch) -> None:
        """Hear what is to be written, before it is: which read plans are in use."""
        for record in newer.tail:
            self._last_seq = record.seq
            if record.layout:
                self._used[record.layout] = record.seq
                self._now[record.endpoint] = record.layout
        if newer.tail and not self._first_seq:
            self._first_seq = newer.tail[0].seq
        for statement, bindings in newer.extra:
            if statement == PUT_LAYOUT:  # its first scan follows
                self._used[bindings[0]] = self._last_seq

    def lay_ballast(self) -> None:
        """Put the ballast in place, unless it is there or the disk has less than four times its size left."""
        if not self._size:
            return
        try:
            if self._ballast.exists() and self._ballast.stat().st_size == self._size:
                return
            if self.free_bytes() < 4 * self._size:
                return
            with self._ballast.open("wb") as file:
                os.posix_fallocate(file.fileno(), 0, self._size)
        except OSError:
            self.drop_ballast()

    def drop_ballast(self) -> None:
        """Give the ballast's space back to the disk."""
        with contextlib.suppress(OSError):
            self._ballast.unlink(missing_ok=True)

    def free_bytes(self) -> int:
        """What the disk has left for us."""
        disk = os.statvfs(self._dir)
        return disk.f_bavail * disk.f_frsize

    def nearly_full(self) -> bool:
        """Whether the disk has so little left that scans are given up before their time."""
        self._low = self.free_bytes() < self._little_bytes * (CALM if self._low else 1.0)
        return self._low

    def trim(self, db: apsw.Connection, newest: TailRecord | None) -> tuple[int, bool]:
        """Delete one slice of tail records that are past retention, or the oldest when quota or disk are nearly full.

        Args:
            db: The writing connection. newest: Last tail record handed over; its stamps are 'now'.

        Returns:
            Records deleted, and whether to go on at once.
        """
        self._trim_others(db)
        if self._quota_high(db):
            if self.archive.drop(db) or self.archive.drop(db, at_any_rate=True):
                return 0, True
            deleted = self._delete_oldest(db)
            return deleted, deleted > 0
        if self.free_bytes() < self._little_bytes:
            deleted = self._delete_oldest(db)
            self._give_back(db)
            return deleted, False  # slowly: it may be another program that eats the disk
        deleted = self._delete_old(db, newest) if newest is not None else 0
        return deleted, deleted == SLICE

    def make_room(self, db: apsw.Connection) -> None:
        """The disk or the quota is full: give up the ballast, fold the log back, let the oldest tail go; without any,
        rows that are in a file; last of all, on a full disk, the oldest of the files."""
        self.drop_ballast()
        with contextlib.suppress(apsw.Error):
            db.wal_checkpoint(mode=apsw.SQLITE_CHECKPOINT_PASSIVE)
        try:
            for _ in range(5):
                if not self._delete_oldest(db) and not self.archive.drop(db, at_any_rate=True):
                    if self.free_bytes() < self._little_bytes:
                        self.archive.give_up_oldest(db)
                    break
            # Freed pages stay in the file: what is needed next is written into them, without asking the disk.
            db.wal_checkpoint(mode=apsw.SQLITE_CHECKPOINT_PASSIVE)
        except apsw.Error:
            rollback(db)

    def _quota_high(self, db: apsw.Connection) -> bool:
        pages, free, most = (
            int(fetch(db, f"pragma {name}")[0][0]) for name in ("page_count", "freelist_count", "max_page_count")
        )
        return pages - free > QUOTA_HIGH * most

    def _delete_oldest(self, db: apsw.Connection) -> int:
        lost = 0
        if self.sealed_seq is not None:
            unsealed = "select count(*) from (select seq from tail order by seq limit ?) where seq > ?"
            lost = int(fetch(db, unsealed, (SLICE, self.sealed_seq))[0][0])
        statement = "delete from tail where seq in (select seq from tail order by seq limit ?)"
        deleted = self._delete(db, statement, (SLICE,))
        self.lost_unsealed += lost
        return deleted

    def _delete_old(self, db: apsw.Connection, newest: TailRecord) -> int:
        """The oldest start of the machine first, by its own monotonic clock."""
        oldest = fetch(db, "select seq, cast(mono_ns as integer) from tail order by seq limit 1")
        if not oldest:
            return 0
        number = number_of(self._boots, oldest[0][0])
        limit_ns, next_first = self._limit_of(db, number, newest)
        if self.sealed_seq is not None:
            next_first = min(next_first, self.sealed_seq + 1)
        if oldest[0][1] >= limit_ns or oldest[0][0] >= next_first:
            return 0
        statement = f"delete from tail where seq in ({_OLD}) and cast(mono_ns as integer) < ?3"
        return self._delete(db, statement, (next_first, SLICE, limit_ns))

    def _trim_others(self, db: apsw.Connection) -> None:
        """Now and then: what else would grow without end."""
        if time.monotonic() < self._next_plans_s:
            return
        self._next_plans_s = time.monotonic() + PLANS_PERIOD_S
        for table, most in (("dead_letter", DEAD_LETTERS), ("clock_segment", SEGMENTS)):
            db.execute(f"delete from {table} where id <= (select max(id) from {table}) - ?", (most,))
        unused = self._unused(db)
        if unused:
            db.executemany("delete from layout where layout = ?", [(layout,) for layout in unused[:PLANS]])
        if len(unused) > PLANS:
            self._next_plans_s = 0.0

    def _unused(self, db: apsw.Connection) -> list[str]:
        """Read plans of which no record is left. The store keeps in mind up to where each was used."""
        oldest = fetch(db, "select seq from tail order by seq limit 1")
        if not oldest or not self._first_seq:
            return []
        oldest_seq, now = oldest[0][0], set(self._now.values())
        stored = [layout for (layout,) in fetch(db, "select layout from layout")]
        self._recall(db, stored)
        past = {layout for layout, seq in self._used.items() if seq < oldest_seq} - now
        unused = [layout for layout in stored if layout in past]
        for layout in past - set(unused[PLANS:]):
            del self._used[layout]
        self._remember(db, {layout: None if layout in now else seq for layout, seq in self._used.items()})
        return unused

    def _recall(self, db: apsw.Connection, stored: list[str]) -> None:
        """Plans of earlier runs: up to where each was used, at the latest up to where this run began.

        Without that, runs that each end before the retention is over would never purge what the ones before have left.
        """
        unknown = [layout for layout in stored if layout not in self._used]
        if not unknown:
            return
        known = _seqs(fetch(db, "select cast(value as blob) from meta where key = ?", (PLANS_KEY,)))
        self._used |= {layout: known.get(layout, self._first_seq - 1) for layout in unknown}

    def _remember(self, db: apsw.Connection, used: dict[str, int | None]) -> None:
        """Keep up to where each plan was used, null for those in force: written when a plan changes, and not before."""
        text = json.dumps(used, sort_keys=True, separators=(",", ":"))
        if text != self._remembered:
            db.execute(INSERT_META, (PLANS_KEY, text))
            self._remembered = text

    def _limit_of(self, db: apsw.Connection, number: int, newest: TailRecord) -> tuple[int, int]:
        """What came earlier than this under a start of the machine is past retention; and where the next one begins.

        Time for which the machine was off is not known without UTC, and does not count.
        """
        limit_ns = newest.mono_ns - self._keep_ns
        firsts = [boot.first_input for boot in self._boots[number:]]
        for first, next_first in pairwise(firsts):
            statement = "select cast(mono_ns as integer) from tail where seq >= ? and seq < ? order by seq desc limit 1"
            limit_ns += sum(int(found[0]) for found in fetch(db, statement, (first, next_first)))
        return limit_ns, firsts[1] if len(firsts) > 1 else _HIGHEST

    def _delete(self, db: apsw.Connection, statement: str, bindings: tuple[int, ...]) -> int:
        reach("before-trim")
        db.execute(statement, bindings)
        return int(db.changes())

    def _give_back(self, db: apsw.Connection) -> None:
        """Cut free pages off the file's end, and the log to nothing, for the rest of the machine."""
        fetch(db, f"pragma incremental_vacuum({VACUUM_PAGES})")
        db.wal_checkpoint(mode=apsw.SQLITE_CHECKPOINT_PASSIVE)


def _seqs(found: list[tuple[Any, ...]]) -> dict[str, int]:
    """What was kept; nothing where it is damaged: then those plans stay as long as a record of an earlier run does."""
    try:
        kept = json.loads(found[0][0]) if found else {}
        return {layout: seq for layout, seq in kept.items() if type(seq) is int}
    except WRONG:
        return {}
