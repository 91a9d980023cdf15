"""Where the store's files are: noticing that somebody has deleted or cut them while the watch runs, putting them back.

A deleted file that is open lives on without a name, and everything in it can still be read; so it is copied into a new
file, which gets the name when it is complete. A file that somebody else has put in its place is left alone: what is
open is copied beside it, under a name of its own, and what comes after that is added to the copy when the watch stops.
Of one that was cut, or overwritten, see `salvage`.

A write-ahead log belongs to its file. Left beside another one it would be played into that at the next opening: so ours
goes when another file has taken the place, and the file ``place`` says which log belongs to which file, for a start
after a kill. Source: SQLite, How To Corrupt An SQLite Database File, 1.4.

The file itself is never opened here to look into it: closing it would take all locks away that SQLite holds on it.
Source: SQLite, How To Corrupt An SQLite Database File, 2.2.
"""

from __future__ import annotations

import contextlib
import os
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import apsw

from nightrake.errors import StoreError
from nightrake.journal.batch import INSERT_META, Batch
from nightrake.journal.identity import Token, home_of, inode_of, note_place
from nightrake.journal.late import begin_late
from nightrake.journal.lock import Lock, take_lock
from nightrake.journal.memory import MEMORY
from nightrake.journal.opening import ALONE, INDEX_BYTES, Opened, connect
from nightrake.journal.quota import PAGE_BYTES
from nightrake.journal.sql import fetch

BESIDE = ("-wal", "-shm")
LOG_HEAD, FRAME_HEAD = 32, 24
"""Bytes of a write-ahead log before its first page, and before each. Source: SQLite, File Format, 4.1."""
ROOM = 2
"""A copy is made where the disk has so many times its size left."""
UNBEGUN = "the disk is full: what happens is told, and kept in memory only; make room"
ROOM_TO_BEGIN = 4 * INDEX_BYTES
"""Room that a store which is in memory waits for."""
PAGES = 2000
"""Copied at a time, 8 MiB."""


