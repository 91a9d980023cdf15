"""What is kept of a site's alarms, and how one of them stands for whoever calls people. Pure.

Sparse: an alarm that is normal, with nothing over it and no delay running, is not kept; the number of its last
occurrence is, for ever.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from nightrake.alarms import overlays as over
from nightrake.alarms.calls import Need, Standing
from nightrake.alarms.flood import CHATTERING, QUIET, Chatter, Flood, chatter_due_ns, held_until_ns
from nightrake.alarms.keys import AlarmKey
from nightrake.alarms.life import UNANSWERED, AlarmState, Life, due_ns
from nightrake.alarms.names import StateName, name_of
from nightrake.alarms.overlays import BARE, Overlays
from nightrake.alarms.rules import AlarmRule


class Condition(NamedTuple):
    """What is to be known of one alarm now, where that differs from what was last said.

    Attributes:
        key: Which.
        holds: True, False, or None where it cannot be judged.
        suppressed: Why logic suppresses the alarm by design, "" = it does not.
        severity: How bad, from 0. data: plain facts for the journal, where it is raised.
        since_ns: Since when it holds, where that is known to be earlier than now; 0 = since now.
        started_ns: Of a shutdown contact: when the motor was last seen to start, 0 = it was not.
    """

    key: AlarmKey
    holds: bool | None
    suppressed: str = ""
    severity: int = 0
    data: Mapping[str, Any] = {}
    since_ns: int = 0
    started_ns: int = 0


class Alarm(NamedTuple):
    """One alarm.

    Attributes:
        key: Which. state: its life. overlays: what lies over it. chatter: how often it called.
        calling: A call for this occurrence is out, and nobody has answered it.
        withheld: Why no call is out for an alarm that waits for somebody, "" = it is, or nothing waits.
        facts: What was last said of it while its condition held, for the journal and for whoever is called.
    """

    key: AlarmKey
    state: AlarmState = AlarmState()
    overlays: Overlays = BARE
    chatter: Chatter = QUIET
    calling: bool = False
    withheld: str = ""
    facts: Mapping[str, Any] = {}

    @property
    def name(self) -> StateName:
        """Its one name."""
        return name_of(self.state.life, self.overlays)


class Subject(NamedTuple):
    """The alarms of one drive, PLC or the site, by text form: what is kept together.

    Attributes:
        occurrences: Number of the last occurrence of every alarm that ever was.
        away: It is not in the settings now. Its alarms wait unchanged until it comes back.
    """

    alarms: Mapping[str, Alarm] = {}
    occurrences: Mapping[str, int] = {}
    away: bool = False


class AlarmBook(NamedTuple):
    """All of it.

    Attributes:
        subjects: By subject. flood: see there.
        due_ns, due_utc_ms: Moments before which time alone changes nothing, 0 = it never does.
        dues: The same for each subject (one that is missing never changes by time alone), so that of a flood of delays
            only those are looked at that are over; None = not known, every subject is to be looked at.
    """

    subjects: Mapping[str, Subject] = {}
    flood: Flood = Flood()
    due_ns: int = 0
    due_utc_ms: int = 0
    dues: Mapping[str, tuple[int, int]] | None = None


def is_at_rest(alarm: Alarm) -> bool:
    """Nothing is to be kept of it but its number."""
    state, lying = alarm.state, alarm.overlays
    if state.life is not Life.NORMAL or state.since_ns or state.leak_ns or alarm.chatter.times:
        return False
    return lying.shelved is None and lying.out_of_service is None


def due_of(alarm: Alarm, rule: AlarmRule) -> tuple[int, int]:
    """When time alone changes something about it, monotonic and UTC (ms); 0 = never."""
    overlay_ns, overlay_utc_ms = over.due(alarm.overlays)
    held_ns = held_until_ns(rule, alarm.chatter) if alarm.withheld == CHATTERING else 0
    times = (due_ns(alarm.state, rule), alarm.state.leak_ns, overlay_ns, chatter_due_ns(alarm.chatter), held_ns)
    return min((t for t in times if t), default=0), overlay_utc_ms


def standing_of(alarm: Alarm, rule: AlarmRule) -> Standing:
    """How an alarm stands for the escalation: does it call, wait for a response, or rest?

    While it chatters, an unanswered call stays out through the moments in which the condition is gone.
    """
    state, need = alarm.state, Need.REST
    bridged = alarm.chatter.active and state.life is Life.CLEARED_UNACKNOWLEDGED
    if state.life is Life.NORMAL:
        need = Need.OVER
    elif alarm.calling and (state.life in UNANSWERED or bridged):
        need = Need.CALL
    elif state.life is Life.ACKNOWLEDGED and rule.type.is_alarm and not over.why_silent(alarm.overlays):
        need = Need.RESPOND
    return Standing(
        alarm=str(alarm.key),
        occurrence=state.occurrence,
        need=need,
        priority=rule.priority.value,
        respond_ns=rule.respond_ns,
        drive=alarm.key.drive,
        direction=alarm.key.direction,
        first_step=rule.first_step,
        severity=state.severity,
    )
