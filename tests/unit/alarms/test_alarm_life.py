"""One alarm's life: every arrow, everything that is no arrow, the delays, and what cannot be judged."""

from __future__ import annotations

import pytest

from nightrake.alarms.life import (
    TABLE,
    AlarmState,
    Event,
    Life,
    due_ns,
    on_acknowledge,
    on_condition,
    on_event,
    on_reset,
    on_tick,
)
from nightrake.alarms.names import StateName, name_of
from nightrake.alarms.overlays import BARE, laid
from nightrake.alarms.rules import AlarmRule, rule_for
from nightrake.alarms.table import ALARM_TYPES

S = 1_000_000_000
UTC = 1_790_000_000_000
ALARM = rule_for(ALARM_TYPES["alarm_contact"], turn_ns=1800 * S)
SHUTDOWN = rule_for(ALARM_TYPES["shutdown_contact"])
HIGH = rule_for(ALARM_TYPES["torque_high"])

# ANSI/ISA-18.2-2016 and IEC 62682:2014: from, what happens, to, by the standard's letters. ("Comes again" is the
# standard's re-alarm, here of a latching alarm that was seen gone: own choice.)
ARROWS = """
A occurs B
B acknowledged C
B clears D
B clears-latched E
C clears A
C clears-latched F
C worsens B
D acknowledged A
D occurs B
E acknowledged F
E occurs B
F reset A
F occurs B
B comes-again B
C comes-again B
"""
LETTERS = dict(zip("ABCDEF", Life, strict=True))
EXPECTED = {
    (LETTERS[a], Event(what.replace("-", " "))): LETTERS[b]
    for a, what, b in (line.split() for line in ARROWS.split("\n") if line)
}
NAMES = {
    "A": "normal",
    "B": "unacknowledged",
    "C": "acknowledged",
    "D": "cleared unacknowledged",
    "E": "latched unacknowledged",
    "F": "latched acknowledged",
    "G": "shelved",
    "H": "suppressed by design",
    "I": "out of service",
}


def run(rule: AlarmRule, *steps: tuple[float, bool | None]) -> tuple[AlarmState, list[tuple[float, str]]]:
    """Conditions given at times in seconds, with a tick each tenth of a second between them; what moved when."""
    state, moved, now = AlarmState(), [], 0.0
    for at, holds in steps:
        while now < at:
            now = round(now + 0.1, 1)
            state, told = on_tick(state, rule, round(now * S) + S, UTC + round(now * 1000))
            moved += [(now, t.event) for t in told]
        state, told = on_condition(state, rule, holds, round(now * S) + S, UTC + round(now * 1000))
        moved += [(now, t.event) for t in told]
    return state, moved


@pytest.mark.parametrize("life", list(Life))
@pytest.mark.parametrize("event", list(Event))
def test_every_arrow_and_every_illegal_event(life: Life, event: Event) -> None:
    """Each pair of state and event goes where the standard says; where it says nothing, nothing changes."""
    state = AlarmState(life, 4, condition=True, severity=1, acked_by="x", onsets=(5,))

    after, moved = on_event(state, event, UTC)

    if (life, event) in EXPECTED:
        assert (after.life, [(t.was, t.life) for t in moved]) == (EXPECTED[life, event], [(life, after.life)])
        another = event is Event.OCCURS or (life, event) == (Life.ACKNOWLEDGED, Event.AGAIN)
        assert after.occurrence == (5 if another else 4), "raised again is another occurrence: it was not seen yet"
    else:
        assert (after, moved) == (state, ())


def test_table_holds_no_other_arrow() -> None:
    """The table is the standard's, no more and no less."""
    assert dict(TABLE) == EXPECTED


def test_nine_names_with_their_letters() -> None:
    """The nine names of the standard, each a view of a life and what lies over it."""
    over = laid(S, "anna", "why", 0, UTC)
    shown = {n.letter: n for n in (name_of(life, BARE) for life in Life)}
    for life in Life:
        shown["G"] = name_of(life, BARE._replace(shelved=over))
        shown["H"] = name_of(life, BARE._replace(shelved=over, suppressed="in test"))
        shown["I"] = name_of(life, BARE._replace(shelved=over, suppressed="in test", out_of_service=over))
        assert [shown[x].letter for x in "GHI"] == ["G", "H", "I"]

    assert {letter: name.value for letter, name in shown.items()} == NAMES
    assert [n.letter for n in StateName] == list(NAMES)


def test_a_pulse_shorter_than_the_on_delay_raises_nothing() -> None:
    """The on-delay starts anew with each pulse."""
    assert run(ALARM, (0, True), (0.9, False), (1.5, True), (2.4, False), (10, False))[1] == []


def test_an_alarm_is_raised_when_its_on_delay_is_over() -> None:
    """Not before, and without a further reading."""
    state, moved = run(ALARM, (0, True), (5, True))

    assert moved == [(1.0, "occurs")]
    assert (state.life, state.occurrence, state.raised_utc_ms) == (Life.UNACKNOWLEDGED, 1, UTC + 1000)


def test_a_shutdown_is_raised_in_the_step_that_sees_it() -> None:
    """It has no on-delay."""
    assert run(SHUTDOWN, (0, True))[1] == [(0.0, "occurs")]


