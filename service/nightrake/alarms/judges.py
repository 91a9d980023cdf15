"""Each alarm's condition, as one small function of what is seen of a drive: True, False, None (cannot be judged). Pure.

The torque is taken as bounds: an exact reading as value minus and plus its uncertainty; one below the first calibrated
point says 'at most'; one beyond the last counts as above every limit, so that an overload cannot hide as 'no value'.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from nightrake.alarms.drivesetup import NEVER_NM, Side
from nightrake.domain.contacts import StageState
from nightrake.domain.reading import Exactness, Reading
from nightrake.domain.site import Direction
from nightrake.domain.stop import AWAITED, NOT_CONFIRMED, STILL_RUNNING


class Facts(NamedTuple):
    """A drive as the core knows it, and what else bears on its alarms.

    Attributes:
        stages: As in `Protection`. torque: output torque. leans: the sensed direction that the arm leans to.
        position_bad: There is a transducer, and no position from it. running_bad: likewise for the run feedback.
        running, stop, stop_direction: As in `Protection`. in_test: a function check is on.
        link_down: A PLC that the drive draws on is silent.
        held: For each direction, whether its shutdown holds it (`book.is_latched`).
        locked_out: Its lockout is open. test_run: a supervised test run of it is on.
        standby: It is meant to stand, by command or schedule.
        overdue: For each direction, whether its calibration is past its due date.
        momentary: Directions whose shutdown has operated between two scans, outside a function check.
        data: Plain facts for the journal.
    """

    stages: tuple[StageState, ...]
    torque: Reading
    leans: Direction
    position_bad: bool = False
    running_bad: bool = False
    running: int = -1
    stop: str = ""
    stop_direction: str = ""
    in_test: bool = False
    link_down: bool = False
    held: tuple[bool, ...] = ()
    locked_out: bool = False
    test_run: bool = False
    standby: bool = False
    overdue: tuple[bool, ...] = ()
    momentary: tuple[str, ...] = ()
    data: Mapping[str, Any] = {}


class Seen(NamedTuple):
    """One direction of a drive, ready to be judged.

    Attributes:
        facts, side: See there. alarm, shutdown: the stages' states, None = no contacts.
        kind: Of the torque on this side; EXACT with 0 N.m where the arm leans the other way.
        value_nm, least_nm, most_nm: Torque and its bounds; they mean nothing when `kind` is ABSENT.
        held: This direction's shutdown holds the drive, as of now. any_held: something does.
        stood: The motor has been seen standing since then.
        rate_nm_per_s: How fast the torque rises, None = not known.
    """

    facts: Facts
    side: Side
    alarm: StageState | None
    shutdown: StageState | None
    kind: Exactness
    value_nm: float = 0.0
    least_nm: float = 0.0
    most_nm: float = 0.0
    held: bool = False
    any_held: bool = False
    stood: bool = False
    rate_nm_per_s: float | None = None


Holds = bool | None


def seen_of(side: Side, facts: Facts, unstated: float) -> Seen:
    """Look at one direction.

    Args:
        unstated: Uncertainty where the record states none, as a part of the torque.
    """
    alarm = facts.stages[side.alarm] if side.alarm >= 0 else None
    shutdown = facts.stages[side.shutdown] if side.shutdown >= 0 else None
    torque = facts.torque
    value_nm = torque.value
    if value_nm is None or torque.kind is Exactness.ABSENT:
        return Seen(facts, side, alarm, shutdown, Exactness.ABSENT)
    if facts.leans is not side.direction:
        return Seen(facts, side, alarm, shutdown, Exactness.EXACT)
    give_nm = torque.uncertainty if torque.uncertainty is not None else value_nm * unstated
    least_nm, most_nm = value_nm - give_nm, value_nm + give_nm
    if torque.kind is Exactness.BELOW:
        least_nm = 0.0
    elif torque.kind is Exactness.BEYOND:
        least_nm = most_nm = NEVER_NM
    return Seen(facts, side, alarm, shutdown, torque.kind, value_nm, least_nm, most_nm)


def _contact(stage: StageState | None) -> Holds:
    """Whether a stage is seen operated; what is not read now raises and clears nothing."""
    return None if stage is None or not stage.known or stage.operated == -1 else stage.operated == 1


def shutdown_contact(seen: Seen) -> Holds:
    """In a function check an operated contact shows nothing but that it works."""
    operated = _contact(seen.shutdown)
    return None if operated and seen.facts.in_test else operated


def still_running(seen: Seen) -> Holds:
    """The verdict on the stop stands until feedback says otherwise; without feedback nobody knows."""
    facts = seen.facts
    if facts.stop != STILL_RUNNING or facts.stop_direction != seen.side.direction:
        return False
    return None if facts.running == -1 else True


def _stop_not_confirmed(seen: Seen) -> Holds:
    facts = seen.facts
    return seen.held and facts.stop == NOT_CONFIRMED and facts.stop_direction == seen.side.direction


def _running_while_locked_out(seen: Seen) -> Holds:
    """A motor whose stop is still awaited has not been started; nor has one in a supervised test run."""
    facts = seen.facts
    if not seen.any_held or facts.test_run or facts.running == 0:
        return False
    if facts.running == -1:
        return None
    return seen.stood or facts.stop not in (AWAITED, STILL_RUNNING)


def _shutdown_without_alarm(seen: Seen) -> Holds:
    operated = shutdown_contact(seen)
    if not operated:
        return operated
    warned = _contact(seen.alarm)
    return None if warned is None else not warned


def _did_not_act(seen: Seen, stage: StageState | None, point_nm: float) -> Holds:
    operated = _contact(stage)
    if operated or operated is None or seen.kind is Exactness.ABSENT:
        return False if operated else None
    return seen.least_nm > point_nm


def _against_position(seen: Seen, stage: StageState | None, below_nm: float) -> Holds:
    operated = _contact(stage)
    if not operated or seen.kind is Exactness.ABSENT:
        return False if operated is False else None
    if seen.kind is Exactness.BELOW and seen.most_nm >= below_nm:
        return None  # 'less than this' does not say how much less
    return seen.most_nm < below_nm


def _torque_high(seen: Seen, before: Holds) -> Holds:
    if seen.kind is Exactness.ABSENT:
        return None
    if seen.kind is Exactness.BEYOND:
        return True
    if seen.value_nm <= seen.side.high_off_nm:
        return False
    if seen.kind is Exactness.BELOW:
        return None
    return True if seen.value_nm > seen.side.high_nm else before


def _torque_rising(seen: Seen, before: Holds) -> Holds:
    rate, side = seen.rate_nm_per_s, seen.side
    if rate is None or seen.kind is Exactness.ABSENT:
        return None
    if rate > side.rise_nm_per_s:
        return True
    return False if rate <= side.rise_off_nm_per_s else before


def _stopped_without_trip(seen: Seen) -> Holds:
    facts = seen.facts
    if facts.running != 0:
        return None if facts.running == -1 else False
    return not seen.any_held


def _contact_unreadable(seen: Seen) -> Holds:
    """A silent PLC says nothing of its drives' contacts; it has an alarm of its own."""
    return None if seen.facts.link_down else not all(s.known for s in seen.facts.stages)


