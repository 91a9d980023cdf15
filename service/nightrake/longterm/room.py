"""Retention of sealed records, and the bounds of the file: the oldest cut goes first, a cut at a time.

Age is the time for which records were kept, by the monotonic clock: a clock set years ahead by mistake deletes nothing,
and time for which the machine was off does not count. Summaries, settings and what is missing stay.
"""

from __future__ import annotations

import os

import apsw

from nightrake.crashpoint import reach
from nightrake.longterm.sql import fetch, rollback
from nightrake.longterm.writing import COLUMNS, Writing

DAY_MS = 86_400_000
LITTLE_BYTES = 64 * 1024 * 1024
SMALL_SHARE = 20
"""Less than this left on the disk, or one of so many parts of a small one, and the oldest sealed records are given up
before their time."""
VACUUM_PAGES = 2000
"""Free pages given back to the disk at a time, 8 MiB."""


class Room:
    """Keeps history.db within its bounds.

    Args:
        writing: The file's writer. raw_days: How long records are kept. quota_mb: Size that the file is kept below.
    """

    def __init__(self, writing: Writing, raw_days: float, quota_mb: int) -> None:
        self._writing = writing
        self._keep_ms = int(raw_days * DAY_MS)
        self._quota_bytes = quota_mb * 1024 * 1024
        self.given_up = 0
        """Records that went before their time, for want of room."""

    def trim(self) -> bool:
        """Give up the oldest cut if it is due; whether there may be more.

        Raises:
            apsw.Error: The disk fails. OSError: likewise.
        """
        too_large, scarce = self.used_bytes() > self._quota_bytes, self.is_scarce()
        place = self._oldest() if too_large or scarce else self._past()
        if place is None:
            return False
        records = self._drop(place)
        self.given_up += records if too_large or scarce else 0
        self._give_back(scarce=scarce)
        return too_large or not scarce  # slowly where it may be another program that eats the disk

    def make_room(self) -> bool:
        """The disk took no more: give up the oldest cut, whose pages take what comes next; whether there was one.

        Raises:
            apsw.Error: Not even that is possible.
        """
        place = self._oldest()
        if place is None:
            return False
        self.given_up += self._drop(place)
        return True

    def is_scarce(self) -> bool:
        """Whether the disk is nearly full."""
        disk = os.statvfs(self._writing.path.parent)
        little = min(LITTLE_BYTES, disk.f_blocks * disk.f_frsize // SMALL_SHARE)
        return disk.f_bavail * disk.f_frsize < little

    def used_bytes(self) -> int:
        """What of the file is in use."""
        pages, free, size = (
            int(fetch(self._writing.db, f"pragma {name}")[0][0])
            for name in ("page_count", "freelist_count", "page_size")
        )
        return (pages - free) * size

    def _oldest(self) -> int | None:
        found = fetch(self._writing.db, "select last_place from cut order by last_place limit 1")
        return int(found[0][0]) if found else None

    def _past(self) -> int | None:
        """The oldest cut, if all of it is past retention: the cuts after it alone make up the time."""
        oldest = self._oldest()
        if oldest is None:
            return None
        kept = fetch(self._writing.db, "select coalesce(sum(span_ms), 0) from cut where last_place > ?", (oldest,))
        return oldest if int(kept[0][0]) >= self._keep_ms else None

    def _drop(self, place: int) -> int:
        """Delete one cut; gives how many records it had."""
        db = self._writing.db
        records = int(fetch(db, "select records from cut where last_place = ?", (place,))[0][0])
        blocks = [(int(v[0]),) for v in fetch(db, "select id from block where cut = ?", (place,))]
        db.execute("begin immediate")
        try:
            ranges = [(block * COLUMNS, (block + 1) * COLUMNS) for (block,) in blocks]
            db.executemany("delete from column_data where id >= ? and id < ?", ranges)
            reach("mid-history-trim")
            db.executemany("delete from block where id = ?", blocks)
            db.execute("delete from cut where last_place = ?", (place,))
            # The last snapshot before what is left is what a replay of it begins with.
            db.execute(
                "delete from snapshot where place < (select max(place) from snapshot where place <= ?)", (place,)
            )
            db.execute("commit")
        except BaseException:
            rollback(db)
            raise
        reach("after-history-trim")
        return records

    def _give_back(self, *, scarce: bool) -> None:
        """Cut free pages off the file's end, for the rest of the machine; a few are kept unless the disk is scarce."""
        db = self._writing.db
        free = int(fetch(db, "pragma freelist_count")[0][0])
        if free > (0 if scarce else VACUUM_PAGES):
            fetch(db, f"pragma incremental_vacuum({VACUUM_PAGES})")
        db.wal_checkpoint(mode=apsw.SQLITE_CHECKPOINT_PASSIVE)
