"""A file that is written whole or not at all: beside its place first, and under its name only when it is on disk."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from nightrake.errors import NightrakeError


def check_target(path: Path, *, replace: bool) -> None:
    """Whether a file can be written here, before anything is read for it.

    Raises:
        NightrakeError: It is a folder, in none, or there already.
    """
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

    Raises:
        NightrakeError: It cannot be written.
    """
    news: Path | None = None
    try:
        fd, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
        news = Path(name)
        with os.fdopen(fd, "wb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        if replace:
            news.replace(path)
        else:
            os.link(news, path)  # unlike a renaming it takes nobody's place
    except FileExistsError:
        raise NightrakeError(f"{path}: is there already; give another name, or --replace") from None
    except OSError as error:
        raise _unwritable(path, error) from error
    finally:
        if news is not None:
            with contextlib.suppress(FileNotFoundError):
                news.unlink()
