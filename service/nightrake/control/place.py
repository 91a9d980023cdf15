"""The control socket's place in the file system: taken, kept, given back; never anybody else's.

Only a socket that nobody answers on is replaced. Whatever else stands there is somebody's, and is left alone.
"""

from __future__ import annotations

import contextlib
import os
import socket
import stat
import struct
from pathlib import Path

from nightrake.errors import ControlError

PATH_BYTES = 107
"""A Unix socket's path ends within 108 bytes, the closing zero included. Source: unix(7)."""
ANSWER_S = 1.0


class Place:
    """A Unix socket's path.

    Args:
        path: Where the socket is made; its folder too, if it is missing.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._inode = (0, 0)

    def take(self) -> socket.socket:
        """Bind a new socket there; it listens as soon as it is served.

        Raises:
            ControlError: Another watch answers there, something else stands there, or nothing can be made there.
        """
        path = self.path
        if len(os.fsencode(path)) > PATH_BYTES:
            raise ControlError(
                f"{path}: the path of a Unix socket may have {PATH_BYTES} bytes; choose a shorter control.socket"
            )
        made = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._clear()
            made.setblocking(False)
            made.bind(str(path))
            path.chmod(0o660)
            self._inode = _inode(path)
        except OSError as error:
            made.close()
            raise ControlError(
                f"{path}: the control socket cannot be made there ({error.strerror or error}); choose another "
                "control.socket"
            ) from error
        except ControlError:
            made.close()
            raise
        return made

    def _clear(self) -> None:
        """Remove the socket that a killed watch left."""
        path = self.path
        try:
            mode = path.lstat().st_mode
        except FileNotFoundError:
            return
        if not stat.S_ISSOCK(mode):
            raise ControlError(f"{path}: is there already and is no socket; give control.socket a path of its own")
        holder = _holder(path)
        if holder:
            raise ControlError(
                f"{path}: another watch (process {holder}) answers there; stop it first, or give this one a "
                "control.socket and a store.dir of its own"
            )
        path.unlink(missing_ok=True)

    def trouble(self) -> str:
        """What has happened to the socket since it was taken; "" = it is there."""
        try:
            return "" if _inode(self.path) == self._inode else f"{self.path}: something else stands there now"
        except OSError as error:
            return f"{self.path}: the control socket is gone ({error.strerror or error})"

    def give_back(self) -> None:
        """Remove the socket, if it is still ours."""
        if not self.trouble():
            with contextlib.suppress(OSError):
                self.path.unlink()


def _inode(path: Path) -> tuple[int, int]:
    status = path.lstat()
    return status.st_dev, status.st_ino


def _holder(path: Path) -> str:
    """Process id of who listens on a socket, "" when nobody does."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        probe.settimeout(ANSWER_S)
        try:
            probe.connect(str(path))
            raw = probe.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i"))
        except (ConnectionRefusedError, FileNotFoundError):
            return ""
        except OSError:  # its queue is full, or it is another user's: somebody is there
            return "unknown"
    return str(struct.unpack("3i", raw)[0])
