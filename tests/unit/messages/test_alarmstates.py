"""Retained states of alarms: latest wins, urgent first, nothing left behind."""

from __future__ import annotations

from nightrake.messages.alarmstates import AlarmJob, AlarmStates
from nightrake.messages.states import STRAYS

SHUTDOWN = "PC1/forward/shutdown_contact"
HIGH = "PC1/forward/torque_high"


def drained(states: AlarmStates) -> list[AlarmJob]:
    """Everything that is due."""
    out = []
    while (job := states.take()) is not None:
        out.append(job)
    return out


def test_of_a_thousand_the_shutdown_is_written_first() -> None:
    """Although it came last; each once, with its latest payload."""
    states = AlarmStates()
    for n in range(1000):
        states.mark(f"D{n}/forward/torque_high", {"priority": "low", "n": 0})
        states.mark(f"D{n}/forward/torque_high", {"priority": "low", "n": 1})
    states.mark(SHUTDOWN, {"priority": "urgent"}, urgent=True)
    jobs = drained(states)

    assert jobs[0].alarm == SHUTDOWN
    assert len(jobs) == 1001
    assert all(j.payload == {"priority": "low", "n": 1} for j in jobs[1:])


def test_over_is_cleared_and_forgotten() -> None:
    """Once; a new connection does not write it again."""
    states = AlarmStates()
    states.mark(SHUTDOWN, {"priority": "urgent"}, urgent=True)
    states.mark(HIGH, {"priority": "low"})
    drained(states)
    states.mark(SHUTDOWN, None)
    states.mark(SHUTDOWN, None)

    assert drained(states) == [AlarmJob(SHUTDOWN, None)]
    states.all_due()
    assert [j.alarm for j in drained(states)] == [HIGH]


def test_removed_drives_and_strays_are_cleared() -> None:
    """Alarms of PLCs and the site are nobody's drive; what stands is no stray."""
    states = AlarmStates()
    for alarm in (SHUTDOWN, "plc:GWC/-/plc_silent", "site/-/store_full"):
        states.mark(alarm, {"priority": "high"})
    drained(states)
    states.keep_drives(["PC2"])
    states.stray("site/-/store_full")
    states.stray("OLD/forward/torque_high")

    assert drained(states) == [AlarmJob(SHUTDOWN, None), AlarmJob("OLD/forward/torque_high", None)]


def test_strays_are_bounded() -> None:
    """A stranger may retain as much as they like."""
    states = AlarmStates()
    for n in range(3 * STRAYS):
        states.stray(f"X{n}/-/x")

    assert states.due <= STRAYS


def test_what_was_not_written_is_due_again() -> None:
    """With what holds by then."""
    states = AlarmStates()
    states.mark(HIGH, {"priority": "low"})
    job = states.take()
    assert job is not None
    states.mark(HIGH, None)
    states.give_back(job)

    assert drained(states) == [AlarmJob(HIGH, None)]


def test_what_is_written_is_of_then() -> None:
    """Told by a function, an alarm is written as it is when its turn comes; over by then, its topic is cleared."""
    states, now = AlarmStates(), {"n": 0}
    states.mark(HIGH, lambda: dict(now))
    states.mark(SHUTDOWN, lambda: None, urgent=True)
    now["n"] = 7

    assert drained(states) == [AlarmJob(SHUTDOWN, None), AlarmJob(HIGH, {"n": 7})]
    now["n"] = 8
    states.all_due()
    assert drained(states) == [AlarmJob(HIGH, {"n": 8})]
