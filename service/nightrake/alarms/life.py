"""The life of one alarm: which states there are, what leads from one to the next, and the delays before it does. Pure.

Source of states and arrows: ANSI/ISA-18.2-2016 and IEC 62682:2014, states A to F. Overlays (shelved, suppressed by
design, out of service) are no states of a life; it runs on beneath them (`alarms.overlays`).

A condition is True, False, or None: it cannot be judged now. None raises and clears nothing. While it lasts an on-delay
goes on, so that a link which comes and goes does not keep an alarm away for ever; an off-delay begins anew, since
nobody can say that the condition did not come back unseen.

What can be bad most of the time and yet never for its whole on-delay (a reading) wears its on-delay off only as fast as
it has built up (`AlarmType.leaks`): it is raised where it is bad for more than half of the time.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import NamedTuple

from nightrake.alarms.flood import repeats_with_rotation, with_onset
from nightrake.alarms.rules import AlarmRule


class Life(StrEnum):
    """Where a life stands, in the standard's words."""

    NORMAL = "normal"  # A
    UNACKNOWLEDGED = "unacknowledged"  # B
    ACKNOWLEDGED = "acknowledged"  # C
    CLEARED_UNACKNOWLEDGED = "cleared unacknowledged"  # D
    LATCHED_UNACKNOWLEDGED = "latched unacknowledged"  # E
    LATCHED_ACKNOWLEDGED = "latched acknowledged"  # F


class Event(StrEnum):
    """What can happen to a life."""

    OCCURS = "occurs"  # the condition has held for the on-delay
    WORSENS = "worsens"  # it is worse than when it was acknowledged
    CLEARS = "clears"  # the condition has been gone for the off-delay
    CLEARS_LATCHED = "clears latched"  # the same, of an alarm that latches
    ACKNOWLEDGED = "acknowledged"
    RESET = "reset"
    AGAIN = "comes again"  # of an alarm that latches: seen gone for a while, and back before its off-delay was over


A, B, C = Life.NORMAL, Life.UNACKNOWLEDGED, Life.ACKNOWLEDGED
D, E, F = Life.CLEARED_UNACKNOWLEDGED, Life.LATCHED_UNACKNOWLEDGED, Life.LATCHED_ACKNOWLEDGED

TABLE: Mapping[tuple[Life, Event], Life] = {
    (A, Event.OCCURS): B,
    (B, Event.ACKNOWLEDGED): C,
    (B, Event.CLEARS): D,
    (B, Event.CLEARS_LATCHED): E,
    (B, Event.AGAIN): B,
    (C, Event.AGAIN): B,
    (C, Event.CLEARS): A,
    (C, Event.CLEARS_LATCHED): F,
    (C, Event.WORSENS): B,
    (D, Event.ACKNOWLEDGED): A,
    (D, Event.OCCURS): B,
    (E, Event.ACKNOWLEDGED): F,
    (E, Event.OCCURS): B,
    (F, Event.RESET): A,
    (F, Event.OCCURS): B,
}
"""Every arrow. What is not here is illegal, and changes nothing."""

ACTIVE = frozenset({B, C})
"""Lives in which the condition counts as holding."""
LATCHED = frozenset({E, F})
"""Lives that hold although the condition is gone. An active alarm that latches holds as well."""
UNANSWERED = frozenset({B, E})
"""Lives that call for somebody."""
APART_NS = 5_000_000_000
"""A shutdown contact that was released for so long and operates again has not bounced: the drive has tripped once more
(own choice: longer than a contact bounces, shorter than it takes to start a drive by hand)."""
LAG_NS = 1_000_000_000
"""So much later than the contact itself its release may be counted: the longest debounce that a site can set."""


