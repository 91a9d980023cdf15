"""What is known of a drive's creep: the verdict and its parts, plain values for tables, reports, notices and plots."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import NamedTuple

from nightrake.learning.days import I64, Flags, Floats

WITHIN_DAYS = (7, 30, 90)
"""Horizons for which the chance of reaching a stage is given."""
FOUND = "found"
"""``Shift.why`` of a shift that was found in the data, not known from the journal."""


class State(StrEnum):
    """What the level does at present."""

    CREEPING = "creeping"
    STEADY = "steady"
    FALLING = "falling"
    CANNOT_SAY = "cannot say"


class Span(NamedTuple):
    """An estimate with its interval; ``high`` (and ``mid``) may be infinite."""

    low: float
    mid: float
    high: float


class Shift(NamedTuple):
    """A step of the level.

    Attributes:
        utc_ms: The likeliest first period after it.
        low_utc_ms, high_utc_ms: 95 % interval of that moment.
        size_nm: How far the level stepped, with its 95 % interval; NaN where the data cannot say.
        why: `FOUND`, or what the plant knows.
    """

    utc_ms: int
    low_utc_ms: int
    high_utc_ms: int
    size_nm: Span
    why: str


class Step(NamedTuple):
    """A step that was found in a drive's own record, as the drives beside it learn from it.

    Attributes:
        utc_ms: The likeliest first period after it.
        percent: How far the level stepped, % of shutdown. error: Its standard error.
    """

    utc_ms: int
    percent: float
    error: float


class Forecast(NamedTuple):
    """When the level reaches one stage's torque.

    Attributes:
        days: From now, 90 % interval; None = cannot be said.
        within: Days ahead (7, 30, 90) -> chance, 0 to 1; empty where it cannot be said.
        why_not: A sentence where ``days`` is None, else "".
    """

    days: Span | None
    within: Mapping[int, float]
    why_not: str


class Fitted(NamedTuple):
    """Arrays for plots, one value for each period judged.

    Attributes:
        utc_ms: Where the periods begin.
        adjusted_nm: Median (or what is followed, see ``Trend.followed``) without the season.
        line_nm, low_nm, high_nm: The level as judged and the band in which 95 % of the periods should lie.
        ewma_nm, ewma_low_nm, ewma_high_nm: Exponentially weighted moving average and its control limits.
        cusum_high, cusum_low: Tabular CUSUM in standard deviations; they signal above ``cusum_limit``.
        is_outlier: Periods taken as load events.
        cusum_limit: The decision interval.
    """

    utc_ms: I64
    adjusted_nm: Floats
    line_nm: Floats
    low_nm: Floats
    high_nm: Floats
    ewma_nm: Floats
    ewma_low_nm: Floats
    ewma_high_nm: Floats
    cusum_high: Floats
    cusum_low: Floats
    is_outlier: Flags
    cusum_limit: float


@dataclass(frozen=True, slots=True)
class Options:
    """What the judgement can be told.

    Attributes:
        false_warnings_year: False creep warnings that a drive without creep may give in a year; 0.05 to 1. Fewer means
            that creep is found later; the table of ``tests/bench/creep.py`` says how much.
        least_days: Periods below which nothing is said of creep.
        window_days: How far back the judgement looks.
        stops_chance_month: Chance, each month, that creep ends by itself; what people do about it is not foreseen.
    """

    false_warnings_year: float = 0.2
    least_days: int = 30
    window_days: float = 1_100.0
    stops_chance_month: float = 0.001


DEFAULT = Options()


@dataclass(frozen=True, slots=True)
class Trend:
    """The verdict on one direction of one drive.

    Attributes:
        drive, direction: Whose.
        now_utc_ms: The moment it was judged for; nothing later was looked at.
        state: What the level does.
        sentence: One plain sentence for people.
        level_nm: The present baseline, N.m; NaN where nothing is known.
        level_is_below: The baseline is only known to be below ``level_nm``.
        slope_nm_month, slope_percent_month: Rate of the level with its 95 % interval, a month of 30.4375 days, in
            N.m and in percent of shutdown; None where it cannot be said.
        since_utc_ms: Begin of the stretch that the slope is of (last shift, or where creep began).
        p_value: Of the Mann-Kendall test on that stretch, two-sided, corrected for serial correlation; None = none.
        method: How slope and test were made, in words.
        shifts: Steps of the level, rising in time.
        alarm, shutdown: When the level reaches the stages.
        warning: The creep warning, the one whose false rate is set.
        season: "weekday" -> 7 offsets in N.m, Monday first; "hour" -> 24, UTC; "month" -> 12, January first; absent
            where there is not enough data, "month" also where nothing swings over the year.
        outliers: Begins of the periods taken as load events.
        fitted: Arrays for plots.
        remarks: One sentence each on what limits the verdict.
        chance: That the level creeps upwards at present and has for some weeks, 0 to 1; None where it cannot be said.
        followed: "median", or "share below preload" where most medians are below it.
        upper_slope_percent_month: Rate of the 95 % quantile where the median has no slope, in percent of shutdown.
        notes: Further figures by name: sigma_percent and rho of the noise, warns_at (the chance from which a warning
            comes), sen_low, sen and sen_high (Theil-Sen slope since the last step, % of shutdown a month), taught_by
            (steps of other drives that the warning has learnt from).
        steps: Those of the shifts that were found, not those at which a changed calibration or setting made another
            scale; rising in time.
    """

    drive: str
    direction: str
    now_utc_ms: int
    state: State
    sentence: str
    level_nm: float
    level_is_below: bool
    slope_nm_month: Span | None
    slope_percent_month: Span | None
    since_utc_ms: int
    p_value: float | None
    method: str
    shifts: tuple[Shift, ...]
    alarm: Forecast
    shutdown: Forecast
    warning: bool
    season: Mapping[str, tuple[float, ...]]
    outliers: tuple[int, ...]
    fitted: Fitted
    remarks: tuple[str, ...]
    chance: float | None = None
    followed: str = "median"
    upper_slope_percent_month: Span | None = None
    notes: Mapping[str, float] = field(default_factory=dict)
    steps: tuple[Step, ...] = ()
