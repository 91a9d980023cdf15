"""Beginning the file of a store that is in memory, as soon as the disk has room for it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import apsw

from nightrake.errors import StoreError
from nightrake.journal.identity import Token, home_of
from nightrake.journal.memory import is_empty, remove_unfinished
from nightrake.journal.opening import connected, try_begin
from nightrake.journal.sql import fetch


def begin_late(
    path: Path, memory: apsw.Connection, meta: dict[str, Any], quota_mb: int, vfs: str, now_utc_ms: int
) -> apsw.Connection:
    """Make the file, or bring it to this program's schema.

    Args:
        path: The store's file. memory: See `memory.in_memory`; stays open. meta: What the file is to say of itself.
        quota_mb, vfs, now_utc_ms: See `opening.open_store`.

    Returns:
        The writing connection to the file; what waits for a commit is not in it yet.

    Raises:
        StoreError, apsw.Error, OSError: The disk does not take it.
    """
    fresh = is_empty(path)
    try:
        db = connected(path, now_utc_ms, quota_mb, vfs)
        try:
            _begin(db, path, memory, meta)
        except BaseException:
            db.close()
            raise
    except BaseException:
        if fresh:
            remove_unfinished(path)
        raise
    return db


def _begin(db: apsw.Connection, path: Path, memory: apsw.Connection, meta: dict[str, Any]) -> None:
    found = fetch(memory, "select cast(value as blob) from meta where key = 'token'")
    token = (found[0][0] or b"").decode("ascii", "ignore") if found else ""
    states = fetch(memory, "select key, input_seq, payload from judgement")
    if why := try_begin(db, Token(path.parent), token, meta | {"home": home_of(path)}, states):
        raise StoreError(why)
