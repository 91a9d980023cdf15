"""What differs now in the conditions of a drive's alarms. Pure.

`is_quiet` says in a few comparisons that a new reading changes nothing: its torque lies between the same two limits as
before, is of the same kind and on the same side, and nothing is due. Otherwise `evaluate` judges everything; for a
quiet drive it would give nothing either (a property test holds this).
"""

from __future__ import annotations

from math import inf, nextafter
from typing import NamedTuple

from nightrake.alarms.drivesetup import NEVER_NM, Judged, Setup
from nightrake.alarms.judges import (
    JUDGES,
    TORQUE_KINDS,
    WITH_DEADBAND,
    Facts,
    Holds,
    Seen,
    seen_of,
    severity_of,
    shutdown_contact,
    still_running,
)
from nightrake.alarms.records import Condition
from nightrake.domain.reading import Exactness, Reading
from nightrake.domain.site import Direction

NEVER_NS = (1 << 63) - 1
STEPS = 4
"""The rate of rise is taken over a window of so many samples."""
IN_TEST, STANDBY, START = "in test", "standby", "start inhibit"
SHUTDOWN, CONTACT = "the shutdown has acted", "the alarm contact has operated"
FOREWARNINGS = frozenset({"torque_high", "torque_rising", "alarm_contact"})
"""What warns of a shutdown means nothing once that has acted: it has an alarm of its own, and what to do first then is
the opposite (do not start it; not: keep it turning)."""

Result = tuple[bool | None, str, int]
"""What was said of one alarm: whether it holds, why it is suppressed, how bad it is."""
UNSAID: Result = (None, "", -1)


class Watch(NamedTuple):
    """What is remembered of a drive from one evaluation to the next.

    Attributes:
        low_nm, high_nm: A torque above the one and up to the other changes nothing.
        kind, leans: Of the torque last judged.
        due_ns: When time alone changes something; 0 = at once (nothing has been judged).
        results: What was last said, in the order of `Setup.judged`; empty = nothing yet.
        ran: Run feedback as last known. ran_since_ns: when the motor was seen to start, 0 = not seen.
        held: For each direction, whether its shutdown held the drive. stood: it has been seen standing since.
        sample_ns: When the next torque is kept, 0 = at once. samples: (monotonic, N.m), the oldest first.
        rate_nm_per_s: From them, None = not known yet.
        started_ns: When the motor was last seen to start, also where it has been stopped since; 0 = not seen, or its
            shutdown has operated since: a contact that then bounces has not tripped once more.
    """

    low_nm: float = NEVER_NM
    high_nm: float = -NEVER_NM
    kind: Exactness = Exactness.ABSENT
    leans: Direction = Direction.FORWARD
    due_ns: int = 0
    results: tuple[Result, ...] = ()
    ran: int = -1
    ran_since_ns: int = 0
    held: tuple[bool, ...] = ()
    stood: bool = False
    sample_ns: int = 0
    samples: tuple[tuple[int, float], ...] = ()
    rate_nm_per_s: float | None = None
    started_ns: int = 0


UNWATCHED = Watch()


def is_quiet(watch: Watch, torque: Reading, leans: Direction, now_ns: int) -> bool:
    """Whether nothing about torque or time can matter now. The caller knows that nothing else has changed."""
    value_nm = torque.value
    return (
        (value_nm is None or watch.low_nm < value_nm <= watch.high_nm)
        and now_ns < watch.due_ns
        and torque.kind is watch.kind
        and leans is watch.leans
    )


