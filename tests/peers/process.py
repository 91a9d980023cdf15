"""Outside programs run as peers: started, killed, frozen, thawed by their own pid; nothing else is touched."""

from __future__ import annotations

import contextlib
import fcntl
import itertools
import os
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import pytest

READY_S = 8.0
"""A peer that is not there by then fails the test."""
LOOK_S = 0.01
FIRST, LAST, STRETCH = 20_000, 32_767, 500
"""Ports that are given to tests, and how many of them to one run."""


def program(name: str, package: str) -> str:
    """Path of an installed program; a missing one fails the test and names its Debian package."""
    places = os.environ.get("PATH", os.defpath) + os.pathsep + "/usr/sbin" + os.pathsep + "/usr/local/sbin"
    found = shutil.which(name, path=places)
    if found is None:
        pytest.fail(f"{name} is not installed; it is in the Debian package {package}: apt-get install {package}")
    return found


def port_free() -> int:
    """A TCP port of 127.0.0.1 that nobody listens on, nor is given until the test is long over.

    One that the kernel gives away may be another program's before the test's own peer listens there, for many tests run
    side by side. These are below those (see ip_local_port_range), a stretch for each run of pytest.
    """
    for _ in range(STRETCH):
        port = next(_ports)
        with socket.socket() as probe, contextlib.suppress(OSError):
            probe.bind(("127.0.0.1", port))
            return port
    raise AssertionError(f"all ports from {port - STRETCH + 1} to {port} are taken")


def _given() -> Iterator[int]:
    """The ports of a stretch that no other run has, over and over."""
    for first in range(FIRST, LAST - STRETCH + 2, STRETCH):
        file = Path(tempfile.gettempdir()) / f"nightrake-tests-ports-{first}"
        with contextlib.suppress(OSError):  # another user's, or another run's
            lock = os.open(file, os.O_RDWR | os.O_CREAT, 0o600)
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)  # until this process ends
            except OSError:
                os.close(lock)
                raise
            yield from itertools.cycle(range(first, first + STRETCH))
    raise AssertionError("more runs of pytest side by side than there are ports for")


_ports = _given()


def listens(port: int) -> bool:
    """Whether something accepts connections on a port of 127.0.0.1."""
    try:
        with socket.create_connection(("127.0.0.1", port), timeout=0.5):
            return True
    except OSError:
        return False


class Peer:
    """One outside program with a folder of its own.

    Args:
        folder: For its files and its log. port: Where it listens on 127.0.0.1.
    """

    def __init__(self, folder: Path, port: int) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        self.port = port
        self.log = folder / "log.txt"
        self._process: subprocess.Popen[bytes] | None = None
        self._frozen = False
        self._prefix: list[str] = []
        self._network = 0

    def put_inside(self, prefix: Sequence[str], pid: int) -> None:
        """Let it be started in the network of a process: with this before its command."""
        self._prefix, self._network = list(prefix), pid

    def listens_inside(self) -> bool:
        """Whether anything listens on its port, in the network that it was put inside."""
        table = Path(f"/proc/{self._network}/net/tcp").read_text(encoding="ascii").splitlines()[1:]
        return any(line.split()[1].endswith(f":{self.port:04X}") and line.split()[3] == "0A" for line in table)

    def command(self) -> list[str]:
        """Program and arguments."""
        raise NotImplementedError

    def ready(self) -> bool:
        """Whether it serves."""
        return self.listens_inside() if self._network else listens(self.port)

    def start(self) -> None:
        """Start it and wait until it serves."""
        assert self._process is None, "already running"
        with self.log.open("ab") as log:
            command = [*self._prefix, *self.command()]
            self._process = subprocess.Popen(command, stdout=log, stderr=log, stdin=subprocess.DEVNULL)
        self.wait_for(self.ready, f"{self.command()[0]} to serve on port {self.port}")

    def wait_for(self, true: Callable[[], bool], what: str) -> None:
        """Poll until something holds; fails the test after `READY_S` or when the program ends."""
        until = time.monotonic() + READY_S
        while not true():
            ended = self._process is not None and self._process.poll() is not None
            if ended or time.monotonic() > until:
                text = self.log.read_text(errors="replace")[-2000:]
                self.kill()
                pytest.fail(f"waited for {what}, in vain; its log ends:\n{text}")
            time.sleep(LOOK_S)

    def signal(self, number: int) -> None:
        """Send it a signal."""
        assert self._process is not None
        self._process.send_signal(number)

    def freeze(self) -> None:
        """Stop it in its tracks: connections stay, nothing is answered."""
        self.signal(signal.SIGSTOP)
        self._frozen = True

    def thaw(self) -> None:
        """Let it go on."""
        self.signal(signal.SIGCONT)
        self._frozen = False

    def kill(self) -> None:
        """kill -9."""
        self._end(signal.SIGKILL)

    def stop(self) -> None:
        """SIGTERM, or kill -9 if it is frozen or does not end."""
        self._end(signal.SIGKILL if self._frozen else signal.SIGTERM)

    def _end(self, number: int) -> None:
        process, self._process, self._frozen = self._process, None, False
        if process is None:
            return
        process.send_signal(number)
        try:
            process.wait(5.0)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
