"""What judging a drive's alarms needs, found once for each settings value: limits, and which alarms there are. Pure.

The limits are starting values, own proposals of the trade's practice (no source); a site sets its own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from nightrake.alarms.keys import AlarmKey
from nightrake.alarms.rules import AlarmRule, AlarmRules
from nightrake.domain.site import Direction, DriveSpec, Stage

NEVER_NM = 1e300
"""A torque that no drive has: a limit that is not set. (Infinity cannot be written in JSON.)"""


class TorqueLimits(NamedTuple):
    """What a site can set about torque-derived alarms, for all drives or for one.

    Attributes:
        high_pct: 'Torque high', percent of the alarm torque; 0 = not watched.
        worse_pct: Part of the way from alarm to shutdown torque, percent, above which an alarm that somebody has
            acknowledged calls again; 0 = never.
        well_below_pct: Percent of a contact's torque below which it should not be operated; 0 = not watched.
        unstated_pct: Uncertainty where the calibration record states none, percent of the torque.
        rise_pct_per_min: 'Rises fast', percent of the alarm torque in a minute; 0 = not watched.
        rise_window_ns: Over which the rate is taken.
        start_inhibit_ns: How long after a start torque-derived alarms are suppressed.
    """

    high_pct: float = 90.0
    worse_pct: float = 50.0
    well_below_pct: float = 60.0
    unstated_pct: float = 10.0
    rise_pct_per_min: float = 25.0
    rise_window_ns: int = 60_000_000_000
    start_inhibit_ns: int = 30_000_000_000


AS_SHIPPED = TorqueLimits()


class Side(NamedTuple):
    """One sensed direction. Torques in N.m; `NEVER_NM` where a limit is not set, -1.0 where it is one from below.

    Attributes:
        place: Among the drive's directions, from 0. direction: which.
        alarm, shutdown: Index of the stage among the drive's, -1 = no contacts.
        alarm_nm, shutdown_nm: Where the contacts should operate.
        high_nm, high_off_nm: 'Torque high' above the one, gone at the other or below.
        worse_nm: See `TorqueLimits.worse_pct`.
        below_alarm_nm, below_shutdown_nm: Well below the contact's point.
        rise_nm_per_s, rise_off_nm_per_s: 'Rises fast' above the one, gone at the other or below.
    """

    place: int
    direction: Direction
    alarm: int
    shutdown: int
    alarm_nm: float = NEVER_NM
    shutdown_nm: float = NEVER_NM
    high_nm: float = NEVER_NM
    high_off_nm: float = NEVER_NM
    worse_nm: float = NEVER_NM
    below_alarm_nm: float = -1.0
    below_shutdown_nm: float = -1.0
    rise_nm_per_s: float = NEVER_NM
    rise_off_nm_per_s: float = NEVER_NM


class Judged(NamedTuple):
    """One alarm that is judged: its kind, its place in `Setup.sides` (0 for the drive's own), and its key."""

    kind: str
    side: int
    key: AlarmKey
    may_suppress: bool


class Setup(NamedTuple):
    """One drive.

    Attributes:
        drive: Its id. sides: its sensed directions. judged: its alarms, always in the same order.
        unstated: Uncertainty where none is stated, as a part of the torque.
        window_ns: For the rate of rise, 0 = it is not watched. inhibit_ns: after a start.
    """

    drive: str
    sides: tuple[Side, ...]
    judged: tuple[Judged, ...]
    unstated: float
    window_ns: int
    inhibit_ns: int

    @property
    def texts(self) -> frozenset[str]:
        """Text forms of all its alarms (for `AlarmRules.judging`), those that come from elsewhere included."""
        elsewhere = [AlarmKey(self.drive, str(s.direction), "creep_forecast") for s in self.sides]
        return frozenset(str(key) for key in (*(j.key for j in self.judged), *elsewhere))


def setup_of(
    spec: DriveSpec,
    stages: Sequence[tuple[Direction, Stage]],
    rules: AlarmRules,
    limits: TorqueLimits = AS_SHIPPED,
) -> Setup:
    """Lay out one drive.

    Args:
        spec: The drive. stages: its stages in the order of `DriveWire.stages`.
        rules: The site's. limits: this drive's.
    """
    mine = rules.drives[spec.id]
    places = {stage: i for i, stage in enumerate(stages)}
    sides = tuple(_side(spec, i, d, places, mine, limits) for i, d in enumerate(spec.directions))
    judged = [(kind, s.place, str(s.direction)) for s in sides for kind in _side_kinds(spec, s)]
    judged += [(kind, 0, "") for kind in _drive_kinds(spec)]
    return Setup(
        drive=spec.id,
        sides=sides,
        judged=tuple(Judged(k, i, AlarmKey(spec.id, d, k), mine[k].type.may_suppress) for k, i, d in judged),
        unstated=limits.unstated_pct / 100.0,
        window_ns=limits.rise_window_ns if any(s.rise_nm_per_s < NEVER_NM for s in sides) else 0,
        inhibit_ns=limits.start_inhibit_ns,
    )


def _side(
    spec: DriveSpec,
    place: int,
    direction: Direction,
    places: Mapping[tuple[Direction, Stage], int],
    rules: Mapping[str, AlarmRule],
    limits: TorqueLimits,
) -> Side:
    alarm, shutdown = (places.get((direction, stage), -1) for stage in (Stage.ALARM, Stage.SHUTDOWN))
    side = Side(place, direction, alarm, shutdown)
    if spec.position is None or direction not in spec.calibrations:
        return side
    alarm_nm, shutdown_nm = (spec.set_point_nm(direction, stage) for stage in (Stage.ALARM, Stage.SHUTDOWN))
    full_nm = shutdown_nm or alarm_nm
    if shutdown_nm and shutdown >= 0:
        below_nm = _part(limits.well_below_pct, shutdown_nm, -1.0)
        side = side._replace(shutdown_nm=shutdown_nm, below_shutdown_nm=below_nm)
    if not alarm_nm:
        return side
    if alarm >= 0:
        below_nm = _part(limits.well_below_pct, alarm_nm, -1.0)
        side = side._replace(alarm_nm=alarm_nm, below_alarm_nm=below_nm)
    if shutdown_nm > alarm_nm and limits.worse_pct:
        worse_nm = alarm_nm + _part(limits.worse_pct, shutdown_nm - alarm_nm, 0.0)
        side = side._replace(worse_nm=worse_nm)
    high_nm = _part(limits.high_pct, alarm_nm, NEVER_NM)
    if limits.high_pct:
        off_nm = max(0.0, high_nm - _part(rules["torque_high"].deadband_pct, full_nm, 0.0))
        side = side._replace(high_nm=high_nm, high_off_nm=off_nm)
    if limits.rise_pct_per_min:
        rise = _part(limits.rise_pct_per_min, alarm_nm, 0.0) / 60.0
        off = rise * (1.0 - rules["torque_rising"].deadband_pct / 100.0)
        side = side._replace(rise_nm_per_s=rise, rise_off_nm_per_s=off)
    return side


def _part(pct: float, of_nm: float, unset_nm: float) -> float:
    return of_nm * pct / 100.0 if pct else unset_nm


def _side_kinds(spec: DriveSpec, side: Side) -> list[str]:
    """Kinds that there are for a direction; what can never be judged has no alarm."""
    channels = [sum(c.id.direction is side.direction and c.id.stage is stage for c in spec.contacts) for stage in Stage]
    wanted = {
        "shutdown_contact": side.shutdown >= 0,
        "still_running": side.shutdown >= 0 and spec.running is not None,
        "stop_not_confirmed": side.shutdown >= 0,
        "shutdown_did_not_act": side.shutdown_nm < NEVER_NM,
        "alarm_contact": side.alarm >= 0,
        "shutdown_without_alarm": side.shutdown >= 0 and side.alarm >= 0,
        "alarm_did_not_act": side.alarm_nm < NEVER_NM,
        "shutdown_channels_disagree": channels[1] > 1,
        "alarm_channels_disagree": channels[0] > 1,
        "shutdown_against_position": side.below_shutdown_nm > 0.0,
        "alarm_against_position": side.below_alarm_nm > 0.0,
        "torque_high": side.high_nm < NEVER_NM,
        "torque_rising": side.rise_nm_per_s < NEVER_NM,
        "calibration_due": side.direction in spec.calibrations,
    }
    return [kind for kind, there in wanted.items() if there]


def _drive_kinds(spec: DriveSpec) -> list[str]:
    runs = ["running_while_locked_out", "stopped_without_trip"] if spec.running is not None else []
    return [*runs, *(["contact_unreadable"] if spec.contacts else []), "reading_bad"]
