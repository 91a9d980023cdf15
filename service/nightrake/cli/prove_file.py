"""The file of an unfinished proving: one event a line, on disk before anything is said about it."""

from __future__ import annotations

import errno
import fcntl
import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Self

from nightrake.commissioning.proving import Session, after, read_events, session_of
from nightrake.errors import CalibrationError

MOST_BYTES = 4_000_000
"""A day of points and edges is a hundredth of this; a larger file is none of ours."""


class SessionFile:
    """Appends events to one file; whoever holds it is the only one.

    Args:
        path: The file; made when there is none.

    Raises:
        CalibrationError: It is damaged, another proving holds it, or the disk does not take it.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC, 0o664)
        except OSError as error:
            raise CalibrationError(f"{path}: cannot be written ({error.strerror}); run it as a user who may") from error
        try:
            fcntl.flock(self._handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            os.close(self._handle)
            raise CalibrationError(f"{path}: another 'nightrake prove' holds this session; finish it there") from error
        try:
            self.session = self._read()
        except CalibrationError:
            self.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    def _read(self) -> Session:
        size = os.fstat(self._handle).st_size
        if size > MOST_BYTES:
            raise CalibrationError(f"{self.path}: has {size} bytes, which no proving session has; move it away")
        raw = os.pread(self._handle, size, 0)
        # What was being written at a kill has no end of line: nobody was told of it, and the next must not join it.
        whole = raw[: raw.rfind(b"\n") + 1]
        if len(whole) < len(raw):
            os.ftruncate(self._handle, len(whole))
        try:
            text = whole.decode()
        except UnicodeDecodeError as error:
            raise CalibrationError(f"{self.path}: is not text; move it away and begin anew") from error
        return session_of(read_events(text, str(self.path)))

    def append(self, event: Mapping[str, Any]) -> Session:
        """Write one event and give the session after it.

        Raises:
            CalibrationError: The disk did not take it; then it does not count.
        """
        session = after(self.session, event)
        line = json.dumps(event, ensure_ascii=False).encode(errors="replace") + b"\n"
        try:
            if os.fstat(self._handle).st_nlink == 0:
                self._restore()
            before = os.fstat(self._handle).st_size
            if os.write(self._handle, line) != len(line):
                os.ftruncate(self._handle, before)
                raise CalibrationError(
                    f"{self.path}: the disk is full; free some and repeat, nothing before it is lost"
                )
            os.fsync(self._handle)
        except OSError as error:
            raise CalibrationError(
                f"{self.path}: was not written ({error.strerror}); repeat it, nothing before it is lost"
            ) from error
        self.session = session
        return session

    def put_away(self, ending: str) -> Path:
        """Give the file its last name (``.finished`` or ``.abandoned``, numbered if need be); it is kept."""
        for number in range(1, 1000):
            target = self.path.with_name(f"{self.path.name}.{ending}{number if number > 1 else ''}")
            if not target.exists():
                return self._renamed(target)
        raise CalibrationError(f"{self.path}: there are a thousand {ending} sessions beside it; move some away")

    def _renamed(self, target: Path) -> Path:
        try:
            if os.fstat(self._handle).st_nlink == 0:
                self._restore()
            self.path.rename(target)
        except OSError as error:
            raise CalibrationError(
                f"{self.path}: cannot be put away as {target.name} ({error.strerror}); it is kept as it is: see who "
                "may write in that folder, and repeat it"
            ) from error
        return target

    def _restore(self) -> None:
        """Write the file anew where somebody has removed it from under us; nothing of it is lost so."""
        whole = os.pread(self._handle, MOST_BYTES, 0)
        anew = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_APPEND | os.O_CLOEXEC, 0o664)
        try:
            fcntl.flock(anew, fcntl.LOCK_EX | fcntl.LOCK_NB)
            if os.write(anew, whole) != len(whole):
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        except OSError:
            self.path.unlink()
            os.close(anew)
            raise
        os.close(self._handle)
        self._handle = anew

    def close(self) -> None:
        """Let go of the file."""
        if self._handle >= 0:
            os.close(self._handle)
            self._handle = -1
