"""What the judgement of creep looks at: one drive's torque in one direction, a row for each day (or a few) that it ran.

Times are UTC milliseconds. The rows are robust summaries of the readings taken while the motor ran; readings below what
the springs' preload lets through are counted, not dropped, so a median may be 'below' (left-censored) and is NaN then.
"""

from __future__ import annotations

from typing import NamedTuple, TypeAlias

import numpy as np
import numpy.typing as npt

Floats: TypeAlias = npt.NDArray[np.float64]
I64: TypeAlias = npt.NDArray[np.int64]
Flags: TypeAlias = npt.NDArray[np.bool_]

DAY_MS = 86_400_000
MONTH_DAYS = 30.4375
"""A twelfth of 365.25 days."""
YEAR_DAYS = 365.25
MIXED = -1
"""In ``Days.record``: several calibration records held in one period."""


class Days(NamedTuple):
    """Periods of one direction of one drive in which the motor ran, rising in time.

    Where the rake's turn is known they are whole turns put together to days, else days.

    Attributes:
        utc_ms: Where each period begins.
        span_ms: Its length.
        running_h: Hours that the motor ran in it.
        median_nm: Median of the torque while running; NaN where it is below what can be measured.
        upper_nm: Its 95 % quantile; NaN likewise.
        spread_nm: Half the distance of the 84 % and 16 % quantiles; NaN where either is censored.
        below_nm: The limit (preload) that readings are below of; NaN where the record has none.
        below: Share of the readings below it, 0 to 1.
        beyond: Share beyond the record's span.
        uncertain: Share of readings flagged uncertain (kept, flagged).
        record: Which calibration record (index into ``Side.records``) held; `MIXED` = several in the period.
    """

    utc_ms: I64
    span_ms: I64
    running_h: Floats
    median_nm: Floats
    upper_nm: Floats
    spread_nm: Floats
    below_nm: Floats
    below: Floats
    beyond: Floats
    uncertain: Floats
    record: I64


def rows(days: Days, which: slice | I64 | Flags) -> Days:
    """Some of the periods."""
    return Days._make(column[which] for column in days)


class Record(NamedTuple):
    """A calibration record as it came into force."""

    digest: str
    name: str
    since_utc_ms: int


class Known(NamedTuple):
    """A moment at which the level may have shifted for a reason that the plant knows.

    Attributes:
        utc_ms: When.
        why: "calibration record changed", "lockout released", "out of service" and the like.
    """

    utc_ms: int
    why: str


class Side(NamedTuple):
    """One direction of one drive: everything that its creep is judged by.

    Attributes:
        drive: Its id.
        direction: "forward" or "reverse".
        days: The periods.
        alarm_nm: Torque at which the alarm contact is set.
        shutdown_nm: Likewise the shutdown contact; percentages are of this.
        records: Calibration records as they came into force.
        known: Shifts that the plant knows of.
        sentences: What reading met: gaps, damage, units changed, clock set back; handed on as remarks.
        by_hour_nm: Median of the torque while running in each UTC hour of each period, shape (periods, 24), NaN where
            it did not run or is censored; None = not read. Only the hour-of-day effect stands on it.
    """

    drive: str
    direction: str
    days: Days
    alarm_nm: float
    shutdown_nm: float
    records: tuple[Record, ...]
    known: tuple[Known, ...]
    sentences: tuple[str, ...]
    by_hour_nm: Floats | None = None
