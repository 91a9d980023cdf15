"""Alarms, limits and standby as the folder has them -> `Response`, with everything that can be wrong about them."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

from nightrake.alarms.drivesetup import TorqueLimits
from nightrake.alarms.response import Response
from nightrake.alarms.rules import AlarmOverride, override_faults
from nightrake.alarms.standby import Schedule, Standing, span_of
from nightrake.alarms.table import ALARM_TYPES, AlarmType, Priority, Scope
from nightrake.settings.alarms import AlarmTable, LimitsTable, PartLimitsTable, StandbyTable
from nightrake.settings.build import ns
from nightrake.settings.duty import Duty, day_number, seconds_of_day, weekdays
from nightrake.settings.folder import Document
from nightrake.settings.lines import Path as KeyPath
from nightrake.settings.models import DriveTable, FolderModel
from nightrake.settings.words import nearest
from nightrake.settings.zones import named_zone


def build_response(document: Document, folder: FolderModel, duty: Duty, today: date) -> Response:
    """Build it; only to be used when the document has no mistakes.

    Args:
        duty: What the folder says about people. today: Zone tables hold for the years around it.
    """
    return _Builder(document, folder, duty, today).build()


class _Builder:
    def __init__(self, document: Document, folder: FolderModel, duty: Duty, today: date) -> None:
        self._document = document
        self._folder = folder
        self._duty = duty
        self._today = today

    def build(self) -> Response:
        folder = self._folder
        overrides = self._overrides(("alarm",), folder.alarm, {})
        site = limits_from(folder.torque_limits)
        drives: dict[str, Mapping[str, AlarmOverride]] = {}
        standby: dict[str, Schedule] = {}
        for i, drive in folder.drive.items():
            own = self._overrides(("drive", i, "alarm"), drive.alarm, overrides)
            if own:
                drives[i] = own
            schedule = self._schedule(("drive", i, "standby"), drive)
            if schedule:
                standby[i] = schedule
        return Response(
            site_name=folder.site.name,
            overrides=overrides,
            drive_overrides=drives,
            limits={i: limits_from(d.torque_limits, site) for i, d in folder.drive.items()},
            rota=self._duty.rota,
            lockout=self._duty.lockout,
            two_persons=self._duty.two_persons,
            standby=standby,
        )

    def _wrong(self, path: KeyPath, text: str, *rests_on: KeyPath) -> None:
        self._document.wrong(path, text, *rests_on)

    # --- kinds ---

    def _overrides(
        self, path: KeyPath, tables: Mapping[str, AlarmTable], below: Mapping[str, AlarmOverride]
    ) -> dict[str, AlarmOverride]:
        """Those of the site, or those of one drive, which stand on the site's."""
        found: dict[str, AlarmOverride] = {}
        for kind, table in tables.items():
            alarm_type = ALARM_TYPES.get(kind)
            if alarm_type is None:
                hint = nearest(kind, ALARM_TYPES) or f"there are: {', '.join(ALARM_TYPES)}"
                self._wrong((*path, kind), f"is no kind of alarm; {hint}")
                continue
            if path[0] == "drive" and alarm_type.scope not in (Scope.DIRECTION, Scope.DRIVE):
                what = "a PLC" if alarm_type.scope is Scope.PLC else "the site"
                self._wrong((*path, kind), f"is about {what}, not about a drive; write it as [alarm.{kind}]")
            given = override_of(table)
            for key, text in override_faults(alarm_type, given):
                self._wrong((*path, kind, key), text)
            self._check_shelving((*path, kind), alarm_type, given)
            self._check_first_step((*path, kind), alarm_type, given, below.get(kind))
            found[kind] = given
        return found

    def _check_shelving(self, path: KeyPath, alarm_type: AlarmType, given: AlarmOverride) -> None:
        if given.max_shelve_s is None:
            return
        if not alarm_type.may_shelve:
            self._wrong((*path, "max_shelve_s"), "has no meaning: this alarm can never be shelved; leave it out")
        elif given.may_shelve is False:
            text = "has no meaning beside may_shelve = false; leave one of them out"
            self._wrong((*path, "max_shelve_s"), text, (*path, "may_shelve"))

    def _check_first_step(
        self, path: KeyPath, alarm_type: AlarmType, given: AlarmOverride, below: AlarmOverride | None
    ) -> None:
        """A step that the site's own escalation does not have."""
        priority = given.priority or (below.priority if below else None) or alarm_type.priority
        chain = self._duty.rota.chains.get(priority)
        steps = len(chain.steps) if chain else 0
        if given.first_step is not None and steps and given.first_step >= steps:
            counted = f"has {steps} steps, 0 to {steps - 1}" if steps > 1 else "has one step, 0"
            text = f"is {given.first_step}, but escalation.{priority} {counted}; correct it"
            rests_on = ((*path, "priority"), ("alarm", alarm_type.kind, "priority"), ("escalation", str(priority)))
            self._wrong((*path, "first_step"), text, *rests_on)

    # --- standby ---

    def _schedule(self, path: KeyPath, drive: DriveTable) -> Schedule:
        found = []
        for index, table in enumerate(drive.standby):
            one = self._standing((*path, index), table)
            if one is not None:
                found.append(one)
        return tuple(found)

    def _standing(self, path: KeyPath, table: StandbyTable) -> Standing | None:
        zone = self._duty.rota.zone
        if table.zone:
            zone = named_zone(self._document, (*path, "zone"), table.zone, self._today)
        one = Standing(from_s=seconds_of_day(table.begins), to_s=seconds_of_day(table.ends), zone=zone)
        if not table.days and not table.day:
            text = "says neither days (of the week) nor day (of the calendar); give one of them"
            self._wrong(path, text, (*path, "days"), (*path, "day"))
            return None
        if table.days and (table.day or table.last_day):
            key = "day" if table.day else "last_day"
            text = "stands beside days; a time recurs by weekday or comes once by date: remove one"
            self._wrong((*path, key), text, (*path, "days"))
            return None
        return self._by_date(path, table, one) if table.day else self._by_weekday(path, table, one)

    def _by_weekday(self, path: KeyPath, table: StandbyTable, one: Standing) -> Standing:
        if len(set(table.days)) != len(table.days):
            self._wrong((*path, "days"), "names a day twice; remove one", (*path, "days"))
        if bool(table.begins) != bool(table.ends):
            key, given = ("ends", "begins") if table.begins else ("begins", "ends")
            text = f"is missing beside {given}; give both, or neither for whole days"
            self._wrong((*path, key), text, (*path, given))
        return one._replace(days=weekdays(table.days))

    def _by_date(self, path: KeyPath, table: StandbyTable, one: Standing) -> Standing:
        first = day_number(self._document, (*path, "day"), table.day)
        last = day_number(self._document, (*path, "last_day"), table.last_day) if table.last_day else first
        if last < first:
            text = f"is {table.last_day}, before day = {table.day}; correct one of them"
            self._wrong((*path, "last_day"), text, (*path, "day"))
            return one._replace(first_day=first, last_day=first + 1)
        # A day without an end is over at its midnight; a night that is given by its evening ends in the morning.
        over = not table.ends or (not table.last_day and one.to_s <= one.from_s)
        one = one._replace(first_day=first, last_day=last + 1 if over else last)
        begins, ends = span_of(one)
        if ends <= begins:
            text = f"is '{table.ends}' on {table.last_day}, not after it begins at '{table.begins or '00:00'}'"
            rests_on = ((*path, key) for key in ("day", "last_day", "begins"))
            self._wrong((*path, "ends"), f"{text}; correct one of them", *rests_on)
        return one


def override_of(table: AlarmTable) -> AlarmOverride:
    """A table as the core takes it."""
    values = table.model_dump()
    if table.priority is not None:
        values["priority"] = Priority(table.priority)
    if table.first_response is not None:
        values["first_response"] = tuple(table.first_response)
    return AlarmOverride(**values)


def limits_from(table: LimitsTable | PartLimitsTable | None, site: TorqueLimits | None = None) -> TorqueLimits:
    """The site's, or a drive's on top of them."""
    given = {k: v for k, v in (table.model_dump() if table else {}).items() if v is not None}
    values = {f"{k[:-2]}_ns" if k.endswith("_s") else k: ns(v) if k.endswith("_s") else v for k, v in given.items()}
    return (site or TorqueLimits())._replace(**values)
