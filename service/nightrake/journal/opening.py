"""Opening the store: damaged files, migrations, a copied store's new epoch, numbers set aside before use."""

from __future__ import annotations

import contextlib
import os
import re
import time
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, NamedTuple

import apsw

from nightrake.crashpoint import reach
from nightrake.errors import StoreError
from nightrake.journal.batch import INSERT_META, INSERT_STATE, rollback
from nightrake.journal.boots import Boot, boots_with, to_text
from nightrake.journal.damage import Found
from nightrake.journal.identity import Token, home_of, new_id, put_foreign_log_aside
from nightrake.journal.lastrun import meta_of, newest_of, numbers_of
from nightrake.journal.memory import in_memory, is_empty, remove_unfinished
from nightrake.journal.numbers import Numbers
from nightrake.journal.quota import PAGE_BYTES
from nightrake.journal.schema import migrate
from nightrake.journal.sql import fetch

SQLITE_FIXED = (3, 51, 3)
"""From this SQLite on, the WAL reset race that loses commits of two connections is gone."""
LOG_KEPT_BYTES = 8 * 1024 * 1024
"""The write-ahead log is cut back to this; what it keeps can be written to even when the disk is full."""
INDEX_BYTES = 128 * 1024
"""Room that the index of the log, the log and the next commits take at the least."""
ALONE = "unix-excl"
"""SQLite's VFS that keeps the log's index in this process' memory, and other processes out. All connections of the
process to one file must use it, or none. Source: SQLite, The OS Backend (VFS), 2.1.
"""
CHECK_S = 10.0
"""The check at start takes no longer than this: the small tables come first, the journal next, the tail last."""
RESTORING = "restoring"
"""Folder of a restore that has begun to put a backup in the store's place, see `longterm.restoring`."""
_EPOCH = re.compile(r"[0-9a-f]{12}")
CHECKED = "meta judgement cursor clock_segment settings layout snapshot archive journal dead_letter tail".split()


@dataclass(frozen=True, slots=True)
class Opened:
    """A store that is open for writing.

    Attributes:
        db: The writing connection; made in this thread, later used in the writer's only.
        epoch: Id of this store's life.
        last_seq, last_hash: The newest journal row; 0 and `GENESIS` when there is none.
        rows, inputs: Where numbers go on.
        boots: The starts of the machine that inputs are kept of.
        new: It did not exist before. was_clean: It was closed by the last watch (True when new).
        rebooted: The machine was started anew since the last watch.
        copied: It is a copy or was restored, so the epoch is new.
        damaged: Name to which a damaged file was moved, "" = none. salvaged: Judgement states taken over from it.
        unwritable: Why the disk takes no writes now, "" = it does; the epoch is then new, for this run.
        alone: No other process can read it for now: the disk has no room for what they share, the log's index.
        unbegun: It is in memory only: the disk has no room to make the file, or to bring it to this schema.
        first_meta: What the first commit must write because opening could not.
        damages: Values that opening could not read. meta: What the store says of itself, numbers apart.
    """

    db: apsw.Connection
    epoch: str
    last_seq: int
    last_hash: bytes
    rows: Numbers
    inputs: Numbers
    boots: tuple[Boot, ...]
    new: bool
    was_clean: bool
    rebooted: bool
    copied: bool
    damaged: str
    salvaged: int
    unwritable: str
    alone: bool
    unbegun: bool
    first_meta: dict[str, Any]
    damages: tuple[Found, ...] = ()
    meta: dict[str, Any] = field(default_factory=dict)


class Made(NamedTuple):
    """How a store was opened: see `Opened.alone`; and why it is in memory only, "" = it is not."""

    alone: bool = False
    unbegun: str = ""


