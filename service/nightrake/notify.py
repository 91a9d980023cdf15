"""systemd's notification socket: ready, watchdog, stopping. Nothing happens where systemd did not start us."""

from __future__ import annotations

import contextlib
import os
import socket


class Notifier:
    """Sends service state to systemd (sd_notify(3)).

    Args:
        address: Value of NOTIFY_SOCKET; None or "" = not under systemd.
        watchdog_usec: Value of WATCHDOG_USEC; None = no watchdog.
    """

    def __init__(self, address: str | None, watchdog_usec: str | None) -> None:
        self._address = address or ""
        self.watchdog_s = int(watchdog_usec) / 1e6 if watchdog_usec and watchdog_usec.isdigit() else 0.0

    @classmethod
    def from_environment(cls) -> Notifier:
        """The notifier that systemd's environment asks for."""
        return cls(os.environ.get("NOTIFY_SOCKET"), os.environ.get("WATCHDOG_USEC"))

    def send(self, *lines: str) -> None:
        """Send state lines such as ``READY=1``. A vanished socket is no reason to stop watching."""
        if not self._address:
            return
        name = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
            sock.setblocking(False)
            sock.sendto("\n".join(lines).encode(), name)
