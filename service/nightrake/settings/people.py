"""``people.toml``: people, teams with their shifts, escalation, test calls, rights, lockout; keys and shapes.

Who is on duty when follows from these in `settings.duty`.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from nightrake.settings.base import Id, Label, Model, Text
from nightrake.settings.page import PasswordHash

DayName = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
DAY_NAMES: tuple[DayName, ...] = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
TimeOfDay = Annotated[str, Field(pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9]$")]
SameOrTime = Annotated[str, Field(pattern=r"^(([01][0-9]|2[0-3]):[0-5][0-9])?$")]
Day = Annotated[str, Field(pattern=r"^[0-9]{4}-[0-9]{2}-[0-9]{2}$")]
NoneOrDay = Annotated[str, Field(pattern=r"^([0-9]{4}-[0-9]{2}-[0-9]{2})?$")]
PriorityName = Literal["urgent", "high", "low"]
Names = Annotated[list[Id], Field(max_length=200)]


class PersonTable(Model):
    """``[person.ID]``"""

    name: Label
    role: Literal["operator", "supervisor", "maintenance", "engineer"]
    reach: Annotated[dict[Id, Text], Field(max_length=20)] = {}
    local_user: Text = ""
    public_key: Text = ""
    page_password: PasswordHash = ""


class ShiftTable(Model):
    """One of ``[[team.ID.shift]]``"""

    name: Label
    days: Annotated[list[DayName], Field(max_length=7)] = list(DAY_NAMES)
    begins: TimeOfDay
    ends: TimeOfDay
    people: Names
    every_weeks: Annotated[int, Field(ge=1, le=12)] = 1
    first_week: NoneOrDay = ""


class ExceptionTable(Model):
    """One of ``[[team.ID.exception]]``"""

    shift: Label
    day: Day
    last_day: NoneOrDay = ""
    people: Names = []
    begins: SameOrTime = ""
    ends: SameOrTime = ""


class TeamTable(Model):
    """``[team.ID]``"""

    name: Label
    zone: Text = ""
    always: Names = []
    shift: Annotated[list[ShiftTable], Field(max_length=100)] = []
    exception: Annotated[list[ExceptionTable], Field(max_length=1000)] = []
    test_call_at_shift_start: bool = False
    gaps_meant: bool = False


class StepTable(Model):
    """One of ``[[escalation.PRIORITY.step]]``"""

    teams: Names = []
    people: Names = []
    everybody: bool = False
    wait_s: Annotated[float, Field(ge=10.0, le=86400.0)] = 300.0
    remind_s: Annotated[float, Field(ge=0.0, le=86400.0)] = 0.0
    test_call: bool = True


class EscalationTable(Model):
    """``[escalation.PRIORITY]``"""

    step: Annotated[list[StepTable], Field(max_length=20)] = []
    rounds: Annotated[int, Field(ge=0, le=100)] = 0


class RotaTable(Model):
    """``[rota]``"""

    zone: Annotated[Text, Field(min_length=1)] = "UTC"


class CheckTable(Model):
    """``[test_call]``"""

    days: Annotated[list[DayName], Field(max_length=7)] = []
    at: TimeOfDay = "10:00"
    answer_s: Annotated[float, Field(ge=10.0, le=7200.0)] = 900.0


class RightsTable(Model):
    """``[rights]``"""

    two_persons: list[Literal["release", "reset", "lock_exception", "out_of_service", "shelve"]] = []


NeedName = Literal["isolation_reported", "zero_energy_reported", "cause", "cleared", "contacts_proved", "area_clear"]


class LockoutTable(Model):
    """``[lockout]``"""

    causes: Annotated[list[Label], Field(max_length=100)] = []
    needs: list[NeedName] = [
        "isolation_reported",
        "zero_energy_reported",
        "cause",
        "cleared",
        "contacts_proved",
        "area_clear",
    ]
    after_shutdown: bool | None = None


class PeopleModel(Model):
    """The part of the folder that is about people."""

    rota: RotaTable = RotaTable()
    test_call: CheckTable = CheckTable()
    rights: RightsTable = RightsTable()
    lockout: LockoutTable = LockoutTable()
    person: dict[Id, PersonTable] = {}
    team: dict[Id, TeamTable] = {}
    escalation: dict[PriorityName, EscalationTable] = {}