def open_store(state_dir: Path, *, now_utc_ms: int, boot_id: str, quota_mb: int, vfs: str = "") -> Opened:
    """Open or make the store in `state_dir`; the lock must be held.

    Args:
        state_dir: Its folder. now_utc_ms: For names and records. boot_id: Id of the machine's boot.
        quota_mb: Size that the file never passes. vfs: SQLite VFS, for tests of sick disks.

    Raises:
        StoreError: Newer file, no store of ours, too old a SQLite, or the folder cannot be used; a restore was cut off.
    """
    check_sqlite(apsw.sqlite_lib_version())
    path = state_dir / "store.db"
    if (state_dir / RESTORING).is_dir():
        raise StoreError(f"{state_dir}: a restore was cut off; give 'nightrake historian restore' again, then start")
    if not path.exists():
        move_aside(path, now_utc_ms)  # a log without its file belongs to nothing
    put_foreign_log_aside(path, now_utc_ms)
    damaged, states, how, fresh = "", [], Made(), is_empty(path)
    try:
        db = connected(path, now_utc_ms, quota_mb, vfs)
    except (apsw.NotADBError, apsw.CorruptError):
        damaged = move_aside(path, now_utc_ms)
        states = _salvage(path.with_name(damaged))
        db, how = _connect_anew(path, now_utc_ms, quota_mb, vfs, states)
    except (apsw.FullError, apsw.IOError, apsw.CantOpenError) as error:
        db, how = _connect_on_full(path, now_utc_ms, quota_mb, vfs, error, fresh=fresh)
    except apsw.Error as error:
        raise _unusable(path, error) from error
    try:
        begun = _begin(db, state_dir, boot_id, damaged, states, how.unbegun)
        return replace(begun, alone=how.alone, unbegun=bool(how.unbegun))
    except apsw.Error as error:
        db.close()
        raise _unusable(path, error) from error
    except BaseException:
        db.close()
        raise


def check_sqlite(version: str) -> None:
    """Refuse a SQLite that can lose commits.

    Raises:
        StoreError: It is older than `SQLITE_FIXED`.

    Source: SQLite's release notes of 3.51.3, the WAL reset race.
    """
    if tuple(int(n) for n in version.split(".")[:3]) < SQLITE_FIXED:
        raise StoreError(f"SQLite {version} can lose commits (WAL reset race); install apsw 3.51.3 or newer from PyPI")


def connected(path: Path, now_utc_ms: int, quota_mb: int, vfs: str) -> apsw.Connection:
    """The same, brought to this program's schema and looked through.

    Raises:
        apsw.Error: It cannot be, or damage was found. StoreError: See `schema.migrate`.
    """
    db = connect(path, quota_mb, vfs)
    try:
        migrate(db, str(path), now_utc_ms)
        check(db, CHECK_S)
    except BaseException:
        db.close()
        raise
    return db


def connect(path: Path, quota_mb: int, vfs: str) -> apsw.Connection:
    """A writing connection, set as ours are.

    Args:
        path: The store's file. quota_mb: Size that it never passes. vfs: SQLite VFS, see `ALONE`, or of a sick disk.

    Raises:
        apsw.Error: The file cannot be opened.
    """
    db = apsw.Connection(str(path), vfs=vfs or None)
    try:
        db.set_busy_timeout(5000)
        if not fetch(db, "pragma page_count")[0][0]:
            db.execute("pragma auto_vacuum = incremental")  # before the first table, and before WAL; else it is a write
        db.execute("pragma journal_mode = wal")
        db.execute("pragma synchronous = full")
        db.execute("pragma temp_store = memory")
        db.execute("pragma mmap_size = 0")
        db.execute(f"pragma journal_size_limit = {LOG_KEPT_BYTES}")
        db.execute(f"pragma max_page_count = {max(256, quota_mb * 1024 * 1024 // PAGE_BYTES)}")
    except BaseException:
        db.close()
        raise
    return db


