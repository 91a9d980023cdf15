"""``alarms.toml``, and the alarms of single drives: the site's own values on top of the table, limits, standby; shapes.

What may be set, and what it comes to, is in `settings.responding`.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from nightrake.settings.base import NO_CONTROLS, Model, Text
from nightrake.settings.people import DayName, NoneOrDay, SameOrTime

Number = Annotated[float, Field(allow_inf_nan=False)]
Words = Annotated[str, Field(min_length=1, pattern=NO_CONTROLS)]
PartPct = Annotated[float, Field(ge=0.0, lt=100.0)]
UnstatedPct = Annotated[float, Field(ge=0.1, le=50.0)]
RisePct = Annotated[float, Field(ge=0.0, le=10_000.0)]
Window = Annotated[float, Field(ge=5.0, le=3600.0)]
Inhibit = Annotated[float, Field(ge=0.0, le=3600.0)]


class AlarmTable(Model):
    """``[alarm.KIND]``, ``[drive.ID.alarm.KIND]``: what is left out is as the table of alarms has it."""

    priority: Literal["urgent", "high", "low", "notice"] | None = None
    on_delay_s: Number | None = None
    off_delay_s: Number | None = None
    deadband_pct: Number | None = None
    respond_s: Number | None = None
    first_step: int | None = None
    may_shelve: bool | None = None
    max_shelve_s: Number | None = None
    cause: Words | None = None
    consequence: Words | None = None
    first_response: list[Words] | None = None


class LimitsTable(Model):
    """``[torque_limits]``"""

    high_pct: PartPct = 90.0
    worse_pct: PartPct = 50.0
    well_below_pct: PartPct = 60.0
    unstated_pct: UnstatedPct = 10.0
    rise_pct_per_min: RisePct = 25.0
    rise_window_s: Window = 60.0
    start_inhibit_s: Inhibit = 30.0


class PartLimitsTable(Model):
    """``[drive.ID.torque_limits]``: what is left out is taken from ``[torque_limits]``."""

    high_pct: PartPct | None = None
    worse_pct: PartPct | None = None
    well_below_pct: PartPct | None = None
    unstated_pct: UnstatedPct | None = None
    rise_pct_per_min: RisePct | None = None
    rise_window_s: Window | None = None
    start_inhibit_s: Inhibit | None = None


class StandbyTable(Model):
    """One of ``[[drive.ID.standby]]``: on weekdays, or one span of dates."""

    days: Annotated[list[DayName], Field(max_length=7)] = []
    day: NoneOrDay = ""
    last_day: NoneOrDay = ""
    begins: SameOrTime = ""
    ends: SameOrTime = ""
    zone: Text = ""


class AlarmsModel(Model):
    """The part of the folder that is about alarms, single drives apart."""

    alarm: dict[str, AlarmTable] = {}
    torque_limits: LimitsTable = LimitsTable()
