"""Telling a store from its copy: a copy or a restored backup must not give out numbers that the original gave out.

Two things must agree: the machine's id with the inodes of file and folder, kept in `meta`, and a token that changes
at each start, kept in `meta` and in the file ``token`` beside the store (so a backup put back in place is noticed).
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import secrets
import sys
from pathlib import Path

MACHINE_ID = Path("/etc/machine-id")
PLACE = "place"
"""Name of the file that says which log belongs to which store file, by their inodes."""
GET_VERSION = 0x80087601
"""FS_IOC_GETVERSION, _IOR('v', 1, long), of 64-bit machines; others answer that they do not know it."""


def home_of(path: Path) -> str:
    """The file itself on this machine. The device number is left out: it may change with every boot."""
    machine = ""
    with contextlib.suppress(OSError, ValueError):
        machine = MACHINE_ID.read_text(encoding="ascii").strip()
    return f"{machine}:{path.stat().st_ino}:{_life_of(path.parent)}"


def _life_of(folder: Path) -> int:
    """Which life of its inode a folder is: one that was deleted and copied back often gets the same inode again.

    Asked of the folder, since closing the store's own file would take SQLite's locks on it away. 0 where the file
    system does not say. Source: ioctl_iflags(2) and the kernel's fs.h, FS_IOC_GETVERSION.
    """
    life = bytearray(8)
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            fcntl.ioctl(handle, GET_VERSION, life)
        finally:
            os.close(handle)
    return int.from_bytes(life, sys.byteorder)


def new_id(count: int = 6) -> str:
    """A random id of twice as many hexadecimal digits."""
    return secrets.token_hex(count)


def inode_of(path: Path) -> int:
    """Of what a name leads to; 0 = nothing."""
    with contextlib.suppress(FileNotFoundError, NotADirectoryError):
        return path.stat().st_ino
    return 0


def note_place(path: Path, inode: int, log: int) -> None:
    """Say which write-ahead log belongs to which store file.

    Args:
        path: The store's file. inode, log: Of the file and of its log, 0 = there is none.

    Raises:
        OSError: The disk does not take it.
    """
    path.with_name(PLACE).write_text(f"{inode} {log}\n", encoding="ascii")


def put_foreign_log_aside(path: Path, now_utc_ms: int) -> None:
    """Before a store is opened: a log that belongs to the file that was here before must not be played into this one.

    Args:
        path: The store's file. now_utc_ms: For the log's new name.
    """
    try:
        inode, log = (int(word) for word in path.with_name(PLACE).read_text(encoding="ascii").split())
    except (OSError, ValueError):
        return
    if log and inode_of(Path(f"{path}-wal")) == log and inode_of(path) not in (0, inode):
        for tail in ("-wal", "-shm"):
            with contextlib.suppress(FileNotFoundError):
                os.rename(f"{path}{tail}", f"{path}.displaced-{now_utc_ms}{tail}")


class Token:
    """The file ``token`` beside the store.

    Args:
        state_dir: Folder of the store.
    """

    def __init__(self, state_dir: Path) -> None:
        self._path = state_dir / "token"

    def fits(self, token: object) -> bool:
        """Whether the store's token is one of those written beside it."""
        try:
            return str(token) in self._path.read_text(encoding="ascii").split()
        except (OSError, ValueError):
            return False

    def write(self, *tokens: str) -> None:
        """Write the tokens that fit from now on; old and new both, while a commit decides which it will be.

        Raises:
            OSError: The disk does not take them.
        """
        news = self._path.with_suffix(".new")
        with news.open("w", encoding="ascii") as file:
            file.write(" ".join(tokens) + "\n")
            file.flush()
            os.fsync(file.fileno())
        news.replace(self._path)
