"""One watch for each store: advisory locks that the kernel drops with their holder, however that ends.

The folder itself is locked, and a file in it that says who holds it: somebody who tidies the file away does not let a
second watch in.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
from collections.abc import Iterator
from pathlib import Path

from nightrake.errors import StoreError

FULL = errno.ENOSPC, errno.EDQUOT


class Lock:
    """A lock that is held until it is closed, or the process ends.

    Args:
        descriptors: Of the folder, and of the file that names the holder.
    """

    def __init__(self, *descriptors: int) -> None:
        self._descriptors = descriptors

    def close(self) -> None:
        """Give the store free."""
        for fd in self._descriptors:
            os.close(fd)
        self._descriptors = ()


def take_lock(state_dir: Path) -> Lock:
    """Hold the site's lock.

    Args:
        state_dir: Folder of the store; made if missing. Its file ``lock`` holds the holder's process id.

    Raises:
        StoreError: Another watch holds it (its process id is named), or the folder cannot be written.
    """
    held: list[int] = []
    try:
        state_dir.mkdir(parents=True, exist_ok=True)
        held.append(os.open(state_dir, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC))
        with _unless_full():  # then the folder's lock alone has to do
            held.append(os.open(state_dir / "lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644))
        for fd in held:
            _flock(fd, fcntl.LOCK_EX)
    except BlockingIOError as error:
        holder = _holder(held[-1]) if len(held) > 1 else "unknown"
        _close(held)
        raise StoreError(
            f"{state_dir}: another watch (process {holder}) holds this store; stop it first, or give this one "
            "a store.dir of its own"
        ) from error
    except OSError as error:
        _close(held)
        what = "make room for it" if error.errno in FULL else "choose a folder that this user may write"
        raise StoreError(f"{state_dir}: cannot be used for the store ({error.strerror}); {what}") from error
    with contextlib.suppress(OSError):  # a full disk must not keep the watch from starting
        os.ftruncate(held[-1], 0)
        os.pwrite(held[-1], f"{os.getpid()}\n".encode(), 0)
    return Lock(*held)


@contextlib.contextmanager
def _unless_full() -> Iterator[None]:
    try:
        yield
    except OSError as error:
        if error.errno not in FULL:
            raise


def lock_holder(state_dir: Path) -> str:
    """Process id of the watch that holds this store, "" when none does."""
    try:
        folder = os.open(state_dir, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    except OSError:
        return ""
    try:
        _flock(folder, fcntl.LOCK_SH)
        with (state_dir / "lock").open("rb") as file:
            _flock(file.fileno(), fcntl.LOCK_SH)
    except BlockingIOError:
        with contextlib.suppress(OSError):
            return (state_dir / "lock").read_text(encoding="ascii", errors="replace").strip() or "unknown"
        return "unknown"
    except OSError:
        return ""
    finally:
        os.close(folder)
    return ""


def _flock(fd: int, how: int) -> None:
    try:
        fcntl.flock(fd, how | fcntl.LOCK_NB)
    except OSError as error:
        # Over the network a folder, which cannot be opened for writing, cannot be locked; the file can (flock(2)).
        if error.errno not in (errno.EBADF, errno.EINVAL, errno.ENOLCK, errno.EOPNOTSUPP):
            raise


def _close(descriptors: list[int]) -> None:
    for fd in descriptors:
        os.close(fd)


def _holder(fd: int) -> str:
    with contextlib.suppress(OSError):
        return os.pread(fd, 32, 0).decode(errors="replace").strip() or "unknown"
    return "unknown"
