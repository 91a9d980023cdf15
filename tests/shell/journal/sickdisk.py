"""A disk that hangs, fails or is full when told to: a VFS between SQLite and the file system."""

from __future__ import annotations

import itertools
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import apsw

_count = itertools.count()


class SickDisk:
    """What goes wrong now.

    Attributes:
        name: Name of the VFS.
        error: Class of the error that every write meets, None = none.
        spares: Files whose names end so are not touched by `error`.
        go: Cleared, it makes every sync wait.
        syncs: How many there were. waiting: Set while a sync waits.
    """

    def __init__(self) -> None:
        self.name = f"sick{next(_count)}"
        self.error: type[apsw.Error] | None = None
        self.spares: tuple[str, ...] = ()
        self.go = threading.Event()
        self.go.set()
        self.waiting = threading.Event()
        self.syncs = 0

    def sync(self) -> None:
        """One fsync."""
        self.syncs += 1
        if not self.go.is_set():
            self.waiting.set()
            self.go.wait(15.0)

    def write(self, name: str) -> None:
        """One write."""
        if self.error is not None and not (self.spares and name.endswith(self.spares)):
            raise self.error("the disk is sick")


@contextmanager
def sick_disk() -> Iterator[SickDisk]:
    """A disk that is well until told otherwise."""
    disk = SickDisk()

    class File(apsw.VFSFile):
        def __init__(self, name: Any, flags: list[int]) -> None:
            super().__init__("", name, flags)
            self._name = str(name.filename() if hasattr(name, "filename") else name)

        def xSync(self, flags: int) -> None:  # noqa: N802  (apsw's name)
            disk.sync()
            super().xSync(flags)

        def xWrite(self, data: bytes, offset: int) -> None:  # noqa: N802
            disk.write(self._name)
            super().xWrite(data, offset)

    class Vfs(apsw.VFS):
        def __init__(self) -> None:
            super().__init__(disk.name, "")

        def xOpen(self, name: Any, flags: list[int]) -> File:  # noqa: N802
            return File(name, flags)

    vfs = Vfs()
    try:
        yield disk
    finally:
        disk.error = None
        disk.go.set()
        vfs.unregister()
