"""Giving room back: free pages of history.db while its worker runs; both files written anew while no watch does."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import apsw

from nightrake.crashpoint import reach
from nightrake.errors import StoreError
from nightrake.longterm.backupfile import HISTORY, STORE, check_room, give_to_owner, sync_folder
from nightrake.longterm.rescuing import Rescued, rescue
from nightrake.longterm.schema import schema_number
from nightrake.longterm.sql import fetch
from nightrake.longterm.writing import Writing

RESCUE = "put a backup back, or write anew what of it can be read: historian compact --leave-out-damaged"
PAGES = 2000
"""Given back at a time, 8 MiB."""


class Compacted(NamedTuple):
    """One file: its bytes before and after; what was left out of a damaged one, None = all of it was taken."""

    name: str
    before: int
    after: int
    left: Rescued | None = None

    @property
    def text(self) -> str:
        """``history.db: 120.0 MiB before, 80.5 MiB now``."""
        return f"{self.name}: {self.before / 1024**2:.1f} MiB before, {self.after / 1024**2:.1f} MiB now"


def give_back(writing: Writing, alive: Callable[[], None]) -> Compacted:
    """Cut all free pages off the end of history.db, in steps; for its one writer, while it is read.

    Args:
        alive: Called after each step.

    Raises:
        apsw.Error: The disk fails; what is done stays done. StoreError: A reader stands in the way.
    """
    before = _size(writing.path)
    while free := int(fetch(writing.db, "pragma freelist_count")[0][0]):
        fetch(writing.db, f"pragma incremental_vacuum({PAGES})")
        reach("mid-compact")
        if not writing.log_fits():
            raise StoreError(f"{writing.path}: a reader keeps its log large; try again when it has ended")
        alive()
        if int(fetch(writing.db, "pragma freelist_count")[0][0]) >= free:
            break
    writing.log_fits()
    return Compacted(HISTORY, before, _size(writing.path))


def write_anew(state_dir: Path, name: str, known: int, rescue_at_ms: int = 0) -> Compacted:
    """Write a database anew, without free pages and with its rows side by side; the store's lock must be held.

    store.db is written anew in its own place, for its inode is part of its identity; history.db beside it, and then it
    takes the name. Either is whole at every moment.

    Args:
        state_dir: Folder of the store. name: Of the file. known: Newest schema of it that this program knows.
        rescue_at_ms: Not 0: of a damaged history.db what can be read, see `rescuing`; now, for the record.

    Raises:
        StoreError: The disk has too little room, or the file cannot be read, or is a newer program's; it is as before.
    """
    path = state_dir / name
    _check_schema(path, known)
    before = _size(path)
    # In its own place it is written twice more: beside it, and into its log.
    check_room(state_dir, state_dir, (2 if name == STORE else 1) * before)
    left: Rescued | None = None
    try:
        if name == STORE:
            _in_place(path)
        else:
            left = _beside(path, rescue_at_ms)
    except apsw.CorruptError as error:
        how = f"; {RESCUE}" if name == HISTORY else ""
        raise StoreError(f"{path}: is damaged ({error}); it is as before{how}") from error
    except (apsw.Error, OSError) as error:
        raise StoreError(f"{path}: cannot be written anew ({error}); it is as before") from error
    return Compacted(name, before, _size(path), left)


def _check_schema(path: Path, known: int) -> None:
    """What a newer program has written may hold what this one does not know how to keep."""
    try:
        with contextlib.closing(apsw.Connection(str(path), flags=apsw.SQLITE_OPEN_READONLY)) as db:
            number = schema_number(db)
    except apsw.Error as error:
        raise StoreError(f"{path}: cannot be read ({error}); it is as before") from error
    if number > known:
        raise StoreError(
            f"{path}: has schema {number}, written by a newer nightrake; this one knows schemas up to {known}: compact "
            "it with the newer version; it is as before"
        )


def _in_place(path: Path) -> None:
    kept = os.environ.get("SQLITE_TMPDIR")
    os.environ["SQLITE_TMPDIR"] = str(path.parent)  # /tmp is memory on many machines
    try:
        with contextlib.closing(apsw.Connection(str(path))) as db:
            fetch(db, "pragma synchronous = full")
            fetch(db, "vacuum")
            db.wal_checkpoint(mode=apsw.SQLITE_CHECKPOINT_TRUNCATE)
    finally:
        if kept is None:
            del os.environ["SQLITE_TMPDIR"]
        else:
            os.environ["SQLITE_TMPDIR"] = kept


def _beside(path: Path, rescue_at_ms: int) -> Rescued | None:
    news, left = path.with_name(f"{path.name}.compact"), None
    _remove(news)
    try:
        with contextlib.closing(apsw.Connection(str(path))) as db:
            fetch(db, "pragma auto_vacuum")  # opens it, and plays a log into it that a kill has left
            if rescue_at_ms:
                left = rescue(path, news, rescue_at_ms)
            else:
                fetch(db, "vacuum into ?", (str(news),))
            db.wal_checkpoint(mode=apsw.SQLITE_CHECKPOINT_TRUNCATE)
        give_to_owner(path.parent, news)
        news.chmod(path.stat().st_mode & 0o777)
        with news.open("rb") as file:
            os.fsync(file.fileno())
        log = Path(f"{path}-wal")
        if log.exists() and log.stat().st_size:
            raise StoreError(f"{path}: somebody else reads it; try again when that has ended")
        reach("before-compact-name")
        for tail in ("-wal", "-shm"):  # a log belongs to its file: left beside another it would be played into that
            Path(f"{path}{tail}").unlink(missing_ok=True)
        news.replace(path)
        sync_folder(path.parent)
    finally:
        _remove(news)
    return left


def _remove(path: Path) -> None:
    for tail in ("", "-journal", "-wal", "-shm"):
        Path(f"{path}{tail}").unlink(missing_ok=True)


def _size(path: Path) -> int:
    return path.stat().st_size if path.exists() else 0