class AlarmState(NamedTuple):
    """One alarm as it stands, overlays apart.

    Attributes:
        life: See there.
        occurrence: Number of times that it has been raised, 0 = never. Raised again before its life was over, it is
            another one: whoever has seen the first has not seen the second. (But of one that chatters all is one, or
            nobody could ever acknowledge it.)
        condition: As last given.
        since_ns: Since when the on- or off-delay is running, 0 = none is. Of an active alarm whose condition cannot be
            judged: since when it had been gone, when last seen; no delay runs.
        severity: The worst in this life, from 0.
        raised_utc_ms: When this occurrence began. changed_utc_ms: when it last changed.
        acked_by, acked_utc_ms: Who acknowledged it last, and when; "" = nobody, or it came again since.
        onsets: When the condition came in this life, monotonic, the last few. rotating: they keep time with the turn.
        gone: It is active and latches, and its condition has been seen gone for long enough to come again.
        leak_ns: Until when something is left of an on-delay that was broken off, 0 = nothing is.
    """

    life: Life = A
    occurrence: int = 0
    condition: bool | None = None
    since_ns: int = 0
    severity: int = 0
    raised_utc_ms: int = 0
    changed_utc_ms: int = 0
    acked_by: str = ""
    acked_utc_ms: int = 0
    onsets: tuple[int, ...] = ()
    rotating: bool = False
    gone: bool = False
    leak_ns: int = 0


class Transition(NamedTuple):
    """One step of a life. `event` is "rotates" where it has only been seen to repeat with the rotation."""

    event: str
    was: Life
    life: Life
    occurrence: int


ROTATES = "rotates"
Moved = tuple[AlarmState, tuple[Transition, ...]]


def on_event(state: AlarmState, event: Event, utc_ms: int, *, chatters: bool = False) -> Moved:
    """Follow one arrow; an illegal event changes nothing.

    Args:
        chatters: Raised again, it is the same occurrence.
    """
    life = TABLE.get((state.life, event))
    if life is None:
        return state, ()
    after = state._replace(life=life, changed_utc_ms=utc_ms, gone=state.gone and life in ACTIVE)
    another = state.life is C if event is Event.AGAIN else event is Event.OCCURS and not (chatters and state.life is D)
    if another:  # an alarm that waits for somebody and comes again is not: an acknowledgement must keep up with it
        after = after._replace(occurrence=state.occurrence + 1, raised_utc_ms=utc_ms)
    if state.life is A:
        after = after._replace(onsets=state.onsets[-1:])
    if life is B:
        after = after._replace(acked_by="", acked_utc_ms=0)
    if life is A:
        after = after._replace(onsets=(), rotating=False, severity=0)
    return after, (Transition(event, state.life, life, after.occurrence),)


def on_condition(
    state: AlarmState,
    rule: AlarmRule,
    holds: bool | None,
    now_ns: int,
    utc_ms: int,
    severity: int = 0,
    *,
    chatters: bool = False,
    held_since_ns: int = 0,
    started_ns: int = 0,
) -> Moved:
    """Take in what the condition is now.

    Args:
        holds: True, False, or None where it cannot be judged.
        severity: How bad, from 0; more than before in this life makes an acknowledged alarm call again.
        chatters: See `on_event`.
        held_since_ns, started_ns: `Condition.since_ns`, `Condition.started_ns`.
    """
    gone = rule.type.latches and (_is_gone(state, now_ns) or _has_run(state, started_ns))
    if holds is None:
        return state._replace(condition=None, gone=gone), ()
    was_active, before = state.life in ACTIVE, state
    state = _delayed(state, rule, holds, now_ns, held_since_ns)._replace(gone=gone and not holds)
    if holds and not before.condition and (before.condition is False or not before.onsets):
        state = state._replace(onsets=with_onset(before.onsets, now_ns, rule.turn_ns))
    if not was_active:
        kept = 0 if state.life is A and not holds else state.severity
        state = state._replace(severity=max(kept, severity) if holds else kept)
    if gone and holds:
        state, moved = on_event(state, Event.AGAIN, utc_ms)
    else:
        state, moved = on_tick(state, rule, now_ns, utc_ms, chatters=chatters)
    if not holds or state.life not in ACTIVE:
        return state, moved
    state, seen = _on_active(state, rule, severity, utc_ms)
    return state, (*moved, *seen)


