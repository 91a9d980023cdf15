"""What the service manager is told, by which parts stand still; gaps of a suspended machine."""

from __future__ import annotations

import pytest

from clocks import ManualClock
from nightrake.alive import STANDS_STILL, Alive
from nightrake.clock import SystemClock
from nightrake.domain.pulse import STILL_S, Pulse
from nightrake.domain.rows import Entry
from nightrake.notify import Notifier


class Clock(SystemClock):
    """A clock that a test moves, and a machine that it suspends."""

    def __init__(self) -> None:
        super().__init__()
        self.hand = ManualClock()
        self.slept_ns = 5_000_000_000

    def mono_ns(self) -> int:
        return self.hand.mono_ns()

    def asleep_ns(self) -> int:
        return self.slept_ns


class Manager(Notifier):
    """Hears what is sent."""

    def __init__(self) -> None:
        super().__init__("somewhere", "30000000")
        self.beats = 0

    def send(self, *lines: str) -> None:
        self.beats += lines == ("WATCHDOG=1",)


class Desk:
    """Everything that looks need."""

    def __init__(self) -> None:
        self.clock = Clock()
        self.manager = Manager()
        self.pulse = Pulse(lambda: self.clock.mono_ns() / 1e9)
        self.links: list[tuple[str, bool, str]] = []
        self.rows: list[Entry] = []
        self.stuck: list[str] = []
        self.alive = Alive(
            self.manager,
            self.clock,
            self.pulse,
            stuck=lambda now_ns: self.stuck,
            tell=lambda *told: self.links.append(told),
            note=self.rows.append,
        )

    def beats_after(self, seconds: float) -> int:
        """Time passes, then a look; how often the manager heard something by it."""
        before = self.manager.beats
        self.clock.hand.advance(seconds)
        self.alive.look()
        return self.manager.beats - before


def test_word_goes_out_thrice_in_the_managers_time_and_not_for_each_look() -> None:
    """Thirty seconds: one each ten."""
    desk = Desk()

    assert [desk.beats_after(s) for s in (0.0, 0.1, 9.8, 0.2, 0.1)] == [1, 0, 0, 1, 0]


@pytest.mark.parametrize("part", ["teller", "teller pump"])
def test_vital_part_that_stands_still_silences_it_until_it_goes_on(part: str) -> None:
    """Exactly when it is later than it said by the time allowed; no row, for the restart will leave one."""
    desk = Desk()
    desk.pulse.turn(part, 5.0)

    assert desk.beats_after(5.0 + STILL_S) == 1
    assert desk.beats_after(10.1) == desk.beats_after(100.0) == 0
    desk.pulse.turn(part)
    assert desk.beats_after(0.1) == 1
    desk.pulse.rest(part)
    assert desk.beats_after(1000.0) == 1
    assert (desk.links, desk.rows) == ([], [])


def test_pollers_that_all_stand_still_silence_it() -> None:
    """As ever."""
    desk = Desk()
    desk.stuck = ["P0"]

    assert desk.beats_after(11.0) == 0


@pytest.mark.parametrize("part", ["forwarding", "control"])
def test_other_part_is_told_once_when_it_stands_still_and_once_when_it_goes_on(part: str) -> None:
    """The word to the manager goes out all the while."""
    desk = Desk()
    desk.pulse.turn(part)
    assert [desk.beats_after(s) for s in (STILL_S - 1, 11.0, 11.0)] == [1, 1, 1]
    assert desk.links == [(part, False, STANDS_STILL)]
    desk.pulse.turn(part)
    desk.alive.look()
    desk.alive.look()

    assert desk.links == [(part, False, STANDS_STILL), (part, True, "")]


def test_suspended_machine_is_a_gap_once() -> None:
    """Though the monotonic clock has hardly moved; what it slept before the watch began is nobody's gap."""
    desk = Desk()
    desk.beats_after(0.1)
    assert desk.rows == []
    desk.clock.slept_ns += 3_600_000_000_000
    desk.beats_after(0.1)
    desk.beats_after(0.1)

    assert [(e.event, e.data) for e in desk.rows] == [("gap", {"seconds": 3600.0, "why": "the machine was suspended"})]


def test_clock_knows_for_how_long_the_machine_slept() -> None:
    """The difference of the kernel's two clocks, never a negative time."""
    assert SystemClock().asleep_ns() >= -1_000_000
