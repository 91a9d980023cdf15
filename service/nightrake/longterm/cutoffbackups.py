"""Backups of any name that were killed while they were made: each would keep its gigabytes for good, out of sight.

A backup that is stopped in any other way clears up after itself, and one of the same name clears up after a killed one.
Names with a date in them never recur, so the next backup beside it does.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from nightrake.longterm.backupfile import FOLDERS, HISTORY, LIST, STORE, clear

PATTERN = ".*.part"
_TAILS = ("", "-journal", "-wal", "-shm")
OURS = {*FOLDERS, LIST, *(f"{name}{tail}" for name in (STORE, HISTORY) for tail in _TAILS)}
"""What lies in one; a folder with anything else in it is somebody else's."""


def clear_cut_off(folder: Path) -> list[Path]:
    """Clear what killed backups left in a folder; what cannot be cleared stays.

    Args:
        folder: That backups are made in.

    Returns:
        What was cleared. One that is being made is left alone, for whoever makes it holds its lock; an empty one too,
        for it may be about to be locked, and takes no room.
    """
    cleared = []
    with contextlib.suppress(OSError):
        for part in sorted(folder.glob(PATTERN)):
            with contextlib.suppress(OSError), _held(part) as is_held:
                if is_held and _is_ours(part):
                    clear(part)
                    cleared.append(part)
    return cleared


@contextmanager
def _held(part: Path) -> Iterator[bool]:
    """Whether the lock was free; then it is ours, on the folder that has this name now."""
    handle = os.open(part, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        yield os.path.samestat(os.fstat(handle), os.lstat(part))
    except BlockingIOError:
        yield False
    finally:
        os.close(handle)


def _is_ours(part: Path) -> bool:
    """Nothing is in it that a backup does not have; before it has a store, mode and owner tell."""
    found = part.stat()
    names = {path.name for path in part.iterdir()}
    is_private = found.st_uid == os.geteuid() and not found.st_mode & 0o077
    return bool(names) and names <= OURS and (STORE in names or is_private)
