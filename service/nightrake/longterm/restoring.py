"""A backup put in the place of a store, kill -9 safe: copied and checked beside it first, then moved in.

    restoring.part/   copies, held against the list's hashes; of no account until all are there
    restoring/        the same, complete: from now on it will be done, and no watch starts before it is
    replaced-TIME/    what was there before; nothing of it is deleted

The restored store is a copy: the file ``token`` is not in a backup, so the next watch gives it a new epoch, and no id
that the original gave out recurs.
"""

from __future__ import annotations

import contextlib
import os
from pathlib import Path
from typing import NamedTuple

import apsw

from nightrake.crashpoint import reach
from nightrake.errors import StoreError
from nightrake.longterm import damage, schema
from nightrake.longterm.backupfile import (
    FOLDERS,
    HISTORY,
    LIST,
    STORE,
    Backup,
    Say,
    check_room,
    clear,
    copied,
    give_to_owner,
    read_backup,
    sync_folder,
)

RESTORING = "restoring"
ASIDE = "aside"
"""File that says where to what was there before goes."""
TAILS = ("", "-wal", "-shm")
MOVED = (*(f"{name}{tail}" for name in (STORE, HISTORY) for tail in TAILS), *FOLDERS, "token", "place")


class Restored(NamedTuple):
    """What was done.

    Attributes:
        backup: Which was put in place. aside: Folder with what was there before; None = nothing was.
        finished: It was one that had been cut off.
    """

    backup: Backup
    aside: Path | None
    finished: bool


def is_cut_off(state_dir: Path) -> bool:
    """Whether a restore was killed when it was to be finished in any case."""
    return (state_dir / RESTORING).is_dir()


def holds_something(state_dir: Path) -> bool:
    """Whether there is a store or a history."""
    return any((state_dir / name).exists() for name in (STORE, HISTORY))


def restore(backup: Backup, state_dir: Path, now_utc_ms: int, store_schema: int, say: Say) -> Restored:
    """Put a backup in the place of what there is; the store's lock must be held.

    Args:
        backup: From `read_backup`. state_dir: Folder of the store. now_utc_ms: For a name.
        store_schema: Newest schema of the store that this program knows. say: See there.

    Raises:
        StoreError: It cannot be done, and nothing was changed.
    """
    part = state_dir / f"{RESTORING}.part"
    clear(part)
    try:
        part.mkdir()
        check_room(part, state_dir, backup.bytes)
        _copy(backup, part, say)
        _check_schema(part / STORE, store_schema, "store")
        _check_schema(part / HISTORY, len(schema.MIGRATIONS), "history")
        (part / ASIDE).write_text(f"replaced-{now_utc_ms}\n", encoding="ascii")
        give_to_owner(state_dir, part, *part.rglob("*"), state_dir / "lock")
        _sync_all(part)
        reach("before-restore")
        os.rename(part, state_dir / RESTORING)
        sync_folder(state_dir)
    except OSError as error:
        clear(part)
        raise StoreError(f"{state_dir}: cannot be restored ({error.strerror or error}); nothing was changed") from error
    except BaseException:
        clear(part)
        raise
    return finish(state_dir)._replace(backup=backup, finished=False)


def finish(state_dir: Path) -> Restored:
    """Move in what is complete; goes on where it was cut off.

    Raises:
        StoreError: The disk fails; ask again.
    """
    restoring = state_dir / RESTORING
    backup = read_backup(restoring)
    try:
        aside = state_dir / Path((restoring / ASIDE).read_text(encoding="ascii").strip()).name
        remains = [one.name for path in damage.remains(state_dir) for one in damage.files_of(path)]
        for name in (*MOVED, *remains):
            _move(name, state_dir, restoring, aside, comes=name in backup.tops())
        sync_folder(state_dir)
        reach("before-restored")
        done = state_dir / f"{RESTORING}.part"
        clear(done)
        os.rename(restoring, done)
        sync_folder(state_dir)
        clear(done)
    except OSError as error:
        raise StoreError(f"{state_dir}: could not be restored to the end ({error.strerror}); do it again") from error
    return Restored(backup, aside if aside.is_dir() else None, finished=True)


def _move(name: str, state_dir: Path, restoring: Path, aside: Path, *, comes: bool) -> None:
    """One name: the old one out, the new one in; whichever of these is done already stays so."""
    new, here = restoring / name, state_dir / name
    if comes and not new.exists():
        return  # it is in its place
    if here.exists():
        aside.mkdir(exist_ok=True)
        give_to_owner(state_dir, aside)
        os.rename(here, aside / name)
        sync_folder(aside)
    reach("mid-restore")
    if comes:
        os.rename(new, here)


def _copy(backup: Backup, part: Path, say: Say) -> None:
    done = 0
    for name, expected in backup.files.items():
        source = backup.path / name
        if not source.is_file():
            raise StoreError(f"{source}: is missing; nothing was changed, take another backup")
        # The size first: one that has grown would take room that was not looked for.
        found = copied(source, part / name) if source.stat().st_size == expected[0] else (-1, "")
        if found != expected:
            raise StoreError(f"{source}: is not as it was written; nothing was changed, take another backup")
        reach("mid-restore-copy")
        done += found[0]
        say(done, backup.bytes)
    copied(backup.path / LIST, part / LIST)


def _check_schema(path: Path, known: int, what: str) -> None:
    """An older program must not go on with what a newer one has written."""
    if not path.exists():
        return
    try:
        with contextlib.closing(apsw.Connection(str(path), flags=apsw.SQLITE_OPEN_READONLY)) as db:
            number = schema.schema_number(db)
    except apsw.Error as error:
        raise StoreError(f"{path.name} of the backup cannot be read ({error}); take another backup") from error
    if number > known:
        raise StoreError(
            f"{path.name} of the backup has {what} schema {number}, written by a newer nightrake; this one knows "
            f"schemas up to {known}: install the newer version, then restore"
        )


def _sync_all(part: Path) -> None:
    for folder in (part, *(path for path in part.rglob("*") if path.is_dir())):
        sync_folder(folder)
