"""One watch for each store: an advisory lock that the kernel drops with its holder, however that ends."""

from __future__ import annotations

import contextlib
import fcntl
import os
from pathlib import Path

from nightrake.errors import StoreError


def take_lock(state_dir: Path) -> int:
    """Hold the site's lock until the process ends or the descriptor is closed.

    Args:
        state_dir: Folder of the store; made if missing. Its file ``lock`` holds the holder's process id.

    Returns:
        The file descriptor that holds the lock.

    Raises:
        StoreError: Another watch holds it (its process id is named), or the folder cannot be written.
    """
    try:
        state_dir.mkdir(parents=True, exist_ok=True)
        fd = os.open(state_dir / "lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    except OSError as error:
        raise StoreError(
            f"{state_dir}: cannot be used for the store ({error.strerror}); choose a folder that this user may write"
        ) from error
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        holder = _holder(fd)
        os.close(fd)
        raise StoreError(
            f"{state_dir}: another watch (process {holder}) holds this store; stop it first, or give this one "
            "a store.dir of its own"
        ) from error
    with contextlib.suppress(OSError):  # a full disk must not keep the watch from starting
        os.ftruncate(fd, 0)
        os.pwrite(fd, f"{os.getpid()}\n".encode(), 0)
    return fd


def lock_holder(state_dir: Path) -> str:
    """Process id of the watch that holds this store, "" when none does."""
    try:
        fd = os.open(state_dir / "lock", os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return ""
    try:
        fcntl.flock(fd, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError:
        return _holder(fd)
    finally:
        os.close(fd)
    return ""


def _holder(fd: int) -> str:
    with contextlib.suppress(OSError):
        return os.pread(fd, 32, 0).decode(errors="replace").strip() or "unknown"
    return "unknown"
