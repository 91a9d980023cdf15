"""The one series that a side's level is judged by: each period's median, or the next best where it is below preload.

Where more than half of a period's readings are below preload, its median is only known to be below it. Its place is
then estimated from the share below and from how far readings usually spread within a period: the limit less so many
spreads as a normal distribution puts between that share and its half. Such values serve to notice that a level rises;
no level and no slope is stated from them. Source: regression on order statistics for left-censored data, D. R. Helsel,
Statistics for Censored Environmental Data (2012), the idea; from memory.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy.special import ndtri

from nightrake.learning.days import DAY_MS, I64, Days, Flags, Floats, Side
from nightrake.learning.season import hours_apart

ALL_BELOW = 0.995
"""Share below preload from which a period says nothing but that."""
ABSURD_PERCENT = 10_000.0
"""A hundred times the shutdown torque is no torque, whatever was converted."""
UPPER_QUANTILE = float(ndtri(0.95))


class Series(NamedTuple):
    """The periods that can be judged, rising in time.

    Attributes:
        row: Index of each in the side's days.
        t: Middle of the period, days since 1970-01-01.
        weekday: 0 (Monday) to 6, UTC; -1 where a period is longer than a day and a half.
        value: Percent of shutdown torque.
        below: The median is below preload, so the value is estimated.
        share: Of the readings below preload.
    """

    row: I64
    t: Floats
    weekday: I64
    value: Floats
    below: Flags
    share: Floats


def series_of(side: Side, window_days: float) -> Series:
    """The series of a side.

    Args:
        side: The side; its periods rise in time.
        window_days: So far back from the last period.
    """
    days = side.days
    if not len(days.utc_ms):
        return NONE
    scale = 100.0 / side.shutdown_nm
    median = np.where(np.isfinite(days.median_nm), days.median_nm - hours_apart(side.by_hour_nm), np.nan) * scale
    below = ~np.isfinite(median) & (days.below > 0.5) & np.isfinite(days.below_nm)
    value = np.where(below, _estimated(days) * scale, median)
    recent = days.utc_ms >= days.utc_ms[-1] - int(window_days * DAY_MS)
    row = np.flatnonzero((np.abs(value) < ABSURD_PERCENT) & recent)  # NaN is not less than anything
    middle = days.utc_ms[row] + days.span_ms[row] // 2
    weekday = np.where(days.span_ms[row] <= 1.5 * DAY_MS, (middle // DAY_MS + 3) % 7, -1)
    return Series(row, middle / DAY_MS, weekday, value[row], below[row], days.below[row])


NONE = Series(
    np.empty(0, np.int64), np.empty(0), np.empty(0, np.int64), np.empty(0), np.empty(0, np.bool_), np.empty(0)
)
"""No period at all."""


def _estimated(days: Days) -> Floats:
    """Where each median would be below preload; NaN where the spread within a period is not known."""
    share = np.clip(days.below, 0.0, ALL_BELOW)
    place = ndtri(np.maximum(share, 1e-6))
    apart = UPPER_QUANTILE - place
    with np.errstate(invalid="ignore", divide="ignore"):
        from_upper = np.where((days.below > 0.5) & (apart > 0.2), (days.upper_nm - days.below_nm) / apart, np.nan)
    known = np.concatenate([days.spread_nm[np.isfinite(days.spread_nm)], from_upper[np.isfinite(from_upper)]])
    if len(known) < 5:
        return np.full(len(days.below), np.nan)
    return np.asarray(days.below_nm - float(np.median(known)) * place)