def _connect_anew(
    path: Path, now_utc_ms: int, quota_mb: int, vfs: str, states: Sequence[tuple[Any, ...]]
) -> tuple[apsw.Connection, Made]:
    """In the place of a store that was moved aside, with states that could be read of it."""
    try:
        return connected(path, now_utc_ms, quota_mb, vfs), Made()
    except (apsw.FullError, apsw.IOError, apsw.CantOpenError) as error:
        return _connect_on_full(path, now_utc_ms, quota_mb, vfs, error, states, fresh=True)
    except apsw.Error as error:
        raise _unusable(path, error) from error


def _connect_on_full(
    path: Path,
    now_utc_ms: int,
    quota_mb: int,
    vfs: str,
    error: apsw.Error,
    states: Sequence[tuple[Any, ...]] = (),
    *,
    fresh: bool,
) -> tuple[apsw.Connection, Made]:
    """In the ballast's place, else alone, else in memory: people are called on a disk without a byte too.

    Where the index of the log finds no room SQLite calls it an input/output error.
    """
    if _drop_ballast(path.parent):
        with contextlib.suppress(apsw.FullError, apsw.IOError, apsw.CantOpenError):
            return connected(path, now_utc_ms, quota_mb, vfs), Made()
    elif not _is_full(path, error):
        raise _unusable(path, error) from error
    try:
        return connected(path, now_utc_ms, quota_mb, vfs or ALONE), Made(alone=True)
    except apsw.Error as again:
        if not _is_full(path, again):
            raise _unusable(path, again) from again
        why = f"{path}: the disk has no room for it ({again})"
    if fresh:
        remove_unfinished(path)
    return in_memory(path, vfs or ALONE, states, now_utc_ms), Made(unbegun=why)


def _is_full(path: Path, error: apsw.Error) -> bool:
    no_room = isinstance(error, (apsw.IOError, apsw.CantOpenError)) and _has_no_room(path.parent)
    return no_room or isinstance(error, apsw.FullError)


def _unusable(path: Path, error: apsw.Error) -> StoreError:
    return StoreError(f"{path}: cannot be opened ({error}); check the disk and the folder's permissions")


def check(db: apsw.Connection, limit_s: float) -> bool:
    """Look for damage, table by table, as far as the time goes.

    Returns:
        Whether every table was reached.

    Raises:
        apsw.CorruptError: Damage was found.
    """
    deadline = time.monotonic() + limit_s
    db.set_progress_handler(lambda: time.monotonic() > deadline, 20_000)
    try:
        for table in CHECKED:
            found = fetch(db, f"pragma quick_check({table})")[0][0]
            if found != "ok":
                raise apsw.CorruptError(f"{table}: {found}")
    except apsw.InterruptError:
        return False
    finally:
        db.set_progress_handler(None)
    return True


def move_aside(path: Path, now_utc_ms: int) -> str:
    """Keep a damaged store for whoever wants to look; the watch goes on with a new one. Gives its new name."""
    aside = path.with_name(f"{path.name}.damaged-{now_utc_ms}")
    for tail in ("", "-wal", "-shm"):
        with contextlib.suppress(FileNotFoundError):
            os.rename(f"{path}{tail}", f"{aside}{tail}")
    return aside.name


def _salvage(path: Path) -> list[tuple[Any, ...]]:
    """Judgement states of a damaged store, where they can be read: a latched shutdown must not be forgotten."""
    states: list[tuple[Any, ...]] = []
    try:
        db = apsw.Connection(str(path), flags=apsw.SQLITE_OPEN_READONLY)
    except apsw.Error:
        return states
    try:
        if fetch(db, "pragma quick_check(judgement)")[0][0] == "ok":
            states = fetch(db, "select key, input_seq, payload from judgement")
    except apsw.Error:
        states = []
    finally:
        db.close()
    return states


def _has_no_room(state_dir: Path) -> bool:
    disk = os.statvfs(state_dir)
    no_more_files = disk.f_files > 0 and not disk.f_favail
    return no_more_files or disk.f_bavail * disk.f_frsize < INDEX_BYTES


