"""Where the store's file is: noticing that somebody has deleted it while the watch runs, and putting it back.

The open file lives on without a name, and everything in it can still be read; so it is copied into a new file, which
gets the name when it is complete. A file that somebody else has put in its place is left alone.
"""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

import apsw

from nightrake.errors import StoreError
from nightrake.journal.batch import INSERT_META
from nightrake.journal.identity import Token, home_of
from nightrake.journal.lock import Lock, take_lock
from nightrake.journal.opening import connect
from nightrake.journal.sql import fetch

PAGES = 2000
"""Copied at a time, 8 MiB."""


class Home:
    """The place of one open store.

    Args:
        path: The store's file. quota_mb, vfs: See `opening.connect`.

    Attributes:
        locks: Of folders that had to be made anew.
    """

    def __init__(self, path: Path, quota_mb: int, vfs: str) -> None:
        self._path = path
        self._quota_mb, self._vfs = quota_mb, vfs
        self._file, self._folder = path.stat().st_ino, path.parent.stat().st_ino
        self.locks: list[Lock] = []

    def is_left(self) -> bool:
        """Whether the store's name no longer leads to the open file."""
        return _inode(self._path) != self._file

    def put_back(self, db: apsw.Connection) -> apsw.Connection:
        """Copy the open store into a new file at its old place.

        Args:
            db: The open store; closed when the new one is complete.

        Returns:
            The writing connection to the new file.

        Raises:
            StoreError: Something else stands there, or another watch has taken the folder. OSError, apsw.Error: The
                disk does not take it.
        """
        path = self._path
        if _inode(path):
            raise StoreError(
                f"{path}: another file has taken the place of the store that is open; stop the watch and see which of "
                "them is to be kept"
            )
        if _inode(path.parent) != self._folder:
            self.locks.append(take_lock(path.parent))
            self._folder = path.parent.stat().st_ino
        news = path.with_name(f"{path.name}.new")
        for tail in ("", "-wal", "-shm", "-journal"):
            Path(f"{news}{tail}").unlink(missing_ok=True)
        self._copy(db, news)
        # Closed before the new file has the name: closing could take the log away that belongs to the name.
        db.close()
        news.rename(path)
        _sync(path.parent)
        self._file = path.stat().st_ino
        return connect(path, self._quota_mb, self._vfs)

    def _copy(self, db: apsw.Connection, news: Path) -> None:
        token = str(fetch(db, "select value from meta where key = 'token'")[0][0])
        copy = apsw.Connection(str(news), vfs=self._vfs or None)
        try:
            with copy.backup("main", db, "main") as backup:
                while not backup.done:
                    backup.step(PAGES)
            # It is the same store, though in another file: no number can recur.
            copy.execute(INSERT_META, ("home", home_of(news)))
        finally:
            copy.close()
        Token(self._path.parent).write(token)

    def close(self) -> None:
        """Give up the locks of folders made anew."""
        for lock in self.locks:
            lock.close()
        self.locks.clear()


def _inode(path: Path) -> int:
    """Of what a name leads to; 0 = nothing."""
    with contextlib.suppress(FileNotFoundError, NotADirectoryError):
        return path.stat().st_ino
    return 0


def _sync(folder: Path) -> None:
    fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)
