"""Backup while the watch runs and writes: store, history, archive and trip records, so that each fits the others.

    trips, archive --> both databases opened for reading at one moment --> what the archive has new
                   --> store.db, history.db in steps --> list of all --> the folder gets its name

Trip records come first: what they lack of the journal copied after them is made up for by the next watch. Between the
moments at which the databases are opened nothing is sealed, else they are opened again: so whatever the store has given
up because it was sealed is in the blocks. While they are copied the watch goes on; its logs grow, and where the target
is so slow that they would get too large the backup ends instead. Rests keep the disk free for the watch.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

import apsw

from nightrake.crashpoint import reach
from nightrake.errors import StoreError
from nightrake.longterm.backupfile import (
    FOLDERS,
    HISTORY,
    STORE,
    Backup,
    Say,
    check_room,
    clear,
    copied,
    digest_of_file,
    free_bytes,
    sync_folder,
    write_list,
)
from nightrake.longterm.cutoffbackups import clear_cut_off
from nightrake.longterm.sql import fetch

PAGES = 2000
"""Copied at a time, 8 MiB."""
TRIES = 20
"""Times that the databases are opened, until nothing is sealed in between; also times that a trip record is copied that
is being finished."""
LONGEST_REST_S = 0.5
REST_LOG_BYTES = 16 * 1024 * 1024
"""Above this of the store's write-ahead log there are no rests."""
MOST_LOG_BYTES = 48 * 1024 * 1024
"""Above this of it the backup ends: the watch keeps no scans any more at 64 MiB."""
BUSY_MS = 5000
CLOSED = ".jsonl.gz"
"""How the name of a closed segment's file ends; others are being written."""


class About(NamedTuple):
    """What a backup says of itself.

    Attributes:
        site: Site id. program: Version. utc_ms: Now. gently: Rest, for a watch runs. history_on: History is kept.
    """

    site: str
    program: str
    utc_ms: int
    gently: bool
    history_on: bool = True


def back_up(state_dir: Path, target: Path, about: About, say: Say = lambda done, whole: None) -> Backup:
    """Copy everything that a store's folder keeps into a new folder.

    Args:
        state_dir: Folder of the store. target: Is made; may be there if it is empty. about: See there. say: See there.

    Raises:
        StoreError: There is no store, the target cannot be written, or is too small; nothing was left behind.
    """
    _check_target(target)
    clear_cut_off(target.parent)
    part = target.with_name(f".{target.name}.part")
    try:
        with _own(part):
            try:
                made = _Taking(state_dir, part, about, say).take()
                reach("before-backup-name")
                os.rename(part, target)
            except BaseException:
                clear(part)
                raise
        sync_folder(target.parent)
    except OSError as error:
        where = error.filename or target
        raise StoreError(f"{where}: {error.strerror or error}; no backup was made, nothing was left behind") from error
    except apsw.CantOpenError as error:
        text = "cannot be opened; use the user of the service, or sudo; no backup was made, nothing was left behind"
        raise StoreError(f"{state_dir}: {text}") from error
    except apsw.Error as error:
        text = f"cannot be copied ({error}); no backup was made, nothing was left behind"
        raise StoreError(f"{state_dir}: {text}") from error
    return made._replace(path=target)


def _check_target(target: Path) -> None:
    try:
        if target.exists() and (not target.is_dir() or any(target.iterdir())):
            raise StoreError(f"{target}: is there already; give the name of a folder that is to be made")
        if not target.parent.is_dir():
            raise StoreError(f"{target}: there is no folder {target.parent}; make it first")
    except OSError as error:
        raise StoreError(f"{target}: cannot be used ({error.strerror}); choose another place") from error


@contextmanager
def _own(part: Path) -> Iterator[None]:
    """The folder in which it is made, for us alone; what one that was killed left there goes."""
    part.mkdir(mode=0o700, exist_ok=True)
    handle = os.open(part, os.O_RDONLY | os.O_DIRECTORY)
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise StoreError(f"{part}: another backup is being made there; wait for its end") from None
        for old in list(part.iterdir()):
            clear(old) if old.is_dir() else old.unlink()
        yield
    finally:
        os.close(handle)


