"""The one table of all alarms; what a site puts on top of it is in `alarms.rules`. Pure.

What is no alarm (nobody has to act now) is a notice: never called out, and outside the alarm figures.
Delays and deadbands are starting values, to be tuned: common practice after EEMUA 191 (from memory), no other source.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import NamedTuple

from nightrake.alarms import responses as say

MAX_DELAY_S = 6 * 3600.0
"""No delay is longer, whatever a site sets."""
NOBODY_TO_CALL = "nobody_to_call"


class Priority(StrEnum):
    """How soon somebody has to act. Three for alarms; a notice is none."""

    URGENT = "urgent"
    HIGH = "high"
    LOW = "low"
    NOTICE = "notice"


RANK = {Priority.NOTICE: 0, Priority.LOW: 1, Priority.HIGH: 2, Priority.URGENT: 3}


class Scope(StrEnum):
    """What there is one alarm of a kind for."""

    DIRECTION = "direction"  # each sensed direction of each drive
    DRIVE = "drive"
    PLC = "plc"
    SITE = "site"


class AlarmType(NamedTuple):
    """One kind of alarm, as nightrake ships it.

    Attributes:
        kind, title: Identity, and words for people.
        priority: See `Priority`.
        scope: See `Scope`.
        on_delay_s: How long the condition must hold. max_on_delay_s: the most that a site may set.
        off_delay_s: How long it must be gone. half_turn: instead half a turn and 20 %, where the turn is known.
        deadband_pct: Percent of the shutdown torque by which a torque must fall below its limit (for a rate: percent of
            the limit); 0 = none.
        respond_s: Time to respond after acknowledgement; still active then, it calls again. 0 = it does not.
        first_step: Index of the escalation step with which it begins.
        latches: It stays, though its condition goes, until it was acknowledged and reset.
        may_shelve, may_suppress, may_filter: Whether a person may shelve it, logic may suppress it by design, and the
            chatter and flood rules may hold back its call. may_leave_service: whether it can be out of service.
        cause, consequence: What it comes of, what follows if nobody acts.
        first_response: What to do first, in order.
        at_machine: It may lead somebody to the machine, so the caution goes with it.
        leaks: An on-delay that is broken off wears off only as fast as it has built up: bad for more than half of the
            time is bad.
    """

    kind: str
    title: str
    priority: Priority
    scope: Scope = Scope.DIRECTION
    on_delay_s: float = 0.0
    max_on_delay_s: float = MAX_DELAY_S
    off_delay_s: float = 10.0
    half_turn: bool = False
    deadband_pct: float = 0.0
    respond_s: float = 1800.0
    first_step: int = 0
    latches: bool = False
    may_shelve: bool = True
    may_suppress: bool = True
    may_filter: bool = True
    may_leave_service: bool = True
    cause: str = ""
    consequence: str = ""
    first_response: tuple[str, ...] = ()
    at_machine: bool = True
    leaks: bool = False

    @property
    def needs_reset(self) -> bool:
        """What latches leaves only by a reset, and nothing else needs one."""
        return self.latches

    @property
    def is_alarm(self) -> bool:
        """False for a notice."""
        return self.priority is not Priority.NOTICE

    @property
    def about_shutdown(self) -> bool:
        """Told before everything else that waits."""
        return self.priority is Priority.URGENT


_SHUTDOWN = AlarmType(
    "",
    "",
    Priority.URGENT,
    respond_s=3600.0,
    may_shelve=False,
    may_suppress=False,
    may_filter=False,
    may_leave_service=False,
)
"""What neither a person nor logic nor the flood rule may ever hide."""
_NOTICE = AlarmType(
    "", "", Priority.NOTICE, Scope.SITE, respond_s=0.0, at_machine=False, first_response=say.IN_THE_DAYTIME
)
_OVERLOAD = "the machine may be bent or broken before anybody knows"
_TYPES = (
    _SHUTDOWN._replace(
        kind="shutdown_contact",
        title="shutdown contact operated",
        max_on_delay_s=0.0,
        off_delay_s=60.0,
        latches=True,
        cause="torque at the shutdown point; or, wired normally closed, a broken wire or lost contact supply",
        consequence="the drive stands (if the hard-wired stop acted) and solids settle on the rakes",
        first_response=say.ON_SHUTDOWN,
    ),
    _SHUTDOWN._replace(
        kind="still_running",
        title="motor runs on after a shutdown",
        max_on_delay_s=0.0,
        off_delay_s=0.0,
        cause="welded starter, bridged contact or stop circuit, motor in hand mode",
        consequence=_OVERLOAD,
        first_response=say.ON_RUNNING_ON,
    ),
    _SHUTDOWN._replace(
        kind="stop_not_confirmed",
        title="stop not confirmed after a shutdown",
        on_delay_s=3.0,
        max_on_delay_s=30.0,
        off_delay_s=0.0,
        cause="run feedback missing or not readable",
        consequence="the motor may still be running",
        first_response=say.ON_NOT_CONFIRMED,
    ),
    _SHUTDOWN._replace(
        kind="running_while_locked_out",
        title="running while locked out or before reset",
        scope=Scope.DRIVE,
        max_on_delay_s=0.0,
        off_delay_s=3.0,
        cause="somebody started the motor, or the starter closed by itself",
        consequence="people at the machine may be hurt, and the cause of the shutdown has not been cleared",
        first_response=say.ON_LOCKED_OUT_RUNNING,
    ),
    _SHUTDOWN._replace(
        kind="shutdown_did_not_act",
        title="torque above the shutdown point, contact not operated",
        on_delay_s=3.0,
        max_on_delay_s=30.0,
        off_delay_s=10.0,
        may_suppress=True,
        cause="contact moved, jumpered or failed, wire cut, or the calibration is wrong",
        consequence=_OVERLOAD,
        first_response=say.ON_NO_ACTION,
    ),
    AlarmType(
        "alarm_contact",
        "alarm contact operated",
        Priority.HIGH,
        on_delay_s=1.0,
        max_on_delay_s=60.0,
        off_delay_s=1200.0,  # where the turn is not known: 0.6 turns of a rake that needs half an hour, and some
        half_turn=True,
        cause="torque at the alarm point: heavy blanket, ridge, ice, an obstacle",
        consequence="the torque may go on to the shutdown point and stop the drive",
        first_response=say.ON_ALARM,
    ),
    AlarmType(
        "shutdown_without_alarm",
        "shutdown without a preceding alarm",
        Priority.HIGH,
        on_delay_s=2.0,
        off_delay_s=60.0,
        cause="alarm contact moved or failed, or a torque that rose faster than it is read",
        consequence="the next overload comes without warning as well",
        first_response=say.ON_SHUTDOWN,
    ),
    AlarmType(
        "alarm_did_not_act",
        "torque above the alarm point, contact not operated",
        Priority.HIGH,
        on_delay_s=3.0,
        max_on_delay_s=60.0,
        cause="contact moved, jumpered or failed, wire cut, or the calibration is wrong",
        consequence="nobody is warned before the shutdown point",
        first_response=say.ON_NO_ACTION,
    ),
    AlarmType(
        "shutdown_channels_disagree",
        "the two shutdown channels disagree",
        Priority.HIGH,
        cause="one of the two contacts, its wire or its input has failed",
        consequence="one channel alone stands between an overload and the machine",
        first_response=say.ON_DISAGREE,
    ),
    AlarmType(
        "alarm_channels_disagree",
        "the two alarm channels disagree",
        Priority.LOW,
        cause="one of the two contacts, its wire or its input has failed",
        consequence="one channel alone gives the warning",
        first_response=say.ON_DISAGREE,
    ),
    AlarmType(
        "shutdown_against_position",
        "shutdown contact operated, position well below",
        Priority.HIGH,
        on_delay_s=5.0,
        cause="contact moved or stuck, broken wire, transducer or its calibration wrong",
        consequence="the drive stands without need, or the position cannot be trusted",
        first_response=say.ON_CONTACT_DOUBT,
    ),
    AlarmType(
        "alarm_against_position",
        "alarm contact operated, position well below",
        Priority.LOW,
        on_delay_s=5.0,
        cause="contact moved or stuck, broken wire, transducer or its calibration wrong",
        consequence="the warning cannot be trusted",
        first_response=say.ON_CONTACT_DOUBT,
    ),
    AlarmType(
        "torque_high",
        "torque high, before the alarm contact",
        Priority.LOW,
        on_delay_s=5.0,
        off_delay_s=300.0,
        half_turn=True,
        deadband_pct=3.0,
        cause="heavy blanket, ridge, ice, an obstacle",
        consequence="the alarm contact operates next",
        first_response=say.ON_TORQUE,
    ),
    AlarmType(
        "torque_rising",
        "torque rises fast",
        Priority.LOW,
        on_delay_s=5.0,
        off_delay_s=60.0,
        deadband_pct=50.0,
        cause="an obstacle, a slide of solids, a sudden load",
        consequence="the contacts operate soon, and little time is left",
        first_response=say.ON_TORQUE,
    ),
    AlarmType(
        "stopped_without_trip",
        "stopped without a trip while it should run",
        Priority.HIGH,
        Scope.DRIVE,
        on_delay_s=600.0,
        cause="motor protection, supply, control system, somebody's switch",
        consequence="solids settle and the start may need more torque than the machine can bear",
        first_response=say.ON_STOPPED,
    ),
    AlarmType(
        "contact_unreadable",
        "contacts cannot be read",
        Priority.HIGH,
        Scope.DRIVE,
        on_delay_s=30.0,
        leaks=True,
        cause="module, wiring, PLC program, addresses",
        consequence="an overload of this drive is not told",
        first_response=say.ON_UNREADABLE,
    ),
    AlarmType(
        "reading_bad",
        "a reading is bad or stale",
        Priority.LOW,
        Scope.DRIVE,
        on_delay_s=30.0,
        off_delay_s=30.0,
        leaks=True,
        cause="transducer, one channel of a stage, run feedback, wiring",
        consequence="torque, stop or a second channel cannot be judged",
        first_response=("Have wiring, module and transducer looked at.",),
    ),
    AlarmType(
        "plc_silent",
        "PLC silent",
        Priority.HIGH,
        Scope.PLC,
        on_delay_s=30.0,
        off_delay_s=10.0,
        leaks=True,
        cause="PLC without supply, network, gateway",
        consequence="overloads of its drives are not told",
        first_response=say.ON_SILENT,
    ),
    AlarmType(
        "store_full",
        "the journal is not being kept",
        Priority.HIGH,
        Scope.SITE,
        on_delay_s=10.0,
        off_delay_s=10.0,
        cause="disk full, slow or failed",
        consequence="what happens now may be missing later",
        first_response=say.ON_JOURNAL,
        at_machine=False,
    ),
    AlarmType(
        "broker_unreachable",
        "messages do not get through",
        Priority.HIGH,
        Scope.SITE,
        on_delay_s=30.0,
        off_delay_s=30.0,
        cause="broker, network, access rules",
        consequence="alarms do not reach people over the broker",
        first_response=say.ON_BROKER,
        at_machine=False,
    ),
    AlarmType(
        "paging_dead",
        "a test call was not answered",
        Priority.HIGH,
        Scope.SITE,
        cause="telephone, network, a person who is not there",
        consequence="an alarm may reach nobody",
        first_response=say.ON_PAGING,
        at_machine=False,
    ),
    AlarmType(
        NOBODY_TO_CALL,
        "nobody is left who could be called",
        Priority.HIGH,
        Scope.SITE,
        off_delay_s=0.0,
        cause="people.toml emptied, or left out of a reload",
        consequence="an alarm reaches nobody",
        first_response=say.ON_NOBODY,
        at_machine=False,
    ),
    AlarmType(
        "not_forwarded",
        "history is not forwarded",
        Priority.LOW,
        Scope.SITE,
        on_delay_s=600.0,
        off_delay_s=30.0,
        cause="the store, the network",
        consequence="charts elsewhere stand still; nothing is lost while the tail holds it",
        first_response=say.ON_FORWARDING,
        at_machine=False,
    ),
    _NOTICE._replace(
        kind="calibration_due",
        title="calibration due",
        scope=Scope.DIRECTION,
        consequence="torque is less and less certain",
    ),
    _NOTICE._replace(
        kind="dead_letters", title="messages were given up", consequence="some receiver has not had everything"
    ),
    _NOTICE._replace(
        kind="history_behind",
        title="history is not being sealed",
        on_delay_s=600.0,
        off_delay_s=30.0,
        cause="the disk, or the process that keeps history; nightrake status says which",
        consequence="readings stay in the store until its room runs out, then the oldest are given up",
    ),
    _NOTICE._replace(
        kind="history_damaged",
        title="history is lost or damaged",
        cause="a disk that fails, a file that was removed, exchanged or put there",
        consequence="readings of the past are missing from every display; what is recorded now is kept",
    ),
    _NOTICE._replace(kind="service_updated", title="the service was updated"),
    _NOTICE._replace(
        kind="creep_forecast",
        title="torque creeps towards the alarm point",
        scope=Scope.DIRECTION,
        cause="sludge that stays, wear, a stiff bearing, a bent arm; or springs or a transducer that drift",
        consequence="the drive will alarm within weeks; nightrake trend says how sure that is",
    ),
)
ALARM_TYPES: Mapping[str, AlarmType] = {t.kind: t for t in _TYPES}
"""Every kind that there is."""
