"""Static files: read once at the start, so that nothing outside the folder can be asked for, and cached for a year."""

from __future__ import annotations

import gzip
import hashlib
from pathlib import Path
from typing import NamedTuple

TYPES = {
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
    ".png": "image/png",
    ".ico": "image/x-icon",
    ".txt": "text/plain; charset=utf-8",
    ".webmanifest": "application/manifest+json",
}
"""What is served; other files are not."""
LARGEST = 2_000_000


class File(NamedTuple):
    """One file: its bytes, the same gzipped (empty where that is no gain), and its type."""

    plain: bytes
    packed: bytes
    media_type: str


class Statics:
    """All files of a folder.

    Args:
        folder: Read now, with what is below it.

    Attributes:
        digest: Of all of them; it stands in every address, so that modules find each other by relative names.
    """

    def __init__(self, folder: Path) -> None:
        self._files = {p.relative_to(folder).as_posix(): _read(p) for p in sorted(folder.rglob("*")) if _is_served(p)}
        made = hashlib.sha256()
        for name, file in self._files.items():
            made.update(f"{name}\0{len(file.plain)}\0".encode() + file.plain)
        self.digest = made.hexdigest()[:16]

    def address(self, name: str) -> str:
        """The address of a file.

        Raises:
            LookupError: There is none of this name.
        """
        if name not in self._files:
            raise LookupError(f"there is no static file '{name}'")
        return f"/static/{self.digest}/{name}"

    def find(self, name: str) -> File | None:
        """A file by its name below the folder."""
        return self._files.get(name)


def _is_served(path: Path) -> bool:
    return path.is_file() and not path.is_symlink() and path.suffix in TYPES and path.stat().st_size <= LARGEST


def _read(path: Path) -> File:
    plain = path.read_bytes()
    packed = gzip.compress(plain, 9, mtime=0)
    return File(plain, packed if len(packed) < len(plain) else b"", TYPES[path.suffix])
