"""A store that a full disk has no room for: what a start has to know of the one before is read from memory.

A new file, or one that has to be brought to this program's schema first, needs room before it can be opened for
writing. People are called all the same: what happens waits in memory, as with a disk that is away, and the file is
begun as soon as there is room (`opening.begin_late`).
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any
from urllib.parse import quote

import apsw

from nightrake.errors import StoreError
from nightrake.journal.batch import INSERT_STATE
from nightrake.journal.schema import migrate
from nightrake.journal.sql import fetch

MEMORY = "memdb"
"""SQLite's VFS of a database in memory that all connections of the process share which name it so, with a slash first.
Source: SQLite, release notes of 3.36.0, and the comment at the head of its memdb.c."""
ROWS = 2000
"""As many of the newest journal rows are read: of these the last is gone on from, and others say what was told."""
COPIED = {
    "meta": "",
    "migration": "",
    "judgement": "",
    "cursor": "",
    "clock_segment": "",
    "archive": "",
    "journal": f"order by seq desc limit {ROWS}",
    "tail": "where seq in ((select min(seq) from kept.tail), (select max(seq) from kept.tail))",
}
"""Table -> which of its rows: the small ones, and of the large ones what a start looks at."""


def is_empty(path: Path) -> bool:
    """Whether there is no store at a path yet."""
    return not path.exists() or not path.stat().st_size


def remove_unfinished(path: Path) -> None:
    """A file that was begun where there was none, and could not be made whole."""
    for tail in ("", "-wal", "-shm", "-journal"):
        Path(f"{path}{tail}").unlink(missing_ok=True)


def uri_of(path: Path) -> str:
    """What the store in memory in the place of a file is opened by."""
    return f"file:/{quote(str(path), safe='')}?vfs={MEMORY}"


def in_memory(path: Path, vfs: str, states: Iterable[tuple[Any, ...]], now_utc_ms: int) -> apsw.Connection:
    """A store in memory, of this program's schema, with what a start has to know of the file, if there is one.

    Args:
        path: The store's file. vfs: By which it can be read on a full disk. states: To be put among its states.
        now_utc_ms: For the record of the migrations.

    Raises:
        StoreError: The file cannot be read.
    """
    flags = apsw.SQLITE_OPEN_READWRITE | apsw.SQLITE_OPEN_CREATE | apsw.SQLITE_OPEN_URI
    db = apsw.Connection(uri_of(path), flags=flags)
    try:
        db.execute("pragma temp_store = memory")
        if not is_empty(path):
            _take_over(db, path, vfs)
        migrate(db, str(path), now_utc_ms)
        db.executemany(INSERT_STATE, states)
    except apsw.Error as error:
        db.close()
        raise StoreError(f"{path}: the disk is full, and it cannot be read ({error}); make room, then start") from error
    except BaseException:
        db.close()
        raise
    return db


def _take_over(db: apsw.Connection, path: Path, vfs: str) -> None:
    db.execute("attach ? as kept", (f"file:{quote(str(path))}?vfs={vfs}",))
    made = fetch(db, "select type, name, sql from kept.sqlite_schema where sql is not null order by type desc")
    for _, _, statement in made:  # tables before their indices
        db.execute(statement)
    for kind, name, _ in made:
        if kind == "table" and name in COPIED:
            db.execute(f"insert into main.{name} select * from kept.{name} {COPIED[name]}")
    db.execute("detach kept")
