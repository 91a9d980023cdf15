"""What limits a verdict, a sentence each: gaps, constant values, few points, changed records, censoring, stale data."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from nightrake.learning.days import DAY_MS, MIXED, Flags, Side, rows
from nightrake.learning.series import ALL_BELOW, Series
from nightrake.learning.words import counted, day

GAP_DAYS = 14.0
NAMED = 3
STALE_DAYS = 30.0
STUCK = 10
"""As many last periods with the very same value are a transducer that stands still."""
MUCH = 0.2
MANY = 0.15
LITTLE = 0.005
FEW_WEEKS = 4


def rising(side: Side, now_utc_ms: int) -> tuple[Side, tuple[str, ...]]:
    """The side with those periods that ended by now, each after the one before; remarks on what was left out."""
    days = side.days
    ended = (days.utc_ms + days.span_ms <= now_utc_ms) & (days.span_ms > 0)
    begins = np.where(ended, days.utc_ms, np.iinfo(np.int64).min)
    latest = np.maximum.accumulate(np.concatenate([[np.iinfo(np.int64).min], begins[:-1]])) if len(begins) else begins
    in_order = ended & (days.utc_ms > latest)
    pure = in_order & (days.record != MIXED)
    remarks = []
    if left := int(ended.sum() - in_order.sum()):
        remarks.append(
            f"{counted(left, 'period')} with a time not after the one before left out: the clock was set back."
        )
    if mixed := int(in_order.sum() - pure.sum()):
        remarks.append(f"{counted(mixed, 'period')} left out in which the calibration record changed.")
    kept = rows(days, pure)
    hours = side.by_hour_nm[pure] if side.by_hour_nm is not None else None
    return side._replace(days=kept, by_hour_nm=hours), tuple(remarks)


def refusal(side: Side, series: Series, now_utc_ms: int, least: int) -> str:
    """Why nothing can be said of creep; empty where something can."""
    n = len(series.t)
    if not (np.isfinite(side.shutdown_nm) and side.shutdown_nm > 0):
        return f"Cannot say: no shutdown torque is stated for {side.drive}, so nothing can be measured against it."
    if n == 0 and len(side.days.utc_ms):
        return "Cannot say: no period has a torque that can be followed; all are below preload or were not read."
    if n < least:
        return f"Cannot say: {counted(n, 'period')} with a torque; creep takes at least {least}."
    ago = now_utc_ms / DAY_MS - float(series.t[-1])
    if ago > STALE_DAYS:
        return f"Cannot say: the last period with a torque is {ago:.0f} days ago."
    value = series.value
    if len(np.unique(value)) <= 2:
        return f"Cannot say: all {n} periods have the same torque or one of two; a transducer that works shows more."
    if bool(np.all(series.share[-STUCK:] >= ALL_BELOW)):
        return f"Cannot say: in the last {STUCK} periods or more the torque was below preload nearly all the time."
    if len(np.unique(value[-STUCK:])) == 1:
        text = f"Cannot say: the last {STUCK} periods or more have the very same torque"
        return f"{text}; the transducer may stand still."
    return ""


def remarks_of(side: Side, series: Series, event: Flags, weekday_known: bool) -> Iterator[str]:
    """What else limits the verdict."""
    days = side.days
    yield from _gaps(series)
    if (share := float(np.mean(series.below))) >= LITTLE:
        text = f"{100 * share:.0f} % of the periods have their median below preload; "
        yield text + "their place is estimated from the share of readings below it."
    unread = len(days.utc_ms) - int(series.row[0]) - len(series.t)
    if unread:
        yield f"{counted(unread, 'period')} left out that have no torque to follow."
    if beyond := int(np.sum(days.beyond > MUCH)):
        text = f"In {counted(beyond, 'period')} more than a fifth of the readings lie beyond the "
        yield f"{text}calibration record's span."
    if doubtful := int(np.sum(days.uncertain > MUCH)):
        text = f"In {counted(doubtful, 'period')} more than a fifth of the readings are flagged uncertain"
        yield f"{text}; they are used."
    if len(side.records) > 1:
        yield f"{len(side.records)} calibration records; the level may step where they changed, and that is no creep."
    if not weekday_known:
        yield f"Too few weeks to know a weekly cycle; it takes {FEW_WEEKS} of each weekday."
    if float(np.mean(event)) > MANY:
        text = f"{100 * float(np.mean(event)):.0f} % of the periods are taken as load events"
        yield f"{text}; a drive that is loaded in two ways has no one level."
    if event[-1]:
        yield "The last period is taken as a load event; if it lasts two weeks it is a shift."


def _gaps(series: Series) -> Iterator[str]:
    apart = np.diff(series.t)
    gaps = np.flatnonzero(apart > GAP_DAYS)
    for i in sorted(gaps[np.argsort(apart[gaps])[::-1][:NAMED]].tolist()):
        begin, end = (day(int(series.t[j] * DAY_MS)) for j in (i, i + 1))
        yield f"Nothing between {begin} and {end} ({apart[i]:.0f} days); what the level did in it is not known."
    if len(gaps) > NAMED:
        yield f"{len(gaps) - NAMED} further gaps of more than {GAP_DAYS:.0f} days."
