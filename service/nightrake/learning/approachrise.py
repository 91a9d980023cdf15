"""Levels before an operation, and when half of the rise from one was passed for good. Pure, with numpy."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nightrake.learning.approachtypes import (
    CLEAR,
    CREPT_SHARE,
    JAM_S,
    LEAST_RISE,
    LOAD_UP_S,
    STEP_SHARE,
    Floats,
    Happened,
    Readings,
    Rise,
    Rows,
)

SECONDS_S = (-10.0 * JAM_S, -2.0 * JAM_S)
HOURS_S = (-5.0 * LOAD_UP_S, -2.0 * LOAD_UP_S)
"""Windows of the level before: far enough back that half of a slow, even rise from it lies beyond the limit (`JAM_S`,
`LOAD_UP_S`), so that a rise is never taken for a faster one."""
DAY_S = 86_400.0
DAYS_S = -180.0 * DAY_S
LEAST_READINGS, LEAST_HOURS, LEAST_DAYS = 5, 12, 21
SMOOTH = 5
"""Readings of which the median is taken, so that one that is noise makes no rise begin or end."""
NEAR_S = 10.0
"""A torque read longer ago than this says little of the moment of an operation."""
LITTLE = 0.25
"""Share of a limit that a gap in the readings may have without hiding anything."""
STARTED = 0.2
"""Share of a rise that is told as its begin."""
STANDING = 0
_BELOW, _BEYOND = -1, 1


class Level(NamedTuple):
    """What the torque was before.

    Attributes:
        nm: Its middle. spread_nm: Half of the middle 68 %, without a trend. is_below: It is a limit only.
    """

    nm: float
    spread_nm: float
    is_below: bool


class Passed(NamedTuple):
    """When half of a rise was passed for good: between these, s before the operation; nothing was read there."""

    least_s: float
    most_s: float

    def within(self, limit_s: float) -> bool | None:
        """Whether that was within a limit; None where what was not read decides.

        Where it is little beside the limit (a scan, an hour's row), its middle decides, so that every rise has a kind.
        """
        if self.most_s - self.least_s <= LITTLE * limit_s:
            return 0.5 * (self.least_s + self.most_s) <= limit_s
        return True if self.most_s <= limit_s else False if self.least_s > limit_s else None


class About(NamedTuple):
    """Torque about the operation.

    Attributes:
        nm, uncertainty_nm: The highest that was read, its +- (NaN = not stated). reach_nm: As far as it can have gone
            between two readings. is_beyond: It is a limit. step_s: From one reading to the next.
        why_not: Why nothing can be said of it; "" = it can.
    """

    nm: float
    uncertainty_nm: float
    reach_nm: float
    is_beyond: bool
    step_s: float = 0.0
    why_not: str = ""


def about(readings: Readings) -> About:
    """The highest torque about the operation."""
    there = np.flatnonzero(np.isfinite(readings.torque_nm))
    at_s, torque_nm = readings.at_s[there], readings.torque_nm[there]
    before = np.flatnonzero(at_s <= 0.0)
    if not len(before):
        return About(np.nan, np.nan, np.nan, False, why_not="no torque was read before it")
    last = int(before[-1])
    step_s = float(np.median(np.diff(at_s[max(0, last - 50) : last + 2]))) if len(at_s) > 1 else NEAR_S
    near_s = max(NEAR_S, 3.0 * step_s)
    mine = np.flatnonzero((at_s >= -3.0 * step_s - 1.0) & (at_s <= max(3.0 * step_s, 5.0)))
    has_after = last + 1 < len(at_s) and at_s[last + 1] <= near_s
    if -at_s[last] > near_s and not has_after:
        return About(np.nan, np.nan, np.nan, False, why_not=f"no torque was read in the {-at_s[last]:.0f} s before it")
    if not len(mine):
        mine = np.array([last + 1 if has_after else last])
    highest = int(mine[np.argmax(torque_nm[mine])])
    some = slice(max(0, last - 4), last + 1)
    rates = np.diff(torque_nm[some]) / np.maximum(np.diff(at_s[some]), 1e-3)
    hidden_s = (float(at_s[last + 1]) if has_after else 0.0) - float(at_s[last])
    reach_nm = float(torque_nm[last]) + float(max(rates.max(initial=0.0), 0.0)) * hidden_s
    uncertainty_nm = float(readings.uncertainty_nm[there][highest])
    is_beyond = bool(readings.code[there][highest] == _BEYOND)
    return About(float(torque_nm[highest]), uncertainty_nm, max(reach_nm, float(torque_nm[highest])), is_beyond, step_s)


def running_only(readings: Readings) -> Readings:
    """Readings with a torque, up to the operation, in which the motor did not stand."""
    mine = np.isfinite(readings.torque_nm) & (readings.at_s <= 0.0) & (readings.running != STANDING)
    return Readings(*(column[mine] for column in readings))


def since_start(readings: Readings) -> float:
    """How long before the operation the motor was last seen to stand, s; infinite where it was not, or stood at it."""
    before = readings.at_s < 0.0
    at_s, running = readings.at_s[before], readings.running[before]
    stood = np.flatnonzero(running == STANDING)
    if not len(stood) or stood[-1] == len(running) - 1:
        return float("inf")
    return -float(at_s[stood[-1]])


def level(at_s: Floats, torque_nm: Floats, is_below: npt.NDArray[np.bool_], least: int) -> Level | None:
    """The level of some readings or rows; None where there are too few."""
    if len(torque_nm) < least:
        return None
    steepness, offset = np.polyfit(at_s - at_s.mean(), torque_nm, 1) if np.ptp(at_s) > 0.0 else (0.0, torque_nm.mean())
    low, high = np.quantile(torque_nm - offset - steepness * (at_s - at_s.mean()), (0.16, 0.84))
    return Level(float(np.median(torque_nm)), float(high - low) / 2.0, bool(is_below.mean() > 0.5))


def seconds_level(readings: Readings) -> Level | None:
    """The level some minutes before; where the motor stood then, that of the hour before."""
    for begin_s in (SECONDS_S[0], -3_600.0 - JAM_S):
        mine = (readings.at_s >= begin_s) & (readings.at_s <= SECONDS_S[1])
        is_below = readings.code[mine] == _BELOW
        found = level(readings.at_s[mine], readings.torque_nm[mine], is_below, LEAST_READINGS)
        if found is not None:
            return found
    return None


def hours_level(readings: Readings, hours: Rows) -> tuple[Level | None, bool]:
    """The level some days before; without those that of the record's first quarter, and then True."""
    mine = (hours.at_s >= HOURS_S[0]) & (hours.at_s <= HOURS_S[1])
    found = level(hours.at_s[mine], hours.median_nm[mine], hours.is_below[mine], LEAST_HOURS)
    if found is not None:
        return found._replace(spread_nm=max(found.spread_nm, _above(hours, mine) / 2.0)), False
    if not len(readings.at_s):
        return None, True
    mine = (readings.at_s <= 0.75 * readings.at_s[0]) & (readings.at_s <= SECONDS_S[1])
    is_below = readings.code[mine] == _BELOW
    return level(readings.at_s[mine], readings.torque_nm[mine], is_below, LEAST_READINGS), True


def _above(rows: Rows, mine: npt.NDArray[np.bool_]) -> float:
    """How far the highest torque of an ordinary row lies above its middle."""
    return float(np.median(rows.high_nm[mine] - rows.median_nm[mine]))


def is_clear(rise_nm: float, before: Level, operating_nm: float) -> bool:
    """Whether a rise stands out from the ordinary torque."""
    return rise_nm >= LEAST_RISE * operating_nm and rise_nm >= CLEAR * before.spread_nm


def smoothed(torque_nm: Floats) -> Floats:
    """Each reading, lifted to the median of it and two neighbours on either side: noise that dips begins nothing."""
    half = SMOOTH // 2
    padded = np.pad(torque_nm, half, constant_values=np.nan)
    found: Floats = np.nanmedian(np.lib.stride_tricks.sliding_window_view(padded, SMOOTH), axis=1)
    return np.maximum(found, torque_nm)


def passed(at_s: Floats, torque_nm: Floats, limit_nm: float, slack_s: Floats | float = 0.0) -> Passed | None:
    """When a series that ends at the operation rose past a limit for the last time; None = it was above all the time.

    Args:
        at_s, torque_nm: The series. slack_s: How far the moment of each value is unsure.
    """
    under = np.flatnonzero(torque_nm < limit_nm)
    if not len(under):
        return None
    at = int(under[-1])
    slack = np.broadcast_to(slack_s, at_s.shape)
    least_s = max(0.0, -float(at_s[at + 1]) - float(slack[at + 1])) if at + 1 < len(at_s) else 0.0
    return Passed(least_s, -float(at_s[at]) + float(slack[at]))


def joined(readings: Readings, hours: Rows) -> tuple[Floats, Floats, Floats]:
    """Hours, then readings (smoothed): moment, torque, and how far the moment is unsure."""
    first_s = float(readings.at_s[0]) if len(readings.at_s) else 0.0
    older = hours.at_s + 1_800.0 <= first_s
    at_s = np.concatenate([hours.at_s[older], readings.at_s])
    torque_nm = np.concatenate([hours.median_nm[older], smoothed(readings.torque_nm)])
    return at_s, torque_nm, np.concatenate([np.full(int(older.sum()), 1_800.0), np.zeros(len(readings.at_s))])


class Weeks(NamedTuple):
    """What the days before say.

    Attributes:
        before: The level weeks before; None = too few days. now_nm: That of the last days.
        reach_nm: How far ordinary highs lie above it. days: The rows used. steps: Begins of steps, s before.
    """

    before: Level | None
    now_nm: float
    reach_nm: float
    days: Rows


def weeks(days: Rows, skip_s: float) -> Weeks:
    """Levels of up to 180 days before.

    Args:
        skip_s: The last days that are left out, for the trip's own rise lies in them.
    """
    mine = (days.at_s >= DAYS_S) & (days.at_s <= -skip_s)
    days = Rows(days.at_s[mine], days.median_nm[mine], days.high_nm[mine], days.is_below[mine])
    n = len(days.at_s)
    if n < LEAST_DAYS:
        return Weeks(None, np.nan, np.nan, days)
    oldest = np.arange(n) < n // 3
    before = level(days.at_s[oldest], days.median_nm[oldest], days.is_below[oldest], LEAST_DAYS // 3)
    return Weeks(
        before, float(np.median(days.median_nm[-3:])), _above(days, days.at_s >= days.at_s[-1] - 14 * DAY_S), days
    )


def step_at(days: Rows, rise_nm: float) -> int:
    """The day at which most of a rise came at once, three days on either side apart; -1 = it did not."""
    torque_nm = days.median_nm
    for k in range(3, len(torque_nm) - 2):
        if float(torque_nm[k : k + 3].min() - torque_nm[k - 3 : k].max()) >= STEP_SHARE * rise_nm:
            return k
    return -1


def crept(given: Happened, operating_nm: float, skip_s: float) -> Rise | None:
    """Creep under a faster rise; None = there is none.

    Args:
        skip_s: The last days that are left out, for the faster rise lies in them.
    """
    found = weeks(given.days, skip_s)
    if found.before is None:
        return None
    rise_nm = found.now_nm - found.before.nm
    enough = rise_nm >= CREPT_SHARE * operating_nm and rise_nm >= 3.0 * found.before.spread_nm
    if not enough or step_at(found.days, rise_nm) >= 0:
        return None
    half = passed(found.days.at_s, found.days.median_nm, found.before.nm + rise_nm / 2.0)
    if half is None or half.most_s <= LOAD_UP_S:
        return None
    return risen(found, found.before, rise_nm)


def risen(found: Weeks, before: Level, rise_nm: float) -> Rise:
    """The rise of the level, since it left a fifth of the way behind."""
    begun = passed(found.days.at_s, found.days.median_nm, before.nm + STARTED * rise_nm)
    lasted_s = begun.most_s if begun is not None else -float(found.days.at_s[0])
    now_nm = found.now_nm if lasted_s > 10.0 * DAY_S else float(found.days.median_nm[-1])
    return Rise(before.nm, now_nm, lasted_s, before.is_below)
