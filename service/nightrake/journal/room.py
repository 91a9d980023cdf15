"""Making room: retention of the hot tail, the quota, and the ballast that a full disk is freed with.

On a full disk even a DELETE fails, for the write-ahead log has to grow first. So a file of our own is given up, and
the log keeps some megabytes when it is reset. Then the oldest tail goes. Journal rows, states and cursors are never
purged, and whether a tail record was forwarded does not matter here.
"""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

import apsw

from nightrake.crashpoint import reach
from nightrake.domain.rows import TailRecord
from nightrake.journal.batch import rollback
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


class Room:
    """Keeps the store within its quota and the disk usable.

    Args:
        state_dir: Where the ballast lies.
        ballast_mb: Its size in MiB, 0 = none.
        keep_ms: Retention of the tail.
        first_input: First input number of this run: the age of these records is measured by the monotonic clock,
            so that a clock set forward by mistake deletes nothing.
    """

    def __init__(self, state_dir: Path, ballast_mb: int, keep_ms: int, first_input: int) -> None:
        self._dir = state_dir
        self._ballast = state_dir / "ballast"
        self._size = ballast_mb * 1024 * 1024
        self._keep_ms = keep_ms
        self._first_input = first_input
        self._little_bytes = max(LITTLE_BYTES, 2 * self._size)
        self._low = False

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
        if self._quota_high(db):
            deleted = self._delete_oldest(db)
            return deleted, deleted > 0
        if self.free_bytes() < self._little_bytes:
            deleted = self._delete_oldest(db)
            self._give_back(db)
            return deleted, False  # slowly: it may be another program that eats the disk
        deleted = self._delete_old(db, newest) if newest is not None else 0
        return deleted, deleted == SLICE

    def make_room(self, db: apsw.Connection) -> None:
        """The disk or the quota is full: give up the ballast, fold the log back, let the oldest tail go."""
        self.drop_ballast()
        with contextlib.suppress(apsw.Error):
            db.wal_checkpoint(mode=apsw.SQLITE_CHECKPOINT_PASSIVE)
        try:
            for _ in range(5):
                if not self._delete_oldest(db):
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
        return self._delete(db, "delete from tail where seq in (select seq from tail order by seq limit ?)", (SLICE,))

    def _delete_old(self, db: apsw.Connection, newest: TailRecord) -> int:
        """Each end of the tail has its own clock, see `Room`."""
        oldest = fetch(db, "select seq, mono_ns, utc_ms from tail order by seq limit 1")
        mono_limit_ns, utc_limit_ms = newest.mono_ns - self._keep_ms * 1_000_000, newest.utc_ms - self._keep_ms
        if not oldest:
            return 0
        seq, mono_ns, utc_ms = oldest[0]
        is_ours = seq >= self._first_input
        if not (mono_ns < mono_limit_ns if is_ours else utc_ms < utc_limit_ms):
            return 0
        deleted = self._delete(
            db,
            "delete from tail where seq in (select seq from tail order by seq limit ?1) and"
            " iif(seq >= ?2, mono_ns < ?3, utc_ms < ?4)",
            (SLICE, self._first_input, mono_limit_ns, utc_limit_ms),
        )
        db.execute(
            "delete from dead_letter where id <= (select max(id) from dead_letter) - ?",
            (DEAD_LETTERS,),
        )
        return deleted

    def _delete(self, db: apsw.Connection, statement: str, bindings: tuple[int, ...]) -> int:
        reach("before-trim")
        db.execute(statement, bindings)
        return int(db.changes())

    def _give_back(self, db: apsw.Connection) -> None:
        """Cut free pages off the file's end, and the log to nothing, for the rest of the machine."""
        fetch(db, f"pragma incremental_vacuum({VACUUM_PAGES})")
        db.wal_checkpoint(mode=apsw.SQLITE_CHECKPOINT_PASSIVE)