def test_a_shutdown_latches_and_leaves_only_by_acknowledgement_and_reset() -> None:
    """The contact's release alone ends nothing."""
    state, moved = run(SHUTDOWN, (0, True), (10, False), (100, False))

    assert moved == [(0.0, "occurs"), (70.0, "clears latched")]
    assert on_reset(state, UTC) == (state, ())
    state = on_acknowledge(state, 1, "anna", UTC)[0]
    assert state.life is Life.LATCHED_ACKNOWLEDGED
    assert on_reset(state, UTC)[0].life is Life.NORMAL


@pytest.mark.parametrize("holds", [True, None])
def test_a_latched_alarm_is_not_reset_unless_its_condition_is_seen_gone(holds: bool | None) -> None:
    """Operated, or not readable."""
    state = AlarmState(Life.LATCHED_ACKNOWLEDGED, 1, condition=holds)

    assert on_reset(state, UTC) == (state, ())


def test_ridge_met_twice_a_turn_is_one_alarm() -> None:
    """A turn of 1,800 s, a ridge of 20 s met every 900 s for six hours: one call, marked as repeating with the rake."""
    ridge = [(900.0 * i + at, holds) for i in range(24) for at, holds in ((0, True), (20, False))]

    state, moved = run(ALARM, *ridge)

    assert moved == [(1.0, "occurs"), (1800.0, "rotates")]
    assert (state.life, state.occurrence, state.rotating) == (Life.UNACKNOWLEDGED, 1, True)


def test_an_alarm_clears_after_half_a_turn_and_20_percent() -> None:
    """0.6 of 1,800 s, counted from the release."""
    assert run(ALARM, (0, True), (20, False), (1200, False))[1] == [(1.0, "occurs"), (1100.0, "clears")]


def test_a_condition_that_comes_now_and_then_does_not_repeat_with_the_rotation() -> None:
    """Onsets that keep no time with the turn, and the bounce of one ridge."""
    assert run(ALARM, (0, True), (20, False), (300, True), (320, False), (800, True))[1] == [(1.0, "occurs")]
    assert run(ALARM, *[(t, t % 2 == 0) for t in range(100)])[1] == [(1.0, "occurs")]


def test_what_cannot_be_judged_raises_and_clears_nothing() -> None:
    """Neither during the on-delay nor during the off-delay, however long it lasts."""
    assert run(ALARM, (0, True), (0.5, None), (90, None))[1] == []
    state, moved = run(ALARM, (0, True), (20, False), (500, None), (4000, None))
    assert (moved, state.life) == ([(1.0, "occurs")], Life.UNACKNOWLEDGED)


def test_an_on_delay_goes_on_through_what_cannot_be_judged_and_an_off_delay_begins_anew() -> None:
    """A link that comes and goes keeps no alarm away, and clears none before its time."""
    assert run(ALARM, (0, True), (0.5, None), (3, True))[1] == [(3.0, "occurs")]
    assert run(ALARM, (0, True), (20, False), (500, None), (600, False), (1900, False))[1] == [
        (1.0, "occurs"),
        (1680.0, "clears"),
    ]


def test_an_acknowledgement_of_another_occurrence_changes_nothing() -> None:
    """Neither of an older one nor of one that has not been."""
    state = run(ALARM, (0, True), (2, True))[0]

    assert [on_acknowledge(state, n, "anna", UTC) for n in (0, 2)] == [(state, ())] * 2
    after, (moved,) = on_acknowledge(state, 1, "anna", UTC + 7)
    assert (after.life, after.acked_by, after.acked_utc_ms) == (Life.ACKNOWLEDGED, "anna", UTC + 7)
    assert (moved.was, moved.life) == (Life.UNACKNOWLEDGED, Life.ACKNOWLEDGED)


def test_worse_than_when_it_was_acknowledged_calls_again_once() -> None:
    """Only an acknowledged alarm can worsen; the same severity again is no news, nor is what it was raised with."""
    raised = on_condition(AlarmState(), SHUTDOWN, True, S, UTC, 1)[0]
    acked = on_acknowledge(raised, 1, "anna", UTC)[0]

    assert on_condition(acked, SHUTDOWN, True, 2 * S, UTC, 1)[1] == ()
    worse, (moved,) = on_condition(acked, SHUTDOWN, True, 3 * S, UTC, 2)
    assert (moved.event, worse.life, worse.occurrence, worse.acked_by) == ("worsens", Life.UNACKNOWLEDGED, 1, "")
    assert on_condition(worse, SHUTDOWN, True, 4 * S, UTC, 2)[1] == ()
    pending = on_condition(AlarmState(), HIGH, True, S, UTC, 1)[0]
    acked = on_acknowledge(on_tick(pending, HIGH, 10 * S, UTC)[0], 1, "anna", UTC)[0]
    assert on_condition(acked, HIGH, True, 11 * S, UTC, 1)[1] == (), "it was as bad when it was raised"


def test_due_time_is_when_the_delay_is_over() -> None:
    """So that nobody has to look before it."""
    pending = on_condition(AlarmState(), ALARM, True, 5 * S, UTC)[0]

    assert due_ns(pending, ALARM) == 6 * S
    assert on_tick(pending, ALARM, 6 * S - 1, UTC) == (pending, ())
    assert on_tick(pending, ALARM, 6 * S, UTC)[0].life is Life.UNACKNOWLEDGED
    assert due_ns(AlarmState(), ALARM) == 0
