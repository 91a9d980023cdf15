"""The last turns at the processor: a worker gives way to everybody, and is not starved on a machine without rest."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable

import pytest

from nightrake.workers import lastturns
from nightrake.workers.lastturns import LOOK_S, is_starved, take_the_last_turns


class Worker:
    """A thread with the last turns, that rests until it is let go."""

    def __init__(self) -> None:
        self.end = threading.Event()
        self._begun = threading.Event()
        self.tid = 0
        self.thread = threading.Thread(target=self._run)

    def _run(self) -> None:
        self.tid = threading.get_native_id()
        take_the_last_turns()
        self._begun.set()
        self.end.wait(15.0)

    def __enter__(self) -> Worker:
        self.thread.start()
        self._begun.wait(5.0)
        return self

    def __exit__(self, *_exc: object) -> None:
        self.end.set()
        self.thread.join()

    def policy(self) -> int:
        """As the kernel has it."""
        return os.sched_getscheduler(self.tid)


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Look a hundred times a second."""
    monkeypatch.setattr(lastturns, "LOOK_S", 0.01)
    monkeypatch.setattr(lastturns, "ORDINARY_S", 0.01)


def soon(holds: Callable[[], bool]) -> bool:
    """Whether it comes to hold within some seconds."""
    never = threading.Event()
    return any(holds() or never.wait(0.005) for _ in range(1000))


@pytest.mark.usefixtures("quick")
def test_worker_gives_way_is_helped_when_starved_and_gives_way_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ordinary turns only for as long as it is starved; the thread that called is another's business."""
    starved = threading.Event()
    monkeypatch.setattr(lastturns, "is_starved", lambda *_: starved.is_set())
    with Worker() as worker:
        assert soon(lambda: worker.policy() == os.SCHED_IDLE)
        starved.set()
        assert soon(lambda: worker.policy() == os.SCHED_OTHER)
        starved.clear()
        assert soon(lambda: worker.policy() == os.SCHED_IDLE)
        assert os.sched_getscheduler(0) == os.SCHED_OTHER
    assert soon(lambda: not any(t.name == "turns" for t in threading.enumerate()))


@pytest.mark.parametrize(
    ("ran", "waited", "wants", "starved"),
    [
        (0.9, 0.1, True, False),
        (0.0, 0.0, False, False),
        (0.1, 0.0, False, False),
        (0.0, 0.0, True, True),
        (0.2, 0.1, True, True),
        (0.5, 0.4, True, True),
    ],
    ids=["busy", "asleep", "works a little", "stands still", "crawls", "waits as often as it runs"],
)
def test_who_wants_more_than_it_gets_is_starved(ran: float, waited: float, wants: bool, starved: bool) -> None:
    """A thread that sleeps wants nothing."""
    assert is_starved(ran * LOOK_S, waited * LOOK_S, wants) is starved
