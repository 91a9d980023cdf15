"""People, teams, shifts and steps -> frozen values for the core, with everything that can be wrong about them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import get_args

from nightrake.alarms.lockout import LockoutRules
from nightrake.alarms.lockoutsteps import LockoutStep
from nightrake.alarms.rota import Chain, CheckTimes, Person, Rota, Shift, ShiftException, Step, Team
from nightrake.alarms.zones import EPOCH_ORDINAL, Zone
from nightrake.settings.build import ns
from nightrake.settings.folder import Document
from nightrake.settings.lines import Path as KeyPath
from nightrake.settings.models import DriveTable, FolderModel
from nightrake.settings.people import (
    DAY_NAMES,
    EscalationTable,
    ExceptionTable,
    PeopleModel,
    PersonTable,
    ShiftTable,
    StepTable,
    TeamTable,
)
from nightrake.settings.words import listed, nearest
from nightrake.settings.zones import named_zone


@dataclass(frozen=True, slots=True)
class Duty:
    """What the folder says about people, as the core takes it.

    Attributes:
        rota: Who is called, when, in which order.
        lockout: Causes, steps that a release needs, torque that stands against one.
        two_persons: Commands that need two different people.
        local_users: User of the machine -> person.
        tables: As they were written, for whoever shows or compares them.
    """

    rota: Rota
    lockout: LockoutRules
    two_persons: frozenset[str]
    local_users: Mapping[str, str]
    tables: PeopleModel


def build_duty(document: Document, folder: FolderModel, today: date) -> Duty:
    """Build it all; only to be used when the document has no mistakes.

    Args:
        today: Zone tables hold for the years around it.
    """
    return _Builder(document, folder, today).build()


class _Builder:
    def __init__(self, document: Document, folder: FolderModel, today: date) -> None:
        self._document = document
        self._folder = folder
        self._today = today

    def build(self) -> Duty:
        folder = self._folder
        zone = self._zone(("rota", "zone"), folder.rota.zone)
        calls = folder.test_call
        people = {i: Person(i, p.name, p.role, tuple(p.reach.items())) for i, p in folder.person.items()}
        rota = Rota(
            people=people,
            teams={i: self._team(i, t, zone) for i, t in folder.team.items()},
            chains={name: self._chain(name, e) for name, e in folder.escalation.items()},
            checks=CheckTimes(weekdays(calls.days), seconds_of_day(calls.at), zone, ns(calls.answer_s)),
            zone=zone,
        )
        return Duty(
            rota=rota,
            lockout=LockoutRules(
                causes=tuple(folder.lockout.causes),
                needs=tuple(LockoutStep(n) for n in folder.lockout.needs),
                # What stands above its own alarm is not to be released, whatever else is set.
                release_torque_nm={i: d.release_torque_nm or _lowest_alarm_nm(d) for i, d in folder.drive.items()},
                after_shutdown=self._after_shutdown(),
            ),
            two_persons=frozenset(folder.rights.two_persons),
            local_users=self._local_users(),
            tables=PeopleModel.model_validate({n: getattr(folder, n) for n in PeopleModel.model_fields}),
        )

    def _wrong(self, path: KeyPath, text: str, *rests_on: KeyPath) -> None:
        self._document.wrong(path, text, *rests_on)

    def _zone(self, path: KeyPath, name: str) -> Zone:
        return named_zone(self._document, path, name, self._today)

    def _known(self, kind: str, path: KeyPath, names: Sequence[str]) -> tuple[str, ...]:
        """Names of people or teams; those of tables that hold mistakes of their own count as known."""
        known = self._document.names(kind)
        for index, name in enumerate(names):
            if name not in known and not self._document.broken:
                hint = nearest(name, known) or f"known here: {listed(known)}"
                self._wrong((*path, index), f"is '{name}'; there is no [{kind}.{name}]; {hint}")
            elif name in names[:index]:
                self._wrong((*path, index), f"names '{name}' a second time; remove one")
        return tuple(names)

    def _day(self, path: KeyPath, text: str) -> int:
        return day_number(self._document, path, text)

    # --- teams ---

    def _team(self, team_id: str, table: TeamTable, site_zone: Zone) -> Team:
        path: KeyPath = ("team", team_id)
        zone = self._zone((*path, "zone"), table.zone) if table.zone else site_zone
        names = [s.name for s in table.shift]
        for index, name in enumerate(names):
            if name in names[:index]:
                text = f"is '{name}' for a second time in this team; rename one"
                self._wrong((*path, "shift", index, "name"), text, (*path, "shift", names.index(name), "name"))
        if not table.shift and not table.always:
            text = "has neither always nor a shift, so nobody of it is ever on duty; give one"
            self._wrong(path, text, (*path, "always"), (*path, "shift"))
        shifts = tuple(self._shift((*path, "shift", i), s, zone) for i, s in enumerate(table.shift))
        exceptions = [self._exception((*path, "exception", i), e, names) for i, e in enumerate(table.exception)]
        self._check_twice((*path, "exception"), exceptions)
        always = self._known("person", (*path, "always"), table.always)
        return Team(team_id, table.name, always, shifts, tuple(exceptions), table.test_call_at_shift_start)

    def _shift(self, path: KeyPath, table: ShiftTable, zone: Zone) -> Shift:
        if not table.people:
            self._wrong((*path, "people"), "names nobody; name who has this shift, or remove the shift")
        if not table.days or len(set(table.days)) != len(table.days):
            self._wrong((*path, "days"), "has to name one or more different days")
        if table.every_weeks > 1 and not table.first_week:
            text = f"is missing; a shift that comes every {table.every_weeks} weeks needs a day of a week that has it"
            self._wrong((*path, "first_week"), text, (*path, "every_weeks"))
        return Shift(
            name=table.name,
            people=self._known("person", (*path, "people"), table.people),
            days=weekdays(table.days),
            from_s=seconds_of_day(table.begins),
            to_s=seconds_of_day(table.ends),
            zone=zone,
            every_weeks=table.every_weeks,
            first_week=self._day((*path, "first_week"), table.first_week) if table.first_week else 0,
        )

    def _exception(self, path: KeyPath, table: ExceptionTable, shifts: Sequence[str]) -> ShiftException:
        if table.shift not in shifts:
            hint = nearest(table.shift, shifts) or f"it has {listed(shifts)}"
            theirs = ((*path[:2], "shift", i, "name") for i in range(len(shifts) or 1))
            self._wrong((*path, "shift"), f"is '{table.shift}'; the team has no such shift; {hint}", *theirs)
        first = self._day((*path, "day"), table.day)
        last = self._day((*path, "last_day"), table.last_day) if table.last_day else first
        if last < first:
            text = f"is {table.last_day}, before day = {table.day}; correct one of them"
            self._wrong((*path, "last_day"), text, (*path, "day"))
        people = self._known("person", (*path, "people"), table.people)
        from_s, to_s = (seconds_of_day(t) if t else -1 for t in (table.begins, table.ends))
        return ShiftException(table.shift, first, last, people, from_s, to_s)

    def _check_twice(self, path: KeyPath, exceptions: Sequence[ShiftException]) -> None:
        for index, one in enumerate(exceptions):
            for number, other in enumerate(exceptions[:index]):
                if one.shift == other.shift and one.first_day <= other.last_day and other.first_day <= one.last_day:
                    text = f"is a second exception of the shift '{one.shift}' for the same day; keep one of them"
                    rests_on = ((*path, i, key) for i in (number, index) for key in ("shift", "day", "last_day"))
                    self._wrong((*path, index), text, *rests_on)
                    break

    # --- steps ---

    def _chain(self, name: str, table: EscalationTable) -> Chain:
        path: KeyPath = ("escalation", name)
        if not table.step:
            self._wrong((*path, "step"), f"is missing; give one [[escalation.{name}.step]] at least")
        if name == "urgent" and table.rounds:
            text = f"is {table.rounds}, but urgent calls go on until somebody acknowledges; leave it out"
            self._wrong((*path, "rounds"), text)
        return Chain(tuple(self._step((*path, "step", i), s) for i, s in enumerate(table.step)), table.rounds)

    def _step(self, path: KeyPath, table: StepTable) -> Step:
        if not (table.teams or table.people or table.everybody):
            text = "calls nobody; give teams, people or everybody = true"
            self._wrong(path, text, *((*path, key) for key in ("teams", "people", "everybody")))
        if table.remind_s >= table.wait_s:
            text = f"is {table.remind_s:g} s, not less than wait_s = {table.wait_s:g}, so no reminder would ever come"
            self._wrong((*path, "remind_s"), f"{text}; correct one of them", (*path, "wait_s"))
        return Step(
            people=self._known("person", (*path, "people"), table.people),
            teams=self._known("team", (*path, "teams"), table.teams),
            everybody=table.everybody,
            wait_ns=ns(table.wait_s),
            remind_ns=ns(table.remind_s),
            checked=table.test_call,
        )

    # --- rights and lockout ---

    def _after_shutdown(self) -> bool:
        """Whether a shutdown opens a lockout: by default where somebody could release it."""
        asked = self._folder.lockout.after_shutdown
        somebody = any(p.role == "supervisor" for p in self._folder.person.values())
        if asked and not somebody and not self._document.broken and not self._has_odd_role():
            text = "is true, but no person has the role supervisor, so nobody could release the lockout"
            self._wrong(("lockout", "after_shutdown"), f"{text}; name one, or leave this out")
        return somebody if asked is None else asked

    def _has_odd_role(self) -> bool:
        """A person whose role is told as a mistake already, and may be meant as the supervisor."""
        written = self._document.tables.get("person", {})
        tables = written.values() if isinstance(written, dict) else [written]
        known = get_args(PersonTable.model_fields["role"].annotation)
        roles = [t.get("role") if isinstance(t, dict) else None for t in tables]
        return not all(r in known for r in roles) or "supervisor" in roles

    def _local_users(self) -> dict[str, str]:
        found: dict[str, str] = {}
        for person_id, person in self._folder.person.items():
            if not person.local_user:
                continue
            other = found.setdefault(person.local_user, person_id)
            if other != person_id:
                text = f"is '{person.local_user}', as for person.{other}; a user of the machine is one person"
                rests_on = ("person", other, "local_user")
                self._wrong(("person", person_id, "local_user"), f"{text}, so correct one of them", rests_on)
        return found


def weekdays(names: Iterable[str]) -> tuple[int, ...]:
    """Monday = 0, rising."""
    return tuple(sorted({DAY_NAMES.index(n) for n in DAY_NAMES if n in set(names)}))


def seconds_of_day(text: str) -> int:
    """``06:30`` -> seconds from midnight; 0 for an empty text."""
    return int(text[:2]) * 3600 + int(text[3:]) * 60 if text else 0


def day_number(document: Document, path: KeyPath, text: str) -> int:
    """``2026-12-25`` -> days since 1970-01-01; 0, and a mistake at a key, for what is no day."""
    try:
        return date.fromisoformat(text).toordinal() - EPOCH_ORDINAL
    except ValueError:
        document.wrong(path, f"is '{text}', which is no day of the calendar; expected for instance '2026-12-25'")
        return 0


def _lowest_alarm_nm(drive: DriveTable) -> float:
    """The lower alarm torque where the directions differ; 0 = not stated."""
    return min((t for t in (drive.alarm_nm, drive.alarm_reverse_nm) if t), default=0.0)
