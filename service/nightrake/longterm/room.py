"""Retention of sealed records, and the bounds of the file: the oldest cut goes first, a cut at a time.

Where pages are damaged a cut goes without its columns: they stay in the file, beyond its quota, and are counted.

Age is the time for which records were kept, by the monotonic clock: a clock set years ahead by mistake deletes nothing,
and time for which the machine was off does not count. Summaries, settings and what is missing stay.
"""

from __future__ import annotations

import os
from collections.abc import Sequence

import apsw

from nightrake.crashpoint import reach
from nightrake.longterm import damage
from nightrake.longterm.sql import fetch, rollback
from nightrake.longterm.writing import COLUMNS, Writing

DAY_MS = 86_400_000
LITTLE_BYTES = 64 * 1024 * 1024
SMALL_SHARE = 20
"""Less than this left on the disk, or one of so many parts of a small one, and the oldest sealed records are given up
before their time."""
CALM = 1.25
"""It is told as scarce until this many times as much is left."""
VACUUM_PAGES = 2000
"""Free pages given back to the disk at a time, 8 MiB."""


_PAST = (
    "select max(last_place) from (select last_place, sum(span_ms) over (order by last_place desc rows between"
    " unbounded preceding and 1 preceding) as after_ms from cut) where coalesce(after_ms, 0) >= ?"
)
"""The newest cut after which there is enough to make up the time that is kept."""


class Room:
    """Keeps history.db within its bounds.

    Args:
        writing: The file's writer. raw_days: How long records are kept. quota_mb: Size that the file is kept below.
    """

    def __init__(self, writing: Writing, raw_days: float, quota_mb: int) -> None:
        self._writing, self._folder = writing, writing.path.parent
        self._keep_ms = int(raw_days * DAY_MS)
        self._quota_bytes = quota_mb * 1024 * 1024
        self._past_to = -1
        self.given_up = 0
        """Records that went before their time, for want of room."""

    def trim(self) -> bool:
        """Give up the oldest cut if it is due, before it what was moved aside; whether there may be more.

        Raises:
            apsw.Error: The disk fails, or the file is damaged where cuts are listed. OSError: The disk fails.
        """
        aside = damage.aside_bytes(self._folder)
        can_go = self.used_bytes() - damage.stuck_bytes(self._writing) + aside
        too_large, scarce = can_go > self._quota_bytes, self.is_scarce()
        if (too_large or scarce) and aside and damage.drop_oldest(self._folder):
            return True
        place = self._oldest() if too_large or scarce else self._past()
        if place is None:
            return False
        records = self._drop(place)
        self.given_up += records if too_large or scarce else 0
        self._give_back(scarce=scarce)
        return too_large or not scarce  # slowly where it may be another program that eats the disk

    def make_room(self) -> bool:
        """The disk took no more: give up what was moved aside, or the oldest cut, whose pages take what comes next.

        Returns:
            Whether there was one.

        Raises:
            apsw.Error: Not even that is possible.
        """
        if damage.drop_oldest(self._folder):
            return True
        place = self._oldest()
        if place is None:
            return False
        self.given_up += self._drop(place)
        return True

    def is_scarce(self) -> bool:
        """Whether the disk is nearly full."""
        return self._free_bytes() < self._little_bytes()

    def _free_bytes(self) -> int:
        disk = os.statvfs(self._folder)
        return disk.f_bavail * disk.f_frsize

    def _little_bytes(self) -> int:
        disk = os.statvfs(self._folder)
        return min(LITTLE_BYTES, disk.f_blocks * disk.f_frsize // SMALL_SHARE)

    def is_calm(self) -> bool:
        """Whether so much is left that it will not be scarce again at once, so that nobody is told back and forth."""
        return self._free_bytes() >= CALM * self._little_bytes()

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
        if oldest is not None and oldest > self._past_to:
            # Once for all that are past: there may be tens of thousands.
            found = fetch(self._writing.db, _PAST, (self._keep_ms,))[0][0]
            self._past_to = int(found) if found is not None else -1
        return oldest if oldest is not None and oldest <= self._past_to else None

    def _drop(self, place: int) -> int:
        """Delete one cut, its columns too but where pages are damaged; gives how many records it had."""
        db = self._writing.db
        records = int(fetch(db, "select records from cut where last_place = ?", (place,))[0][0])
        blocks = [(int(v[0]), int(v[1])) for v in fetch(db, "select id, bytes from block where cut = ?", (place,))]
        try:
            self._delete(place, blocks, columns=True)
        except apsw.CorruptError:
            # Their pages or those beside them: in a transaction that has met these nothing can be done any more.
            self._delete(place, blocks, columns=False)
        reach("after-history-trim")
        return records

    def _delete(self, place: int, blocks: Sequence[tuple[int, int]], *, columns: bool) -> None:
        """In one transaction; without their columns the bytes of the blocks are counted as stuck."""
        db = self._writing.db
        db.execute("begin immediate")
        try:
            if columns:
                ranges = [(block * COLUMNS, (block + 1) * COLUMNS) for block, _ in blocks]
                db.executemany("delete from column_data where id >= ? and id < ?", ranges)
            else:
                damage.add_stuck(self._writing, sum(size for _, size in blocks))
            reach("mid-history-trim")
            db.executemany("delete from block where id = ?", [(block,) for block, _ in blocks])
            db.execute("delete from cut where last_place = ?", (place,))
            # The last snapshot before what is left is what a replay of it begins with.
            db.execute(
                "delete from snapshot where place < (select max(place) from snapshot where place <= ?)", (place,)
            )
            db.execute("commit")
        except BaseException:
            rollback(db)
            raise

    def _give_back(self, *, scarce: bool) -> None:
        """Cut free pages off the file's end, for the rest of the machine; a few are kept unless the disk is scarce."""
        db = self._writing.db
        free = int(fetch(db, "pragma freelist_count")[0][0])
        if free > (0 if scarce else VACUUM_PAGES):
            fetch(db, f"pragma incremental_vacuum({VACUUM_PAGES})")
        db.wal_checkpoint(mode=apsw.SQLITE_CHECKPOINT_PASSIVE)
