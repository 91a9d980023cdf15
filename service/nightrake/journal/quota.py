"""The size that the store's file never passes, and the part of it that is set aside for judgement states and cursors.

The journal is never purged, so it can fill the quota in the end. Even then a latch must outlive a restart: rows have to
leave room for that.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import apsw

from nightrake.journal.sql import fetch

PAGE_BYTES = 4096
SET_ASIDE_BYTES = 8 * 1024 * 1024
"""Set aside for states, or an eighth of a small quota: two thousand drives need about four megabytes."""


class Quota:
    """The limit of one connection.

    Args:
        db: The writing connection, its limit (`pragma max_page_count`) as opened.
    """

    def __init__(self, db: apsw.Connection) -> None:
        self._db = db
        self._most = int(fetch(db, "pragma max_page_count")[0][0])
        self._for_rows = self._most - min(self._most // 8, SET_ASIDE_BYTES // PAGE_BYTES)
        self._limit(self._for_rows)

    @property
    def mb(self) -> int:
        """The whole quota, MiB."""
        return self._most * PAGE_BYTES // (1024 * 1024)

    @contextmanager
    def to_the_last(self) -> Iterator[None]:
        """Within, what was set aside may be used, too."""
        self._limit(self._most)
        try:
            yield
        finally:
            self._limit(self._for_rows)

    def _limit(self, pages: int) -> None:
        fetch(self._db, f"pragma max_page_count = {pages}")


def words_of(error: apsw.Error, quota_mb: int, disk_full: bool) -> str:
    """What is wrong with the disk, and what to do.

    Args:
        error: What SQLite says. quota_mb: See `Quota.mb`. disk_full: the disk has little left.
    """
    if isinstance(error, apsw.FullError):
        if disk_full:
            return "the disk is full: make room"
        return f"the store is as large as store.quota_mb = {quota_mb} allows: raise it, then restart the watch"
    if isinstance(error, apsw.ReadOnlyError):
        return "disk is read-only"
    if isinstance(error, (apsw.CorruptError, apsw.NotADBError)):
        return "the store is damaged: a restart moves it aside and begins a new one"
    return f"disk error: {error}"
