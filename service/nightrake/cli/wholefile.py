"""A file that is written whole or not at all: beside its place first, and under its name only when it is on disk."""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from nightrake.errors import NightrakeError

MOST_NAME = 200
"""Bytes of the file's own name within that of the half file; file systems take 255 in all."""
NO_LINKS = (errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS)
"""What file systems without hard links answer. Source: link(2) (EPERM); the others as seen of network file systems,
from memory."""


def check_target(path: Path, *, replace: bool, suffix: str = "") -> None:
    """Whether a file can be written here, before anything is read for it.

    Args:
        path: Where. replace: A file of that name may go. suffix: How the name must end; "" = as it likes.

    Raises:
        NightrakeError: It is a folder, in none, there already, or named for something else.
    """
    if str(path) == "-":
        raise NightrakeError("'-': standard output takes CSV alone; give the name of a file")
    if suffix and path.suffix.lower() != suffix:
        raise NightrakeError(f"{path}: name a file that ends in {suffix}")
    try:
        if path.is_dir():
            raise NightrakeError(f"{path}: is a folder; give the name of a file")
        if not path.parent.is_dir():
            raise NightrakeError(f"{path}: there is no folder {path.parent}; make it first")
        if path.exists() and not (replace and path.is_file()):
            raise NightrakeError(f"{path}: is there already; give another name, or --replace")
    except OSError as error:
        raise _unwritable(path, error) from error


def _unwritable(path: Path, error: OSError) -> NightrakeError:
    return NightrakeError(f"{path}: cannot be written ({error.strerror}); nothing was left behind")


@contextmanager
def whole_file(path: Path, *, replace: bool) -> Iterator[BinaryIO]:
    """The file, to be written; it gets its name when the block ends well, and is gone when it does not.

    Who may read it is for the umask to say, as of any file that a person makes.

    Raises:
        NightrakeError: It cannot be written.
    """
    # Named before it is made: whatever stops us in between, it is known what to take away.
    news = path.with_name(f".{os.fsdecode(os.fsencode(path.name)[:MOST_NAME])}.{secrets.token_hex(8)}")
    try:
        with news.open("xb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        if replace:
            news.replace(path)
        else:
            _name_it(news, path)
        _sync_folder(path.parent)
    except FileExistsError:
        raise NightrakeError(f"{path}: is there already; give another name, or --replace") from None
    except OSError as error:
        raise _unwritable(path, error) from error
    finally:
        with contextlib.suppress(FileNotFoundError):
            news.unlink()


def _name_it(news: Path, path: Path) -> None:
    """Give the file its name, and take nobody's place.

    Raises:
        FileExistsError: The name is taken.
    """
    try:
        os.link(news, path)
    except OSError as error:
        if error.errno not in NO_LINKS:
            raise
        _name_without_links(news, path)


def _name_without_links(news: Path, path: Path) -> None:
    """Likewise on a USB stick or a share: an empty file takes the name, which only one can; ours takes its place."""
    os.close(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o666))
    try:
        news.replace(path)
    except BaseException:
        if news.exists():  # else ours has the name
            path.unlink()
        raise


def _sync_folder(folder: Path) -> None:
    """So that the name too outlives a pulled plug; the file itself is on disk already."""
    with contextlib.suppress(OSError):  # some shares sync no folders
        handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