class Home:
    """The place of one open store. Used by the writer's thread only, but for `reading`.

    Args:
        path: The store's file. quota_mb, vfs: See `opening.connect`. opened: How it was opened.

    Attributes:
        alone: No other process can read it for now. unbegun: It is in memory only.
        locks: Of folders that had to be made anew. inode: Of the open file.
        beside: Copy of the open store that was made because another file has its place, None = there is none.
    """

    def __init__(self, path: Path, quota_mb: int, vfs: str, opened: Opened) -> None:
        self._path, self.alone, self.unbegun = path, opened.alone, opened.unbegun
        self._sharing = threading.Lock()
        self.quota_mb, self.vfs = quota_mb, vfs
        self.locks: list[Lock] = []
        self._damaged = ""
        self._bytes = 0
        self.beside: Path | None = None
        self.inode, self._beside = 0, dict.fromkeys(BESIDE, 0)
        if not self.unbegun:
            self.settle()

    def settle(self) -> None:
        """The files as they are now are the store's."""
        path = self._path
        self.inode, self._folder = path.stat().st_ino, path.parent.stat().st_ino
        self._beside = {name: inode_of(Path(f"{path}{name}")) for name in BESIDE}
        self._damaged = ""
        if self.beside is not None:
            self.beside.unlink(missing_ok=True)
            self.beside = None
        with contextlib.suppress(OSError):  # a disk that takes nothing: then nobody knows, as without it
            note_place(path, self.inode, self._beside["-wal"])
        self.remember()

    def remember(self) -> bool:
        """Our own work on the file is done: what comes below its size now is not ours.

        Returns:
            Whether it should be looked at: it is shorter than before. Giving pages back to the disk makes it so, and so
            does somebody's cut in the middle of our work.
        """
        before, self._bytes, self._blocks = self._bytes, _size(self._path), _blocks(self._path)
        return self._bytes < before and inode_of(self._path) == self.inode

    def folded(self, pages: int) -> bool:
        """The whole log is in the file now, which therefore has so many pages.

        Returns:
            Whether it should be looked at: it takes less of the disk than before, as one does that was cut while the
            log was being folded in and has grown again since, with a hole in it.
        """
        if inode_of(self._path) == self.inode and _size(self._path) < pages * PAGE_BYTES:
            self.damaged(f"it was cut to {_size(self._path)} bytes, and should have {pages * PAGE_BYTES}")
            return False
        return _blocks(self._path) < self._blocks

    def damaged(self, why: str) -> None:
        """SQLite has found damage."""
        self._damaged = why

    def is_left(self) -> bool:
        """Whether a name no longer leads to the open file, or never has; what is open is whole all the same."""
        if self.unbegun or inode_of(self._path) != self.inode:
            return True
        return any(inode and inode_of(Path(f"{self._path}{name}")) != inode for name, inode in self._beside.items())

    def is_cut(self, log_pages: int) -> str:
        """What was taken from the open files themselves; "" = nothing.

        Args:
            log_pages: Pages in the write-ahead log, by the last commit.
        """
        if self._damaged or self.unbegun:
            return self._damaged
        if inode_of(self._path) == self.inode and _size(self._path) < self._bytes:
            return f"it was cut from {self._bytes} to {_size(self._path)} bytes"
        log = Path(f"{self._path}-wal")
        least = LOG_HEAD + log_pages * (FRAME_HEAD + PAGE_BYTES) if log_pages else 0
        if self._beside["-wal"] and inode_of(log) == self._beside["-wal"] and _size(log) < least:
            return f"its write-ahead log was cut from {least} to {_size(log)} bytes"
        return ""

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
        if inode_of(path) not in (0, self.inode):
            raise StoreError(f"{path}: another file has taken the place of the store; {self._set_beside(db)}")
        if inode_of(path.parent) != self._folder:
            self.locks.append(take_lock(path.parent))
        news = path.with_name(f"{path.name}.new")
        _clear(news)
        self._copy(db, news)
        # Closed before the new file has the name: closing could take the log away that belongs to the name.
        db.close()
        for tail in BESIDE:
            Path(f"{path}{tail}").unlink(missing_ok=True)
        news.rename(path)
        _sync(path.parent)
        return self.moved_in(connect(path, self.quota_mb, self.vfs))

    def _set_beside(self, db: apsw.Connection) -> str:
        """Copy what is open under a name of its own, once; says where it is, or why not."""
        path = self._path
        if self.beside is None:
            copy = path.with_name(f"{path.name}.displaced-{time.time_ns() // 1_000_000}")
            disk, needed = os.statvfs(path.parent), int(fetch(db, "pragma page_count")[0][0]) * PAGE_BYTES
            if disk.f_bavail * disk.f_frsize < ROOM * needed:
                mib = ROOM * needed // 1024**2
                return f"what it held is kept nowhere, for that the disk needs {mib} MiB of room; stop the watch"
            news = path.with_name(f"{path.name}.new")
            try:
                _clear(news)
                self._copy(db, news)
                news.rename(copy)
            except (apsw.Error, OSError) as error:
                return f"what it held could not be copied beside it ({error}); stop the watch"
            self.beside = copy
            for name, inode in self._beside.items():
                if inode and inode_of(Path(f"{path}{name}")) == inode:
                    Path(f"{path}{name}").unlink(missing_ok=True)
            _sync(path.parent)
        return f"what it held is in {self.beside.name}, what comes now will be after the stop; see then which to keep"

    def shared(self, db: apsw.Connection) -> apsw.Connection:
        """Open a store anew that was open alone: the disk may have room for the log's index now; see `alone` then.

        Args:
            db: The open store; it is closed.

        Returns:
            The writing connection.

        Raises:
            apsw.Error: It cannot be opened at all; to be tried again.
        """
        with self._sharing:
            db.close()
            try:
                return self.moved_in(connect(self._path, self.quota_mb, self.vfs))
            except apsw.Error:
                again = self.moved_in(connect(self._path, self.quota_mb, self.vfs or ALONE))
                self.alone = True
                return again

    def begin(self, memory: apsw.Connection, meta: dict[str, Any]) -> apsw.Connection:
        """Make the file of a store that is in memory; see `late.begin_late`.

        Args:
            memory: The open store; closed when the file is made. meta: What the file is to say of itself.

        Returns:
            The writing connection.

        Raises:
            StoreError, OSError, apsw.Error: The disk does not take it; to be tried again.
        """
        disk = os.statvfs(self._path.parent)
        if disk.f_bavail * disk.f_frsize < ROOM_TO_BEGIN:
            raise StoreError(f"{self._path}: {UNBEGUN}")
        with self._sharing:
            db = begin_late(self._path, memory, meta, self.quota_mb, self.vfs, time.time_ns() // 1_000_000)
            self.moved_in(db)
            self.unbegun = False
            memory.close()
        return db

    @contextlib.contextmanager
    def reading(self) -> Iterator[str]:
        """Within, a connection of this process may read by the VFS that this gives; it is closed before the end."""
        if not (self.alone or self.unbegun):
            yield ""
            return
        with self._sharing:
            yield MEMORY if self.unbegun else ALONE if self.alone else ""

    def add_beside(self, batch: Batch) -> bool:
        """Another file has the store's place: what waits is added to the copy beside it; whether it could be."""
        if self.beside is None:
            return False
        try:
            db = connect(self.beside, self.quota_mb, self.vfs)
            try:
                batch.write(db, {}, len(batch.tail))
                batch.clear(len(batch.tail))
            finally:
                db.close()
        except apsw.Error:
            return False
        return True

    def moved_in(self, db: apsw.Connection) -> apsw.Connection:
        """A new file has the name; its log is there once something was read."""
        fetch(db, "select count(*) from meta")
        self.alone = False
        self.settle()
        return db

    def _copy(self, db: apsw.Connection, news: Path) -> None:
        token = str(fetch(db, "select value from meta where key = 'token'")[0][0])
        copy = apsw.Connection(str(news), vfs=self.vfs or None)
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


def _clear(path: Path) -> None:
    for tail in ("", *BESIDE, "-journal"):
        Path(f"{path}{tail}").unlink(missing_ok=True)


def _blocks(path: Path) -> int:
    """What a file takes of the disk, in blocks of 512 bytes."""
    with contextlib.suppress(FileNotFoundError, NotADirectoryError):
        return path.stat().st_blocks
    return 0


def _size(path: Path) -> int:
    with contextlib.suppress(FileNotFoundError, NotADirectoryError):
        return path.stat().st_size
    return 0


def _sync(folder: Path) -> None:
    fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)
