"""A watch whose standard error is closed, full, or read by nobody: it watches on, keeps everything, can be stopped."""

from __future__ import annotations

import fcntl
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from integration.site import Site, Watch, until
from plc.fixtures import LibmodbusServer


class Mute(Watch):
    """A watch with a standard error of the test's own.

    Args:
        site: What to watch. error: The descriptor that it gets.
    """

    def __init__(self, site: Site, error: int) -> None:
        super().__init__(site)
        self._error = error

    def start(self, kill_at: str = "", *, wait: bool = True) -> None:
        """Start it."""
        command = [sys.executable, "-m", "nightrake.cli", "watch", str(self.site.folder)]
        self._process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=self._error, stderr=self._error)


@pytest.fixture(params=["closed", "full", "unread"])
def error(request: pytest.FixtureRequest) -> Iterator[int]:
    """A descriptor that takes nothing: a pipe whose reader went, a full disk, a pipe of one page that nobody reads."""
    reads, writes = os.pipe()
    full = os.open("/dev/full", os.O_WRONLY)
    fcntl.fcntl(writes, fcntl.F_SETPIPE_SZ, 4096)
    if request.param == "closed":
        os.close(reads)
    if request.param == "unread":
        os.write(writes, bytes(4096))
    yield full if request.param == "full" else writes
    for fd in {reads, writes, full} if request.param != "closed" else {writes, full}:
        os.close(fd)


def events(watch: Watch) -> list[str]:
    """What happened so far."""
    return [r["event"] for r in watch.ask("journal", after=0, limit=500)]


def test_watch_that_nobody_hears_keeps_a_shutdown_and_stops(
    plc: LibmodbusServer, make_recorder: Callable[..., int], free_port: int, tmp_path: Path, error: int
) -> None:
    """The shutdown is latched, journalled and there after a restart; lines given up are counted; SIGTERM ends it."""
    watch = Mute(Site(tmp_path, [make_recorder(plc.port)], free_port, scan_s=0.05), error)
    try:
        watch.start()
        until(watch.answers, "the watch to answer")
        until(lambda: watch.stage("D0") == "normal", "the drive to be read")
        for number in range(12):
            plc.set("d", 0, number % 2)
            until(lambda n=number: watch.stage("D0") == ("normal" if n % 2 else "alarm"), "the contact")
        plc.set("d", 1, 0)
        until(lambda: watch.stage("D0") == "shutdown", "the shutdown")
        # The stage is known before its rows are on disk.
        until(lambda: {"shutdown_operated", "raised"} <= set(events(watch)), "the shutdown in the journal")
        kept = len(events(watch))
        status = watch.status()
        assert watch.end() == 0
        watch.start()
        until(watch.answers, "the watch to answer again")

        assert status["log"]["dropped"] + status["log"]["waiting"] >= 12
        assert watch.drive("D0")["directions"]["forward"]["latched"]
        assert watch.ask("journal", after=0, limit=500)[-1]["seq"] > kept
        assert watch.end() == 0
    finally:
        if watch.running:
            watch.end(signal.SIGKILL)
