"""The latch alone: what latches, what a reset needs, what counts as a start."""

from __future__ import annotations

import pytest

from nightrake.alarms.latch import (
    NOT_LATCHED,
    NOT_READABLE,
    STILL_OPERATED,
    Latch,
    on_drive_entry,
    on_reset,
    on_running,
)
from nightrake.domain.rows import Entry

BY = {"actor": "somebody", "role": "local", "known_by": "local user"}
HELD = Latch(latched=True, occurrence=3, since_utc_ms=77)


def fact(event: str, **data: object) -> Entry:
    """A fact of drive D, forward."""
    return Entry("drive", event, "D", "forward", data)


@pytest.mark.parametrize(
    ("entry", "latches"),
    [
        (fact("shutdown_operated"), True),
        (fact("shutdown_operated", in_test=False), True),
        (fact("shutdown_operated", in_test=True), False),
        (fact("still_running", in_test=True), True),
        (fact("alarm_operated"), False),
        (fact("shutdown_released"), False),
        (fact("shutdown_suspect"), False),
        (fact("stop_not_confirmed"), False),
        (fact("quality_changed"), False),
    ],
)
def test_only_a_shutdown_or_a_motor_that_runs_on_latches(entry: Entry, latches: bool) -> None:
    """A function check excuses the contact, never the motor; nothing else latches."""
    latch, entries = on_drive_entry(Latch(), entry, 1_000)

    assert latch.latched is latches
    assert [(e.event, e.urgent, e.data["because"]) for e in entries] == [
        ("shutdown_latched", True, entry.event)
    ] * latches
    assert latch.occurrence == int(latches)


def test_latched_once_it_stays_the_same_occurrence() -> None:
    """A second operation before the reset is part of the same life of the alarm."""
    assert on_drive_entry(HELD, fact("shutdown_operated"), 99) == (HELD, ())


def test_next_life_has_the_next_number() -> None:
    """Occurrences are never used twice."""
    open_again, _, _ = on_reset(HELD, 0, True, "D", "forward", dict(BY))
    latch, (entry,) = on_drive_entry(open_again, fact("shutdown_operated"), 99)

    assert (latch.occurrence, latch.since_utc_ms) == (4, 99)
    assert entry.data == {"occurrence": 4, "because": "shutdown_operated"}


@pytest.mark.parametrize("operated", [1, 0, -1])
@pytest.mark.parametrize("known", [True, False])
@pytest.mark.parametrize("latched", [True, False])
def test_reset_needs_a_latch_and_a_contact_that_is_seen_released(latched: bool, operated: int, known: bool) -> None:
    """Every combination: accepted only when latched, readable and not operated; always journalled with who asked."""
    before = HELD if latched else Latch(occurrence=3)
    after, (entry,), answer = on_reset(before, operated, known, "D", "forward", dict(BY))

    accepted = latched and known and operated != 1
    assert answer.ok is accepted
    assert after == (before._replace(latched=False) if accepted else before)
    assert {k: entry.data[k] for k in BY} == BY
    assert entry.event == ("shutdown_reset" if accepted else "refused")
    if not accepted:
        reason = NOT_LATCHED if not latched else STILL_OPERATED if operated == 1 else NOT_READABLE
        assert entry.data["reason"] == reason
        assert reason in answer.text
    else:
        assert "nothing was done in the plant" in answer.text


def starts(latch: Latch, *steps: tuple[int, str]) -> list[int]:
    """In which of the steps (feedback, verdict) a start was told."""
    told = []
    for n, (running, stop) in enumerate(steps):
        latch, entries = on_running(latch, running, stop, "D", "forward")
        if entries:
            assert entries[0].urgent
            told.append(n)
    return told


@pytest.mark.parametrize(
    ("steps", "told"),
    [
        ([(1, "awaited"), (1, "still running"), (1, "still running")], []),
        ([(0, "confirmed"), (1, "confirmed"), (1, "confirmed")], [1]),
        ([(0, "confirmed"), (1, "confirmed"), (0, "confirmed"), (1, "confirmed")], [1, 3]),
        ([(0, "confirmed"), (1, "confirmed"), (-1, "confirmed"), (1, "confirmed")], [1]),
        ([(-1, "not confirmed"), (1, "awaited"), (0, "confirmed"), (1, "confirmed")], [3]),
        ([(1, "still running"), (0, "confirmed"), (1, "confirmed")], [2]),
        ([(0, "confirmed"), (1, "awaited")], [1]),  # started, and at once on the contact again
    ],
)
def test_each_start_before_the_reset_is_told_once(steps: list[tuple[int, str]], told: list[int]) -> None:
    """A motor that never stopped has not started; one that was seen to stand has, whatever the verdict."""
    assert starts(HELD, *steps) == told


def test_running_without_a_latch_is_no_news() -> None:
    """A drive in service runs."""
    assert starts(Latch(), (0, ""), (1, ""), (0, ""), (1, "")) == []


def test_start_in_the_very_step_that_latches_is_the_shutdown_itself() -> None:
    """The motor was started, and the contact operated, between the same two scans."""
    latch = on_running(Latch(), 0, "", "D", "forward")[0]
    latch, _ = on_drive_entry(latch, fact("shutdown_operated"), 5)

    assert starts(latch, (1, "awaited")) == []