def _is_gone(state: AlarmState, now_ns: int) -> bool:
    """Whether the condition of an active alarm has been seen gone, and not seen again for long enough to come again."""
    if state.gone or state.life not in ACTIVE or state.condition:
        return state.gone
    return 0 < state.since_ns <= now_ns - APART_NS


def _has_run(state: AlarmState, started_ns: int) -> bool:
    """Whether the drive was started after the contact had released: what trips now has not bounced, however soon."""
    if state.life not in ACTIVE or state.condition:
        return False
    return 0 < state.since_ns <= started_ns + LAG_NS and started_ns > 0


def _delayed(state: AlarmState, rule: AlarmRule, holds: bool, now_ns: int, held_since_ns: int) -> AlarmState:
    """Take in a condition that can be judged: which delay runs since when."""
    active, leak_ns = state.life in ACTIVE, 0
    if holds is active:
        since_ns = 0  # as it should be: no delay runs
        if rule.type.leaks and not active:
            leak_ns = 2 * now_ns - state.since_ns if state.since_ns else state.leak_ns
    elif holds:
        # An on-delay goes on through what could not be judged, and with what is left of one that was broken off.
        since_ns = state.since_ns or max(1, now_ns - max(0, state.leak_ns - now_ns))
        since_ns = min(since_ns, held_since_ns or since_ns)
    else:
        since_ns = state.since_ns if state.condition is False and state.since_ns else now_ns
    return state._replace(condition=holds, since_ns=since_ns, leak_ns=leak_ns)


def _on_active(state: AlarmState, rule: AlarmRule, severity: int, utc_ms: int) -> Moved:
    """An active alarm whose condition was just given: is it worse, does it come round with the rake?"""
    worse: tuple[Transition, ...] = ()
    if severity > state.severity:
        state, worse = on_event(state, Event.WORSENS, utc_ms)
        state = state._replace(severity=severity)
    if not state.rotating and repeats_with_rotation(state.onsets, rule.turn_ns):
        state = state._replace(rotating=True)
        worse = (*worse, Transition(ROTATES, state.life, state.life, state.occurrence))
    return state, worse


def on_tick(state: AlarmState, rule: AlarmRule, now_ns: int, utc_ms: int, *, chatters: bool = False) -> Moved:
    """Let time pass: a delay that is over takes effect."""
    if 0 < state.leak_ns <= now_ns:
        state = state._replace(leak_ns=0)
    due = due_ns(state, rule)
    if not due or now_ns < due:
        return state, ()
    event = Event.CLEARS
    if state.condition:
        event = Event.OCCURS
    elif rule.type.latches:
        event = Event.CLEARS_LATCHED
    return on_event(state._replace(since_ns=0), event, utc_ms, chatters=chatters)


def due_ns(state: AlarmState, rule: AlarmRule) -> int:
    """When the running delay is over, 0 = none runs. What cannot be judged waits."""
    if not state.since_ns or state.condition is None:
        return 0
    return state.since_ns + (rule.on_delay_ns if state.condition else rule.off_delay_ns)


def on_acknowledge(state: AlarmState, occurrence: int, by: str, utc_ms: int) -> Moved:
    """A person has seen this occurrence. Of another one, or where nothing waits for it, it changes nothing."""
    if occurrence != state.occurrence:
        return state, ()
    after, moved = on_event(state, Event.ACKNOWLEDGED, utc_ms)
    return (after._replace(acked_by=by, acked_utc_ms=utc_ms), moved) if moved else (state, ())


def on_reset(state: AlarmState, utc_ms: int) -> Moved:
    """A person resets a latched alarm: only once acknowledged, and only while its condition is seen to be gone."""
    if state.condition is not False:
        return state, ()
    return on_event(state, Event.RESET, utc_ms)


def after_restart(state: AlarmState) -> AlarmState:
    """Bring a stored life back: it stands as it stood; its condition has not been judged, its delays begin anew."""
    gone = state.life in ACTIVE and (state.gone or state.condition is False)  # nobody watched it meanwhile
    return state._replace(condition=None, since_ns=0, gone=gone, leak_ns=0)
