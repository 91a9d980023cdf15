"""What returns with the weekday, the hour or the season, and what is a load event (storm, ice, a dumped tank)."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy.ndimage import median_filter

from nightrake.learning.days import I64, MONTH_DAYS, YEAR_DAYS, Flags, Floats

HALF_WIDTH = 10
"""Periods on each side over which the running median is taken: three weeks, so that each weekday counts alike."""
EVENT_SIGMA = 4.5
"""Distance from the running median at which a period is a load event."""
ROUNDS = 3
LEAST_DAYS_OF_HOURS = 21
"""Periods with a value in an hour from which its offset is known."""
LEAST_WEEKS = 4
PRIOR_WEEKS = 1.0
OFFSETS_FREE = 6
"""Of the seven offsets of a weekly cycle, whose mean is nought."""


class Cleaned(NamedTuple):
    """A series without its weekly cycle.

    Attributes:
        value: The series less its weekday's offset.
        weekday: Seven offsets, Monday first; zeros where there is not enough data.
        event: Periods that are load events.
        known: Whether the offsets are known.
        months: What the season of the year makes of each month, January first; None = none was found.
    """

    value: Floats
    weekday: Floats
    event: Flags
    known: bool
    months: Floats | None = None


def clean(value: Floats, weekday: I64) -> Cleaned:
    """Take the weekly cycle out and mark the load events.

    Args:
        value: A value for each period, no NaN.
        weekday: 0 (Monday) to 6 of each period; -1 where a period spans several days.
    """
    offsets, event = np.zeros(7), np.zeros(len(value), dtype=bool)
    counts = np.bincount(weekday[weekday >= 0], minlength=7)
    known = bool(counts.min() >= LEAST_WEEKS)
    adjusted = value
    for _ in range(ROUNDS):
        smooth = running_median(np.where(event, np.nan, adjusted), HALF_WIDTH)
        left = adjusted - smooth
        scale = 1.4826 * float(np.median(np.abs(left)))
        event = np.abs(left) > EVENT_SIGMA * max(scale, 1e-12)
        if known:
            offsets = _offsets(value - smooth, weekday, event)
            adjusted = value - np.where(weekday >= 0, offsets[weekday], 0.0)
    return Cleaned(adjusted, offsets, event, known)


def refined(cleaned: Cleaned, value: Floats, weekday: I64, used: I64, line: Floats) -> Cleaned:
    """The same with the weekly cycle measured from a fitted level instead of the running median.

    Args:
        cleaned: As first found.
        value, weekday: As given to `clean`.
        used: Indices of the periods that are no load events.
        line: The level at these.
    """
    if not cleaned.known:
        return cleaned
    offsets = _offsets(value[used] - line, weekday[used], np.zeros(len(used), dtype=bool))
    return Cleaned(value - np.where(weekday >= 0, offsets[weekday], 0.0), offsets, cleaned.event, True)


def without_year(cleaned: Cleaned, t: Floats, sizes: Floats) -> Cleaned:
    """The same with a yearly swing taken off.

    Args:
        cleaned: With it.
        t: Middle of each period, days since 1970-01-01.
        sizes: Of the swing's two parts.
    """
    months = of_year(np.asarray(MONTH_DAYS * (np.arange(12) + 0.5), dtype=np.float64)) @ sizes
    return cleaned._replace(value=cleaned.value - of_year(t) @ sizes, months=months)


def of_year(days: Floats) -> Floats:
    """The two parts of a yearly swing, cosine and sine, at these days since 1970-01-01."""
    turn = 2.0 * np.pi * days / YEAR_DAYS
    return np.column_stack([np.cos(turn), np.sin(turn)])


def _offsets(left: Floats, weekday: I64, event: Flags) -> Floats:
    used = (weekday >= 0) & ~event
    count = np.bincount(weekday[used], minlength=7)
    mean = np.bincount(weekday[used], weights=left[used], minlength=7) / np.maximum(count, 1)
    mean *= count / (count + PRIOR_WEEKS)
    return np.asarray(mean - mean.mean())


def running_median(value: Floats, half: int) -> Floats:
    """Median over so many neighbours on both sides (mirrored at the ends); NaN are replaced by their neighbours."""
    known = np.flatnonzero(np.isfinite(value))
    if len(known) == 0:
        return np.zeros_like(value)
    filled = value[known]
    smooth = median_filter(filled, size=min(2 * half + 1, 2 * len(filled) - 1), mode="reflect")
    return np.asarray(np.interp(np.arange(len(value)), known, smooth), dtype=np.float64)


def hours_apart(by_hour_nm: Floats | None) -> Floats | float:
    """What each period's hours alone make of it, N.m: the mean offset of the hours in which it ran; 0 where not known.

    A drive that runs at night on some days and around the clock on others has another median, and no other level.
    """
    offsets = hour_offsets(by_hour_nm)
    if by_hour_nm is None or offsets is None:
        return 0.0
    ran = np.isfinite(by_hour_nm)
    return np.asarray(ran @ np.array(offsets) / np.maximum(ran.sum(axis=1), 1), dtype=np.float64)


def hour_offsets(by_hour_nm: Floats | None) -> tuple[float, ...] | None:
    """Offset of each UTC hour from its own period's mean over the hours, N.m; None where there is not enough data.

    Args:
        by_hour_nm: Medians by period and hour, NaN where it did not run or is censored; None = not read.
    """
    if by_hour_nm is None or by_hour_nm.size == 0:
        return None
    whole = by_hour_nm[np.isfinite(by_hour_nm).sum(axis=1) >= 20]
    if len(whole) < LEAST_DAYS_OF_HOURS or np.isfinite(whole).sum(axis=0).min() < LEAST_DAYS_OF_HOURS:
        return None
    left = whole - np.nanmedian(whole, axis=1)[:, None]
    offsets = np.nanmedian(left, axis=0)
    return tuple(float(v) for v in offsets - offsets.mean())
