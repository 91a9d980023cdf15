"""Fixtures of the tests under hard conditions: watches that do not outlive their test, a subscriber beside them."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from integration.hardship import HardWatch
from integration.ledger import Ledger
from integration.site import Site
from peers.mosquitto import Mosquitto


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
