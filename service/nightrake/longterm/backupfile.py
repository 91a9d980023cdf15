"""What a backup is: a folder of plain copies, and in it a list of them with their hashes, which is written last.

    backup.json                       site, time, how far it goes; size and SHA-256 of every other file
    store.db, history.db              each as it was at one moment; nothing beside them is needed to read them
    archive/*, trips/*                as in the store's folder

A folder without its list is no backup, however much lies in it: so one that was cut off is never taken for a whole one.
A backup may come from elsewhere, so nothing in the list is believed blindly.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import NamedTuple

from nightrake.domain.cleantext import clean
from nightrake.errors import StoreError

LIST = "backup.json"
FORM = "nightrake backup 1"
STORE, HISTORY = "store.db", "history.db"
FOLDERS = ("archive", "trips")
BLOCK = 1 << 20
MOST_LIST = 256 * 1024 * 1024
"""Bytes of a list at most: a million files."""
LITTLE_BYTES = 64 * 1024 * 1024
SMALL_SHARE = 20
"""So much of a disk, or one of so many parts of a small one, is left to the watch whose store is on it."""
Say = Callable[[int, int], None]
"""Told how far it is: bytes done, bytes in all."""


class Backup(NamedTuple):
    """A whole backup.

    Attributes:
        path: Its folder. site, program: Site id; version of nightrake that made it. taken_utc_ms: When it was begun.
        epoch: Life of the store. last_row: Newest journal row in it. sealed: Inputs up to this are in blocks.
        files: Name below the folder -> (bytes, SHA-256 in hexadecimal). history_on: History was kept then.
    """

    path: Path
    site: str
    program: str
    taken_utc_ms: int
    epoch: str
    last_row: int
    sealed: int
    files: Mapping[str, tuple[int, str]]
    history_on: bool = True

    @property
    def bytes(self) -> int:
        """Of all files."""
        return sum(size for size, _ in self.files.values())

    def tops(self) -> set[str]:
        """Names at the top of the folder."""
        return {name.partition("/")[0] for name in self.files}

    def text(self) -> str:
        """As `LIST` holds it."""
        said = self._asdict() | {"form": FORM, "files": {n: [*v] for n, v in sorted(self.files.items())}}
        del said["path"]
        return json.dumps(said, indent=1) + "\n"


def read_backup(path: Path) -> Backup:
    """The list of a backup; its files are not looked at.

    Raises:
        StoreError: It is no backup, or one that was cut off, or a newer program's.
    """
    try:
        with (path / LIST).open("rb") as file:
            said = json.loads(file.read(MOST_LIST))
        form = said["form"]
    except (FileNotFoundError, NotADirectoryError):
        raise StoreError(
            f"{path}: is no whole backup, for there is no {LIST} in it; give the folder that backup has made"
        ) from None
    except OSError as error:
        raise StoreError(f"{path / LIST}: cannot be read ({error.strerror}); check the folder's permissions") from error
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        raise _no_list(path) from error
    if form != FORM:
        raise StoreError(
            f"{path}: is '{clean(str(form), 40)}', this program knows '{FORM}'; use the program that made it"
        )
    try:
        files = {str(name): (int(size), str(digest)) for name, (size, digest) in said["files"].items()}
        found = Backup(
            path,
            str(said["site"]),
            str(said["program"]),
            int(said["taken_utc_ms"]),
            str(said["epoch"]),
            int(said["last_row"]),
            int(said["sealed"]),
            files,
            said.get("history_on") is not False,
        )
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise _no_list(path) from error
    strange = next((name for name in files if not _is_name(name)), None)
    if strange is not None or STORE not in files:
        raise _no_list(path)
    return found


def _no_list(path: Path) -> StoreError:
    return StoreError(f"{path / LIST}: is damaged, or no list of a backup; take another backup")


def _is_name(name: str) -> bool:
    """Whether a file may stand in a backup: one of the databases, or below one of the folders."""
    parts = name.split("/")
    plain = all(part and part not in (".", "..") and "\0" not in part for part in parts)
    return plain and (name in (STORE, HISTORY) or (len(parts) in (2, 3) and parts[0] in FOLDERS))


def write_list(backup: Backup) -> None:
    """Make a backup of a folder of copies: the last thing that is written into it.

    Raises:
        OSError: The disk fails.
    """
    news = backup.path / f".{LIST}.part"
    with news.open("w", encoding="utf-8") as file:
        file.write(backup.text())
        file.flush()
        os.fsync(file.fileno())
    news.replace(backup.path / LIST)
    sync_folder(backup.path)


def faults_of(backup: Backup, say: Say) -> Iterator[str]:
    """A sentence for each file of a backup that is not as it was written."""
    done = 0
    for name, (size, digest) in backup.files.items():
        path = backup.path / name
        try:
            if (path.stat().st_size, digest_of_file(path)) != (size, digest):
                yield f"{path}: is not as it was written; take another backup"
        except FileNotFoundError:
            yield f"{path}: is missing; take another backup"
        except OSError as error:
            yield f"{path}: cannot be read ({error.strerror}); check the disk"
        done += size
        say(done, backup.bytes)


def digest_of_file(path: Path) -> str:
    """SHA-256 of a file's bytes, in hexadecimal."""
    whole = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(BLOCK):
            whole.update(block)
    return whole.hexdigest()


def copied(source: Path, target: Path) -> tuple[int, str]:
    """Copy a file, on disk when this returns; gives its size and SHA-256.

    Raises:
        OSError: It cannot be read or written.
    """
    whole, size = hashlib.sha256(), 0
    with source.open("rb") as old:
        target.parent.mkdir(parents=True, exist_ok=True)
        with target.open("wb") as new:
            while block := old.read(BLOCK):
                new.write(block)
                whole.update(block)
                size += len(block)
            new.flush()
            os.fsync(new.fileno())
    return size, whole.hexdigest()


def sync_folder(path: Path) -> None:
    """Names in a folder, on disk."""
    handle = os.open(path, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def give_to_owner(folder: Path, *paths: Path) -> None:
    """What root has made in a folder belongs to whoever the folder belongs to: the watch runs as a user of its own.

    Raises:
        OSError: The disk does not take it.
    """
    if os.geteuid() == 0:
        owner = folder.stat()
        for path in paths:
            os.chown(path, owner.st_uid, owner.st_gid)


def clear(path: Path) -> None:
    """Remove a folder of copies, its list first: without one it is nothing."""
    with contextlib.suppress(OSError):
        (path / LIST).unlink()
    shutil.rmtree(path, ignore_errors=True)


def free_bytes(path: Path, beside: Path) -> int:
    """What may be written at a place; a part of the disk on which `beside` lies is left to the watch."""
    disk = os.statvfs(path)
    free = disk.f_bavail * disk.f_frsize
    if path.stat().st_dev == beside.stat().st_dev:
        free -= min(LITTLE_BYTES, disk.f_blocks * disk.f_frsize // SMALL_SHARE)
    return max(0, free)


def check_room(path: Path, beside: Path, needed: int) -> None:
    """Whether so much can be written at a place.

    Raises:
        StoreError: It cannot.
    """
    free = free_bytes(path, beside)
    if needed > free:
        raise StoreError(
            f"{path}: {needed / 1024**2:.1f} MiB are needed, and {free / 1024**2:.1f} MiB of the disk can be used; "
            "make room, or choose another disk"
        )