def evaluate(setup: Setup, watch: Watch, facts: Facts, now_ns: int) -> tuple[Watch, tuple[Condition, ...]]:
    """Judge everything about one drive.

    Returns:
        The watch after, and the conditions that differ from what was last said. One that held for a moment only comes
        twice: as holding, then as it is now.
    """
    watch = _sampled(setup, _ran(watch, facts, now_ns), facts, now_ns)
    seen, pulses = _held(setup, watch, facts)
    inhibited = watch.ran_since_ns > 0 and now_ns < watch.ran_since_ns + setup.inhibit_ns
    before = watch.results or (UNSAID,) * len(setup.judged)
    plain = not (inhibited or facts.in_test or facts.standby)
    results: list[Result] = []
    conditions: list[Condition] = []
    for judged, last in zip(setup.judged, before, strict=True):
        kind, mine = judged.kind, seen[judged.side]
        banded = WITH_DEADBAND.get(kind)
        holds: Holds = banded(mine, last[0]) if banded else JUDGES[kind](mine)
        why = "" if plain and kind not in FOREWARNINGS else _suppressed(judged, mine, inhibited)
        if not holds and last[0] == holds and last[1] == why and last[2] == 0:
            result = last
        else:
            result = (holds, why, severity_of(kind, mine) if holds else 0)
        results.append(result)
        started_ns = watch.started_ns if kind == "shutdown_contact" else 0
        pulse = kind == "shutdown_contact" and judged.side in pulses
        if pulse:
            conditions.append(Condition(judged.key, True, "", 0, facts.data, 0, started_ns))
        if pulse or (result is not last and result != last):
            conditions.append(Condition(judged.key, *result, facts.data if holds else {}, 0, started_ns))
    trips = any(c.holds and c.key.kind == "shutdown_contact" for c in conditions)
    low_nm, high_nm = _band(seen, facts, _said_high(setup, facts.leans, results))
    after = watch._replace(
        low_nm=low_nm,
        high_nm=high_nm,
        kind=facts.torque.kind,
        leans=facts.leans,
        due_ns=min(watch.sample_ns or NEVER_NS, watch.ran_since_ns + setup.inhibit_ns if inhibited else NEVER_NS),
        results=tuple(results),
        held=tuple(s.held for s in seen),
        stood=seen[0].stood or (seen[0].any_held and facts.running == 0),
        started_ns=0 if trips else watch.started_ns,
    )
    return after, tuple(conditions)


def carried(watch: Watch) -> Watch:
    """A watch for changed settings: everything is judged and said anew; what was seen of the motor is kept."""
    return UNWATCHED._replace(
        ran=watch.ran,
        ran_since_ns=watch.ran_since_ns,
        started_ns=watch.started_ns,
        held=watch.held,
        stood=watch.stood,
    )


def _ran(watch: Watch, facts: Facts, now_ns: int) -> Watch:
    """Follow the run feedback; a start is a motor that was seen standing and now runs."""
    if facts.running == -1 or facts.running == watch.ran:
        return watch
    if facts.running == 1 and watch.ran == 0:
        return watch._replace(ran=1, ran_since_ns=now_ns, started_ns=now_ns)
    return watch._replace(ran=facts.running, ran_since_ns=0)


def _sampled(setup: Setup, watch: Watch, facts: Facts, now_ns: int) -> Watch:
    """Keep a torque four times a window, and take the rate from the oldest to the newest."""
    value_nm = facts.torque.value
    if not setup.window_ns or value_nm is None:
        return watch._replace(sample_ns=0, samples=(), rate_nm_per_s=None)
    samples = watch.samples if facts.leans is watch.leans else ()
    if samples and now_ns < watch.sample_ns:
        return watch
    step_ns = setup.window_ns // STEPS
    samples = (*samples, (now_ns, value_nm))[-(STEPS + 1) :]
    (first_ns, first_nm), (last_ns, last_nm) = samples[0], samples[-1]
    span_ns = last_ns - first_ns
    rate = (last_nm - first_nm) * 1e9 / span_ns if span_ns >= (STEPS - 1) * step_ns else None
    return watch._replace(sample_ns=now_ns + step_ns, samples=samples, rate_nm_per_s=rate)


