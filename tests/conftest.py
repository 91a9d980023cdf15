"""What every test has: guards (see `guards.py`), clocks, ports, the peers' fixtures, Hypothesis profiles."""

from __future__ import annotations

import os
from collections.abc import Callable

import hypothesis
import pytest

from clocks import ManualClock
from peers.process import port_free

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


@pytest.fixture
def free_port() -> int:
    """One free port of 127.0.0.1."""
    return port_free()


@pytest.fixture
def free_ports() -> Callable[[int], list[int]]:
    """A function that gives as many different free ports of 127.0.0.1 as asked for."""

    def give(count: int) -> list[int]:
        return [port_free() for _ in range(count)]

    return give