def _reading_bad(seen: Seen) -> Holds:
    facts = seen.facts
    if facts.link_down:
        return None
    return facts.position_bad or facts.running_bad or any(s.degraded for s in facts.stages)


Judge = Callable[[Seen], Holds]
JUDGES: Mapping[str, Judge] = {
    "shutdown_contact": shutdown_contact,
    "still_running": still_running,
    "stop_not_confirmed": _stop_not_confirmed,
    "running_while_locked_out": _running_while_locked_out,
    "shutdown_did_not_act": lambda seen: _did_not_act(seen, seen.shutdown, seen.side.shutdown_nm),
    "alarm_contact": lambda seen: _contact(seen.alarm),
    "shutdown_without_alarm": _shutdown_without_alarm,
    "alarm_did_not_act": lambda seen: _did_not_act(seen, seen.alarm, seen.side.alarm_nm),
    "shutdown_channels_disagree": lambda seen: seen.shutdown is not None and seen.shutdown.differ_told,
    "alarm_channels_disagree": lambda seen: seen.alarm is not None and seen.alarm.differ_told,
    "shutdown_against_position": lambda s: _against_position(s, s.shutdown, s.side.below_shutdown_nm),
    "alarm_against_position": lambda s: _against_position(s, s.alarm, s.side.below_alarm_nm),
    "calibration_due": lambda s: s.side.place < len(s.facts.overdue) and s.facts.overdue[s.side.place],
    "stopped_without_trip": _stopped_without_trip,
    "contact_unreadable": _contact_unreadable,
    "reading_bad": _reading_bad,
}
"""Kind -> judge."""
WITH_DEADBAND: Mapping[str, Callable[[Seen, Holds], Holds]] = {
    "torque_high": _torque_high,
    "torque_rising": _torque_rising,
}
"""Kind -> judge; the second argument is what was last said, which stands within the deadband."""

TORQUE_KINDS = frozenset({"torque_high", "torque_rising", "alarm_did_not_act", "shutdown_did_not_act"})
"""What is derived from torque, and so means nothing right after a start."""


def severity_of(kind: str, seen: Seen) -> int:
    """1 where an alarm that somebody has acknowledged has become worse than it had to be, else 0."""
    if seen.kind is Exactness.ABSENT:
        return 0
    if kind == "alarm_contact":
        return int(seen.kind is Exactness.BEYOND or seen.value_nm > seen.side.worse_nm)
    if kind == "torque_high":
        return int(seen.kind is Exactness.BEYOND or seen.value_nm > seen.side.alarm_nm)
    return 0