def _held(setup: Setup, watch: Watch, facts: Facts) -> tuple[tuple[Seen, ...], frozenset[int]]:
    """Each direction with what holds the drive, and the directions whose shutdown held for a moment only.

    A motor that runs on after a shutdown holds the drive even in a function check, which excuses only the contact.
    """
    seen, pulses, fresh = [], set(), False
    for side in setup.sides:
        mine = seen_of(side, facts, setup.unstated)
        was_held = bool(facts.held) and facts.held[side.place]
        if str(side.direction) in facts.momentary or (still_running(mine) and not was_held):
            pulses.add(side.place)
        held = was_held or bool(shutdown_contact(mine)) or side.place in pulses
        fresh = fresh or (held and not (watch.held and watch.held[side.place]))
        rate = watch.rate_nm_per_s if facts.leans is side.direction else 0.0
        seen.append(mine._replace(held=held, rate_nm_per_s=rate))
    any_held = facts.locked_out or any(s.held for s in seen)
    # Standing counts from the newest shutdown on; a drive locked out by hand has none, so any standing counts.
    stood = any_held and watch.stood and not fresh
    return tuple(s._replace(any_held=any_held, stood=stood) for s in seen), frozenset(pulses)


def _suppressed(judged: Judged, mine: Seen, inhibited: bool) -> str:
    if not judged.may_suppress:
        return ""
    facts, kind = mine.facts, judged.kind
    if facts.in_test:
        return IN_TEST
    if kind == "stopped_without_trip" and facts.standby:
        return STANDBY
    if kind in FOREWARNINGS and _has_acted(mine):
        return SHUTDOWN
    if kind == "torque_high" and mine.alarm is not None and mine.alarm.operated == 1:
        return CONTACT
    return START if inhibited and kind in TORQUE_KINDS else ""


def _has_acted(mine: Seen) -> bool:
    """Whether the shutdown holds, and the drive has not been started again: that is to be warned of like any other.

    Where nobody knows whether it runs, the shutdown contact that has released is taken for a start.
    """
    running = mine.facts.running
    if not mine.held or running == 0:
        return mine.held
    if running == -1:
        return mine.shutdown is None or mine.shutdown.operated != 0
    return not mine.stood


def _said_high(setup: Setup, leans: Direction, results: list[Result]) -> Holds:
    """Whether 'torque high' holds on the side that the arm leans to."""
    for judged, result in zip(setup.judged, results, strict=True):
        if judged.kind == "torque_high" and setup.sides[judged.side].direction is leans:
            return result[0]
    return False


def _band(seen: tuple[Seen, ...], facts: Facts, high: Holds) -> tuple[float, float]:
    """Between which torques nothing changes while it is of this kind and on this side.

    Args:
        high: Whether 'torque high' holds: only then its lower end and what makes it worse are limits.
    """
    mine = next((s for s in seen if s.side.direction is facts.leans), None)
    value_nm = facts.torque.value
    if value_nm is None or mine is None:
        return -NEVER_NM, NEVER_NM
    side = mine.side
    limits = [] if high else [side.high_nm]
    if high is not False:
        limits += [side.high_off_nm, side.alarm_nm]
    near = facts.torque.kind is not Exactness.EXACT
    for stage, point_nm, below_nm in (
        (mine.alarm, side.alarm_nm, side.below_alarm_nm),
        (mine.shutdown, side.shutdown_nm, side.below_shutdown_nm),
    ):
        if stage is not None and stage.operated == 1:
            limits += [below_nm, side.worse_nm]
            near = near or value_nm <= below_nm
        elif stage is not None:
            limits.append(point_nm)
            near = near or value_nm > point_nm
    if near:  # there the uncertainty counts as well, and it is another one at each position
        return nextafter(value_nm, -inf), value_nm
    low_nm = max((nm for nm in limits if nm < value_nm), default=-NEVER_NM)
    return low_nm, min((nm for nm in limits if nm >= value_nm), default=NEVER_NM)
