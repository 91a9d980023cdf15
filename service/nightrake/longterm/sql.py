"""Connections to history.db, set as ours are, and one typed way to read rows."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import apsw

from nightrake.errors import StoreError

LOG_KEPT_BYTES = 4 * 1024 * 1024
"""The write-ahead log is cut back to this."""
BUSY_MS = 5000
INDEX_BYTES = 128 * 1024
"""Room that the index of the log, the log and the next commits take at the least."""


class Slow(StoreError):
    """No answer within the time that a reader may take: the machine or its disk is busy; nothing is damaged."""


SLOW = (apsw.InterruptError, apsw.BusyError)
"""What SQLite raises then: our own time limit, and a lock that is not given in time."""


def fetch(db: apsw.Connection, statement: str, bindings: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Run a statement to its end and give all its rows."""
    return list(db.execute(statement, bindings))


def connect(path: Path, vfs: str = "") -> apsw.Connection:
    """The writing connection.

    Args:
        path: The file, made if missing. vfs: SQLite VFS, for tests of sick disks.

    Raises:
        apsw.Error: The file cannot be opened.
    """
    db = apsw.Connection(str(path), vfs=vfs or None)
    try:
        db.set_busy_timeout(BUSY_MS)
        if not fetch(db, "pragma page_count")[0][0]:
            db.execute("pragma auto_vacuum = incremental")  # before the first table, and before WAL
        db.execute("pragma journal_mode = wal")
        db.execute("pragma synchronous = full")
        db.execute("pragma temp_store = memory")
        db.execute("pragma mmap_size = 0")
        db.execute("pragma cache_size = -32768")  # a whole cut: what does not fit would be written twice
        db.execute(f"pragma journal_size_limit = {LOG_KEPT_BYTES}")
    except BaseException:
        db.close()
        raise
    return db


def is_full(folder: Path, error: BaseException | None) -> bool:
    """Whether the disk has no room; where the log's index finds none SQLite calls it an input/output error."""
    disk = os.statvfs(folder)
    no_room = disk.f_bavail * disk.f_frsize < INDEX_BYTES
    return isinstance(error, apsw.FullError) or (isinstance(error, apsw.IOError) and no_room)


def rollback(db: apsw.Connection) -> None:
    """Undo an open transaction; SQLite has done so by itself after an I/O error."""
    try:
        if db.in_transaction:
            db.execute("rollback")
    except apsw.Error:
        return  # what matters is the error that brought us here