def _drop_ballast(state_dir: Path) -> bool:
    try:
        (state_dir / "ballast").unlink()
    except OSError:
        return False
    return True


def _begin(
    db: apsw.Connection, state_dir: Path, boot_id: str, damaged: str, states: list[tuple[Any, ...]], unbegun: str
) -> Opened:
    """Find where things go on, and set numbers aside before the first is used."""
    meta, damages = meta_of(db), list[Found]()
    last_seq, last_hash = newest_of(db, damages)
    first_input, last_input = fetch(db, "select coalesce(min(seq), 0), coalesce(max(seq), 0) from tail")[0]
    new = not meta
    rows = numbers_of(meta, "seq_reserved", last_seq, damages)
    inputs = numbers_of(meta, "input_reserved", last_input, damages)
    path = state_dir / "store.db"
    home = home_of(path) if path.exists() else ""
    copied = not new and not (meta.get("home") == home and Token(state_dir).fits(meta.get("token", "")))
    last_boot = str(meta.get("boot_id", ""))
    boots = boots_with(str(meta.get("boots", "")), last_boot, boot_id, inputs.first_free, first_input)
    news: dict[str, Any] = {"home": home, "boot_id": boot_id, "boots": to_text(boots), "clean": 0}
    epoch = str(meta.get("epoch", ""))
    if not new and not _EPOCH.fullmatch(epoch):
        damages.append(Found("the id of the store's life, so that a new one begins", "epoch"))
        copied = True
    news["epoch"] = new_id() if new or copied else epoch
    due = rows.due() | inputs.due()
    token = str(meta.get("token", ""))
    old_token = token if token.isascii() else ""
    unwritable = unbegun or _write_begin(db, state_dir, old_token, news | due, states)
    if unwritable:
        news["epoch"] = new_id()
    for numbers in (rows, inputs):
        if unwritable:
            numbers.unshared()
        else:
            numbers.committed(due)
    return Opened(
        db=db,
        epoch=news["epoch"],
        last_seq=last_seq,
        last_hash=last_hash,
        rows=rows,
        inputs=inputs,
        boots=boots,
        new=new,
        was_clean=new or meta.get("clean") == 1,
        rebooted=not new and last_boot != boot_id,
        copied=copied,
        damaged=damaged,
        salvaged=0 if unwritable and not unbegun else len(states),
        unwritable=unwritable,
        alone=False,
        unbegun=False,
        first_meta=news if unwritable else {},
        damages=tuple(damages),
        meta=news,
    )


def _write_begin(
    db: apsw.Connection, state_dir: Path, old_token: str, meta: dict[str, Any], states: list[tuple[Any, ...]]
) -> str:
    """Commit the begin of this run, if need be in the ballast's place; says why when the disk does not take it."""
    why = try_begin(db, Token(state_dir), old_token, meta, states)
    if why and _drop_ballast(state_dir):
        why = try_begin(db, Token(state_dir), old_token, meta, states)
    return why


def try_begin(
    db: apsw.Connection, token: Token, old_token: str, meta: dict[str, Any], states: list[tuple[Any, ...]]
) -> str:
    """Commit the begin of this run; says why when the disk does not take it.

    Args:
        old_token: What fitted so far. meta, states: What the store is to say of itself, and to know, from now on.
    """
    new_token = new_id(8)
    try:
        token.write(old_token, new_token)
        reach("before-open-commit")
        db.execute("begin immediate")
        db.executemany(INSERT_META, (meta | {"token": new_token}).items())
        db.executemany(INSERT_STATE, states)
        db.execute("commit")
    except (apsw.Error, OSError) as error:
        rollback(db)
        return f"{error}"
    reach("after-open-commit")
    with contextlib.suppress(OSError):  # the old token fits on beside the new one: a copy is noticed a run later
        token.write(new_token)
    return ""