class _Taking:
    """One backup in the making."""

    def __init__(self, state_dir: Path, part: Path, about: About, say: Say) -> None:
        self._dir, self._part, self._about, self._say = state_dir, part, about, say
        self._log = state_dir / f"{STORE}-wal"
        self._files: dict[str, tuple[int, str]] = {}
        self._done = self._whole = 0

    def take(self) -> Backup:
        """See the module."""
        self._whole = self._size()
        check_room(self._part, self._dir, self._whole)
        self._copy_trips()
        self._copy_archive()
        reach("mid-backup")
        with contextlib.ExitStack() as stack:
            history, store = self._opened(stack)
            self._copy_archive()
            epoch = str(fetch(store, "select value from meta where key = 'epoch'")[0][0])
            last_row = int(fetch(store, "select coalesce(max(seq), 0) from journal")[0][0])
            sealed = _sealed(history)[1] if history is not None else 0
            self._copy_database(store, STORE)
            store.close()  # the sooner the better: its log waits for us
            if history is not None:
                self._copy_database(history, HISTORY)
        for place, _, _ in os.walk(self._part):
            sync_folder(Path(place))
        about = self._about
        ends = (epoch, last_row, sealed)
        made = Backup(
            self._part, about.site, about.program, about.utc_ms, *ends, self._files, history_on=about.history_on
        )
        reach("before-backup-list")
        write_list(made)
        return made

    def _size(self) -> int:
        if not (self._dir / STORE).is_file():
            raise StoreError(f"{self._dir / STORE}: there is no store; check store.dir in the settings")
        names = [f"{name}{tail}" for name in (STORE, HISTORY) for tail in ("", "-wal")]
        sizes = [_size_of(self._dir / name) for name in names]
        for folder in FOLDERS:
            for place, _, files in os.walk(self._dir / folder):  # which does not mind what goes meanwhile
                sizes += [_size_of(Path(place, file)) for file in files]
        return sum(sizes)

    # --- files --------------------------------------------------------------------------------------------------------

    def _copy_archive(self) -> None:
        """Files of closed segments; each is written once and never changed."""
        folder = self._dir / "archive"
        for path in sorted(folder.iterdir()) if folder.is_dir() else ():
            name = f"archive/{path.name}"
            if path.name.endswith(CLOSED) and name not in self._files:
                with contextlib.suppress(FileNotFoundError):  # given up, as the oldest, for want of room
                    self._copy(name)

    def _copy_trips(self) -> None:
        folder = self._dir / "trips"
        for path in sorted(folder.iterdir()) if folder.is_dir() else ():
            if path.name.startswith("."):
                continue
            if path.is_dir():
                self._copy_open_trip(path)
                continue
            with contextlib.suppress(FileNotFoundError):  # given up for want of room
                self._copy(f"trips/{path.name}")

    def _copy_open_trip(self, path: Path) -> None:
        """One that grows: its head first, for that names what counts and is there already."""
        for _ in range(TRIES):
            names: list[str] = []
            try:
                head = path / "record.json"
                rest = [one for one in sorted(path.iterdir()) if one != head and not one.name.startswith(".")]
                for one in (head, *rest):
                    names.append(f"trips/{path.name}/{one.name}")
                    self._copy(names[-1])
                return
            except FileNotFoundError:  # finished meanwhile: a zip takes its place
                for name in names:
                    self._files.pop(name, None)
                clear(self._part / "trips" / path.name)
                if not path.exists():
                    break
        with contextlib.suppress(FileNotFoundError):
            self._copy(f"trips/{path.name}.zip")

    def _copy(self, name: str) -> None:
        self._files[name] = copied(self._dir / name, self._part / name)
        self._step(self._files[name][0])

    def _step(self, count: int) -> None:
        """So much more is done."""
        self._done += count
        self._say(min(self._done, self._whole), self._whole)
        if not free_bytes(self._part, self._dir):
            raise StoreError(f"{self._part.parent}: the disk is nearly full; make room, nothing was left behind")

    # --- databases ----------------------------------------------------------------------------------------------------

    def _opened(self, stack: contextlib.ExitStack) -> tuple[apsw.Connection | None, apsw.Connection]:
        """Both at one moment: (history.db, None where there is none; store.db), each in a reading transaction."""
        for _ in range(TRIES):
            history = _reading(self._dir / HISTORY, stack) if (self._dir / HISTORY).exists() else None
            store = _reading(self._dir / STORE, stack)
            if history is None and (self._dir / HISTORY).exists():
                store.close()
                continue
            if history is None or _sealed(history) == _sealed_now(self._dir / HISTORY):
                return history, store
            history.close()
            store.close()
        raise StoreError(f"{self._dir}: is sealed all the time, so that no moment was found; try again in a minute")

    def _copy_database(self, db: apsw.Connection, name: str) -> None:
        path = self._part / name
        copy = apsw.Connection(str(path))
        handle = os.open(path, os.O_RDONLY)
        try:
            copy.execute("pragma synchronous = off")  # it is no backup before it is synced
            with copy.backup("main", db, "main") as backup:
                while not backup.done:
                    begin_s, left = time.monotonic(), backup.remaining or backup.page_count
                    backup.step(PAGES)
                    os.fdatasync(handle)  # a heap of unwritten pages would hold up the watch's own syncs
                    self._step(max(0, left - backup.remaining) * 4096)
                    self._rest(time.monotonic() - begin_s, of_store=name == STORE)
            fetch(copy, "pragma journal_mode = delete")  # so that it is read without a log beside it
        finally:
            copy.close()
            os.fsync(handle)
            os.close(handle)
        self._files[name] = (path.stat().st_size, digest_of_file(path))

    def _rest(self, worked_s: float, *, of_store: bool) -> None:
        log_bytes = _size_of(self._log) if of_store else 0
        if log_bytes > MOST_LOG_BYTES:
            raise StoreError(
                f"{self._part.parent}: is too slow: the watch has written {log_bytes >> 20} MiB meanwhile; choose a "
                "faster disk, nothing was left behind"
            )
        if self._about.gently and log_bytes < REST_LOG_BYTES:
            time.sleep(min(worked_s, LONGEST_REST_S))


def _size_of(path: Path) -> int:
    with contextlib.suppress(OSError):
        return path.stat().st_size if path.is_file() else 0
    return 0


def _reading(path: Path, stack: contextlib.ExitStack) -> apsw.Connection:
    db = apsw.Connection(str(path), flags=apsw.SQLITE_OPEN_READONLY)
    stack.callback(db.close)
    db.set_busy_timeout(BUSY_MS)
    db.execute("begin")
    fetch(db, "select count(*) from sqlite_schema")  # from here on it stands still for us
    return db


def _sealed(db: apsw.Connection) -> tuple[int, int]:
    """Life, and up to which input of it is sealed."""
    if not fetch(db, "select 1 from sqlite_schema where name = 'meta'"):
        return 0, 0  # being made just now
    meta = dict(fetch(db, "select key, value from meta where key in ('life', 'sealed')"))
    return int(meta.get("life", 0)), int(meta.get("sealed", 0))


def _sealed_now(path: Path) -> tuple[int, int]:
    with contextlib.ExitStack() as stack:
        return _sealed(_reading(path, stack))
