"""The history worker on a disk that is full when a test says so, by files in its folder.

    full-once   the next write into the log of history.db finds no room; the file is taken away then
    scarce      the disk says that next to nothing is left

While a history.db.damaged-* lies in the folder nothing can be written into history.db.
"""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from typing import Any

import apsw

from nightrake.workers import keeping
from shell.longterm.apartworker import Worker

TESTS = Path(__file__).resolve().parents[2]


class SickWorker(Worker):
    """See the module."""

    program = (
        "-c",
        f"import sys; sys.path.append({str(TESTS)!r}); from shell.longterm import sickworker as s; s.main()",
    )


class File(apsw.VFSFile):
    """A file on that disk."""

    def __init__(self, folder: Path, name: Any, flags: list[int]) -> None:
        super().__init__("unix", name, flags)
        path = name.filename() if hasattr(name, "filename") else name
        self._folder, self._name = folder, Path(path or "none").name

    def xWrite(self, data: bytes, offset: int) -> None:  # noqa: N802  (apsw's name)
        """One write."""
        once = self._folder / "full-once"
        moved = self._name.startswith("history.db") and any(self._folder.glob("history.db.damaged-*"))
        if moved or (self._name == "history.db-wal" and once.exists()):
            once.unlink(missing_ok=True)
            raise apsw.FullError("the disk is full")
        super().xWrite(data, offset)


class Vfs(apsw.VFS):
    """That disk; every connection of the process is on it."""

    def __init__(self, folder: Path) -> None:
        super().__init__("sick", "unix", makedefault=True)
        self._folder = folder

    def xOpen(self, name: Any, flags: list[int]) -> File:  # noqa: N802
        """A file is opened."""
        return File(self._folder, name, flags)


def main() -> None:
    """The worker, on that disk."""
    folder = Path(json.loads(sys.argv[1])["state_dir"])
    disk, ask = Vfs(folder), os.statvfs

    def statvfs(path: Any) -> Any:
        found = ask(path)
        return os.statvfs_result((*found[:4], 0, *found[5:])) if (folder / "scarce").exists() else found

    os.statvfs = statvfs
    keeping.main()
    disk.unregister()
