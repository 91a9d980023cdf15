"""Fixtures of the tests of the whole watch: a healthy plant, watches that do not outlive their test, who hears them."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from integration.hardship import HardWatch, Plants, WrongClock
from integration.ledger import Ledger
from integration.site import Site, healthy
from peers.apart import Cable
from peers.mosquitto import Mosquitto
from peers.webhook import Webhook
from plc.fixtures import HERE as PLC_PROGRAMS
from plc.fixtures import LibmodbusServer

pytest.register_assert_rewrite("integration.alarmflood")


@pytest.fixture
def plc(make_libmodbus: Callable[[], LibmodbusServer]) -> LibmodbusServer:
    """A PLC with one healthy drive."""
    server = make_libmodbus()
    healthy(server)
    return server


@pytest.fixture
def plc_program() -> Iterator[Callable[..., int]]:
    """Starts one of the programs in tests/plc (its file and arguments) and gives the port that it listens on."""
    running: list[subprocess.Popen[str]] = []

    def make(file: str, *arguments: object) -> int:
        command = [sys.executable, str(PLC_PROGRAMS / file), *map(str, arguments)]
        running.append(subprocess.Popen(command, stdout=subprocess.PIPE, text=True))
        out = running[-1].stdout
        assert out is not None
        return int(out.readline())

    yield make
    for process in running:
        process.terminate()
        process.wait(5.0)
        if process.stdout is not None:
            process.stdout.close()


@pytest.fixture
def make_watch() -> Iterator[Callable[..., HardWatch]]:
    """Makes watches (arguments of `HardWatch`), not started; those that still run at the end are killed."""
    made: list[HardWatch] = []

    def make(site: Site, **more: Any) -> HardWatch:
        made.append(HardWatch(site, **more))
        return made[-1]

    yield make
    for watch in made:
        if watch.running:
            watch.end(signal.SIGKILL)


@pytest.fixture
def heard(mosquitto: Mosquitto, tmp_path: Path) -> Iterator[Ledger]:
    """What a subscriber beside the watch has heard."""
    ledger = Ledger(mosquitto.port, tmp_path / "heard.txt")
    yield ledger
    ledger.close()


@pytest.fixture
def phone() -> Iterator[Webhook]:
    """Everybody's telephone."""
    hook = Webhook()
    yield hook
    hook.stop()


@pytest.fixture
def clock(tmp_path: Path) -> WrongClock:
    """UTC for one watch: the machine's until it is set."""
    return WrongClock(tmp_path)


@pytest.fixture
def cable() -> Iterator[Cable]:
    """A cable between two networks of the test's own."""
    made = Cable()
    yield made
    made.close()


@pytest.fixture
def plants(tmp_path: Path, libmodbus_binary: Path) -> Iterator[Plants]:
    """PLCs in them."""
    made = Plants(tmp_path, libmodbus_binary)
    yield made
    made.close()
