"""What Fennmark's six drives carry over two simulated years: each drive another story. Invented, seeded, N.m.

GT1 creeps up to its alarm, is cleaned, and creeps again; PC1 is steady, and a contact of it operates without torque;
PC2 has a year's and a week's swing, storms, and loads up once until it trips; SC1 lies below its preload most of the
time; SC2 steps when its springs are replaced, and jams once; SCR1 gets a new calibration record.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
DAYS = 730
MINUTES = 1_440
IN_MINUTE = 4
"""Readings made for each minute; each stands for `WORTH` of those that a watch would take."""
WORTH = 15
CLEANED, SPRINGS, LOADED_UP, RECORD, JAMMED, FAULT, CHECKED = 392, 455, 520, 505, 610, 640, 300
"""Days, counted from the first, on which something happened; all are working days' mornings but for chance."""
GT1_AGAIN = 560
"""From here on it creeps again."""
OUTAGE = range(200, 209)
"""PC2's PLC was away."""


@dataclass(frozen=True)
class Story:
    """One drive's load.

    Attributes:
        base_nm: Level at the beginning. shutdown_nm: What percentages are of. spread: Within a day, share of shutdown.
        turn_min: Of the rake.
    """

    base_nm: float
    shutdown_nm: float
    spread: float
    turn_min: float


STORIES = {
    "PC1": Story(17_500.0, 40_000.0, 0.012, 30.0),
    "PC2": Story(19_000.0, 40_000.0, 0.012, 30.0),
    "SC1": Story(4_200.0, 22_500.0, 0.055, 24.0),
    "SC2": Story(10_500.0, 22_500.0, 0.012, 24.0),
    "GT1": Story(58_000.0, 112_500.0, 0.012, 40.0),
    "SCR1": Story(3_900.0, 8_000.0, 0.015, 1.0 / 3.0),
}


def levels(drive: str, first_day: int, seed: int = 7) -> Floats:
    """The level of each day, N.m; NaN where nothing was read.

    Args:
        first_day: Days since 1970 of the first one; weekdays and seasons are by it.
    """
    story = STORIES[drive]
    chance = np.random.default_rng([seed, *drive.encode()])
    day = np.arange(DAYS)
    level = story.base_nm + _course(drive, day, story.shutdown_nm) + _season(drive, first_day + day)
    level += story.shutdown_nm * 0.01 * _noise(chance)
    if drive in ("PC2", "PC1"):
        for begin in chance.choice(DAYS - 2, 12, replace=False):
            if not any(abs(begin - d) < 4 for d in (LOADED_UP, FAULT)):
                level[begin : begin + 2] += 0.10 * story.shutdown_nm
    gone = chance.random(DAYS) < 0.03
    for happened in (CLEANED, SPRINGS, LOADED_UP, RECORD, JAMMED, FAULT, CHECKED):
        gone[happened - 8 : happened + 2] = False
    gone[-3:] = False
    level[gone] = np.nan
    if drive == "PC2":
        level[OUTAGE.start : OUTAGE.stop] = np.nan
    return level


def _noise(chance: np.random.Generator) -> Floats:
    """Day-to-day noise of standard deviation 1, autocorrelation 0.4 from one day to the next."""
    own = chance.standard_normal(DAYS) * math.sqrt(1 - 0.4**2)
    noise = np.empty(DAYS)
    held = float(chance.standard_normal())
    for day in range(DAYS):
        held = 0.4 * held + float(own[day])
        noise[day] = held
    return noise


def _course(drive: str, day: npt.NDArray[np.int64], shutdown_nm: float) -> Floats:
    """What has no season: creep and steps."""
    month = 30.4375
    if drive == "GT1":
        first = 0.0246 * shutdown_nm * np.clip(day - 60, 0, CLEANED - 60) / month
        again = 0.03 * shutdown_nm * np.clip(day - GT1_AGAIN, 0, None) / month
        grown: Floats = np.where(day > CLEANED, 2_000.0 + again, first)
        return grown
    if drive == "SC2":
        stepped: Floats = np.where(day > SPRINGS, -1_600.0, 0.0)
        return stepped
    return np.zeros(len(day))


def _season(drive: str, day: npt.NDArray[np.int64]) -> Floats:
    """The year's and the week's swing of PC2; 1970-01-01 was a Thursday."""
    if drive != "PC2":
        return np.zeros(len(day))
    weekday = (day + 3) % 7
    week = np.choose(weekday, [500.0, 300.0, 300.0, 300.0, 200.0, -700.0, -900.0])
    swung: Floats = week + 2_200.0 * np.cos(2 * math.pi * (day - 20) / 365.25)
    return swung


def runs(drive: str, day: int) -> npt.NDArray[np.bool_]:
    """Whether the motor ran in each hour of a day (since 1970)."""
    hours = np.ones(24, np.bool_)
    if drive == "SCR1":
        hours[:] = False
        hours[6:18] = (day + 3) % 7 < 5
    return hours


def torques(drive: str, level_nm: float, chance: np.random.Generator) -> Floats:
    """A day's torque, shape (minutes, readings in one): the rake's turn, the time of day, and noise; N.m."""
    story = STORIES[drive]
    at = np.arange(MINUTES)
    turn = 0.012 * np.sin(2 * math.pi * at / story.turn_min + chance.uniform(0, 6.28))
    if story.turn_min < 1.0:  # several turns a minute: its ripple is noise here
        turn = np.zeros(MINUTES)
    hour = 0.008 * np.sin(2 * math.pi * (at - 480) / MINUTES)
    slow = np.repeat(chance.normal(0.0, story.spread, MINUTES // 10), 10)
    noise = chance.normal(0.0, story.spread / 2, (MINUTES, IN_MINUTE))
    whole: Floats = level_nm + story.shutdown_nm * (noise + (turn + hour + slow)[:, None])
    return np.maximum(whole, 0.0)
