"""What every test has: guards (see `guards.py`), clocks, ports, the peers' fixtures, Hypothesis profiles."""

from __future__ import annotations

import os
import socket
from collections.abc import Callable

import hypothesis
import pytest

from clocks import ManualClock

pytest_plugins = ["guards", "plc.fixtures", "peers.fixtures"]

# The suite finds the same cases each time; NIGHTRAKE_HYPOTHESIS=explore looks for new ones.
hypothesis.settings.register_profile(
    "ci",
    derandomize=True,
    deadline=None,  # two shared cores: how long an example takes says nothing
    database=None,
    print_blob=True,
    suppress_health_check=[hypothesis.HealthCheck.too_slow, hypothesis.HealthCheck.function_scoped_fixture],
)
hypothesis.settings.register_profile("explore", parent=hypothesis.settings.get_profile("ci"), derandomize=False)
hypothesis.settings.load_profile(os.environ.get("NIGHTRAKE_HYPOTHESIS", "ci"))


@pytest.fixture
def manual_clock() -> ManualClock:
    """A clock that moves only when told."""
    return ManualClock()


def find_free_port() -> int:
    """A TCP port of 127.0.0.1 that nobody listens on now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture
def free_port() -> int:
    """One free port of 127.0.0.1."""
    return find_free_port()


@pytest.fixture
def free_ports() -> Callable[[int], list[int]]:
    """A function that gives as many different free ports of 127.0.0.1 as asked for."""

    def give(count: int) -> list[int]:
        probes = [socket.socket() for _ in range(count)]
        try:
            for probe in probes:
                probe.bind(("127.0.0.1", 0))
            return [int(probe.getsockname()[1]) for probe in probes]
        finally:
            for probe in probes:
                probe.close()

    return give
