"""The test in the place of systemd: it hears that the watch is ready and that it lives."""

from __future__ import annotations

import os
import socket
import time
from pathlib import Path

LOOK_S = 0.02


class Supervisor:
    """Listens where NOTIFY_SOCKET leads.

    Args:
        folder: For the socket. watchdog_s: A watch that says nothing for this long counts as stuck.

    Attributes:
        environment: What the watch has to be given.
    """

    def __init__(self, folder: Path, watchdog_s: float) -> None:
        path = folder / "notify"
        self._watchdog_s = watchdog_s
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(str(path))
        self.environment = {"NOTIFY_SOCKET": str(path), "WATCHDOG_USEC": str(round(watchdog_s * 1e6))}

    def heard(self, line: str, within_s: float) -> bool:
        """Wait for a line such as WATCHDOG=1; False when it does not come in time."""
        end_s = time.monotonic() + within_s
        while (left_s := end_s - time.monotonic()) > 0:
            self._socket.settimeout(left_s)
            try:
                if line in self._socket.recv(4096).decode().split("\n"):
                    return True
            except TimeoutError:
                break
        return False

    def is_starved(self, within_s: float) -> bool:
        """Wait until the watchdog's time is up without a word; False when the watch goes on living."""
        end_s = time.monotonic() + within_s
        while time.monotonic() < end_s:
            if not self.heard("WATCHDOG=1", self._watchdog_s):
                return True
        return False

    def forget(self) -> None:
        """What was said so far is old."""
        self._socket.setblocking(False)
        try:
            while self._socket.recv(4096):
                continue
        except BlockingIOError:
            return

    def close(self) -> None:
        """Listen no more."""
        self._socket.close()
        os.unlink(self.environment["NOTIFY_SOCKET"])
