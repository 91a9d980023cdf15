"""The operator's page of the demo: on a free port, with a password for its people, opened where there is a desktop.

Whatever becomes of it, the demo goes on.
"""

from __future__ import annotations

import contextlib
import os
import socket
import subprocess
import sys
from collections.abc import Collection, Mapping
from typing import Any

PASSWORD = "turning-slowly"
"""Of everybody in the demo, and of nobody else: it is printed, so it protects nothing."""
MEMORY_KIB, ROUNDS = 19 * 1024, 2
"""Source: OWASP Password Storage Cheat Sheet, its least for Argon2id (from memory); seven of them take a blink."""


def page_settings(people: Collection[str]) -> dict[str, str | int]:
    """What the demo sets for its page: for this machine only, and a password for each person.

    Args:
        people: Their ids; each gets a hash of its own, made now, so that none stands in the example.
    """
    from argon2 import PasswordHasher

    hasher = PasswordHasher(time_cost=ROUNDS, memory_cost=MEMORY_KIB, parallelism=1)
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    page = {"enabled": "true", "host": "127.0.0.1", "port": port, "cert_file": "", "key_file": "", "public_url": ""}
    return {
        **{f"page.{key}": value for key, value in page.items()},
        **{f"person.{person}.page_password": hasher.hash(PASSWORD) for person in people},
    }


class DemoPage:
    """What is told of the page, once it is there.

    Args:
        desktop: Open it in a browser, where there is one.

    Attributes:
        address: Where it is; "" until it is served.
    """

    def __init__(self, desktop: bool) -> None:
        self._desktop = desktop
        self._told = ""
        self._browser: subprocess.Popen[bytes] | None = None
        self.address = ""

    def take(self, status: Mapping[str, Any]) -> list[str]:
        """Lines to show now, if there is something new.

        Args:
            status: What the watch says of its page.
        """
        if status["up"] and status["address"]:
            self.address = str(status["address"])
            if self._desktop:
                self._browser = opened(self.address)
            return [
                f"page: {self.address} (charts begin with the demo: choose 10 min)",
                f"page: to act on it, sign in as any of its people with the password {PASSWORD}; for the demo only",
            ]
        why = str(status["detail"])
        if why and why != self._told:
            self._told = why
            return [f"page: not there yet: {why}"]
        return []

    def close(self) -> None:
        """The browser is the user's own and stays."""
        if self._browser is not None:
            self._browser.poll()


def has_desktop(environment: Mapping[str, str]) -> bool:
    """Whether somebody sits at a desktop and reads what we print: nothing is opened from a script or a test."""
    return sys.stdout.isatty() and bool(environment.get("DISPLAY") or environment.get("WAYLAND_DISPLAY"))


def opened(address: str) -> subprocess.Popen[bytes] | None:
    """Ask for the page to be opened, in a process of its own: finding a browser may take long, and must not be seen.

    It has no terminal, so that no browser for terminals takes ours.

    Returns:
        The process; None if it could not be started.
    """
    nowhere = subprocess.DEVNULL
    with contextlib.suppress(OSError):
        return subprocess.Popen(
            [sys.executable, "-P", "-m", "webbrowser", address],
            stdin=nowhere,
            stdout=nowhere,
            stderr=nowhere,
            env=dict(os.environ),
            start_new_session=True,
        )
    return None
