"""Fixtures: brokers and stores for a test, gone when it ends."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from peers.mosquitto import Mosquitto
from peers.victoria import Victoria


@pytest.fixture
def make_mosquitto(tmp_path: Path) -> Iterator[Callable[..., Mosquitto]]:
    """Makes brokers (arguments of `Mosquitto` after the folder), not started; all are stopped at the end."""
    made: list[Mosquitto] = []

    def make(*args: Any, **kwargs: Any) -> Mosquitto:
        made.append(Mosquitto(tmp_path / f"mosquitto{len(made)}", *args, **kwargs))
        return made[-1]

    yield make
    for broker in made:
        broker.stop()


@pytest.fixture
def mosquitto(make_mosquitto: Callable[..., Mosquitto]) -> Mosquitto:
    """A broker that serves anybody."""
    broker = make_mosquitto()
    broker.start()
    return broker


@pytest.fixture
def make_victoria(tmp_path: Path) -> Iterator[Callable[..., Victoria]]:
    """Makes stores (flags as arguments), not started; all are stopped at the end."""
    made: list[Victoria] = []

    def make(*flags: str) -> Victoria:
        made.append(Victoria(tmp_path / f"victoria{len(made)}", flags))
        return made[-1]

    yield make
    for store in made:
        store.stop()


@pytest.fixture
def victoria(make_victoria: Callable[..., Victoria]) -> Victoria:
    """A store in which a sample sent twice counts once."""
    store = make_victoria("-dedup.minScrapeInterval=1ms")
    store.start()
    return store
