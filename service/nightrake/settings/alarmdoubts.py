"""What is allowed but seldom meant about alarms: alarms given away, limits that hide, standby without end."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from nightrake.alarms.drivesetup import TorqueLimits
from nightrake.alarms.response import Response
from nightrake.alarms.rota import chain_of
from nightrake.alarms.rules import AlarmOverride
from nightrake.alarms.standby import standing
from nightrake.alarms.table import ALARM_TYPES, RANK, Priority
from nightrake.alarms.zones import DAY_S
from nightrake.domain.site import DriveSpec, Stage
from nightrake.settings.models import FolderModel
from nightrake.settings.responding import limits_from
from nightrake.settings.words import listed

LONG_INHIBIT_S = 300.0
"""A start is over within this (common practice, no source)."""
OFF = {"high_pct": "torque_high", "rise_pct_per_min": "torque_rising"}
"""Limits of which 0 switches an alarm off."""


def alarm_doubts(folder: FolderModel, drives: Mapping[str, DriveSpec], response: Response) -> Iterator[str]:
    """One sentence for each; what many drives share (a template, say) is one sentence."""
    yield from _given_away(response)
    yield from _limits(folder, response)
    yield from _turns(drives, response)
    yield from _standby(folder, drives, response)


def _given_away(response: Response) -> Iterator[str]:
    for kind, given in response.overrides.items():
        yield from _lesser(kind, given, AlarmOverride(), response)
    shared: dict[str, list[str]] = {}
    for drive, overrides in response.drive_overrides.items():
        for kind, given in overrides.items():
            for text in _lesser(kind, given, response.overrides.get(kind, AlarmOverride()), response):
                shared.setdefault(text, []).append(drive)
    for text, names in shared.items():
        yield f"{_named(names)}: {text}"


def _lesser(kind: str, given: AlarmOverride, below: AlarmOverride, response: Response) -> Iterator[str]:
    """Of one override: what makes an alarm less than it was below it."""
    alarm_type = ALARM_TYPES[kind]
    was = below.priority or alarm_type.priority
    if given.priority is not None and RANK[given.priority] < RANK[was]:
        nobody = chain_of(response.rota, given.priority) is None
        then = f"escalation.{given.priority} has no steps, so nobody is called" if nobody else "it is called as such"
        yield f"alarm.{kind}.priority is {given.priority}, less than {was}: {then}; leave it out, if that is not meant"
    respond_s = alarm_type.respond_s if below.respond_s is None else below.respond_s
    if given.respond_s == 0.0 and respond_s and (given.priority or was) is not Priority.NOTICE:
        yield f"alarm.{kind}.respond_s is 0, so after an acknowledgement it never calls again, however long it stands"


def _limits(folder: FolderModel, response: Response) -> Iterator[str]:
    for key, text in _hiding(limits_from(folder.torque_limits)):
        yield f"torque_limits.{key} {text}"
    shared: dict[str, list[str]] = {}
    for drive, table in folder.drive.items():
        own = table.torque_limits.model_fields_set if table.torque_limits else ()
        for key, text in _hiding(response.limits_of(drive)):
            if key in own:
                shared.setdefault(f"torque_limits.{key} {text}", []).append(drive)
    yield from (f"{_named(names)}: {text}" for text, names in shared.items())


def _hiding(limits: TorqueLimits) -> Iterator[tuple[str, str]]:
    inhibit_s = limits.start_inhibit_ns / 1e9
    if inhibit_s > LONG_INHIBIT_S:
        minutes = f"{inhibit_s / 60:g} min"
        yield "start_inhibit_s", f"is {inhibit_s:g}, so for {minutes} after each start no torque alarm can come"
    for key, kind in OFF.items():
        if getattr(limits, key) == 0.0:
            yield key, f"is 0, so '{ALARM_TYPES[kind].title}' is not watched"


def _turns(drives: Mapping[str, DriveSpec], response: Response) -> Iterator[str]:
    """An alarm contact is gone after half a turn, which nobody knows without `turn_s`."""
    kind = "alarm_contact"
    site = response.overrides.get(kind, AlarmOverride())
    unknown = []
    for i, drive in drives.items():
        own = response.drive_overrides.get(i, {}).get(kind, AlarmOverride())
        given = own.off_delay_s if own.off_delay_s is not None else site.off_delay_s
        if not drive.turn_ns and given is None and any(c.id.stage is Stage.ALARM for c in drive.contacts):
            unknown.append(i)
    if unknown:
        minutes = f"{ALARM_TYPES[kind].off_delay_s / 60:g} min"
        text = f"turn_s is not given, so an alarm stays for {minutes} after its contact was released"
        yield f"{_named(unknown)}: {text}, in place of half a turn and 20 %"


def _standby(folder: FolderModel, drives: Mapping[str, DriveSpec], response: Response) -> Iterator[str]:
    always, unseen, in_utc = [], [], []
    for drive, schedule in response.standby.items():
        weekly = tuple(s for s in schedule if s.days)
        covered = standing(weekly, 0, 15 * DAY_S)
        if covered and covered[0][0] <= 0 and covered[0][1] >= 15 * DAY_S:
            always.append(drive)
        if drive in drives and drives[drive].running is None:
            unseen.append(drive)
        if not all(t.zone for t in folder.drive[drive].standby):
            in_utc.append(drive)
    if always:
        yield f"{_named(always)}: standby covers every hour of the week, so a stop without a trip is never told"
    if unseen:
        yield f"{_named(unseen)}: standby has no effect without running, for nothing tells that the drive stands"
    if in_utc and "zone" not in folder.rota.model_fields_set:
        yield f"{_named(in_utc)}: rota.zone is not given, so the times of day of standby are taken as UTC"


def _named(drives: list[str]) -> str:
    return f"drive.{drives[0]}" if len(drives) == 1 else f"drives {listed(drives)}"
