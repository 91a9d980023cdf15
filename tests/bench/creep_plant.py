"""Simulated torque levels of a drive, day by day, with the truth beside them: what `creep.py` judges the judgement by.

Everything is in percent of shutdown torque until it is made into a `Side`. One seed makes one drive, whatever else is
drawn. The level (what the judgement is after) is the base level, its creep and its steps; the day's median is the level
plus the weekly cycle, storms and noise. Readings within a day spread about the day's median, and those below preload
count as below it, as they do in the plant.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from math import inf

import numpy as np
from scipy.special import ndtr, ndtri

from nightrake.learning.days import DAY_MS, MONTH_DAYS, YEAR_DAYS, Days, Floats, Record, Side, rows

FIRST_DAY = 19_723
"""2024-01-01, in days since 1970-01-01."""
BEYOND_YEARS = 15
"""The truth runs on for so long after the record, so that nearly every creep reaches its alarm."""
UPPER = float(ndtri(0.95))


class Creep(StrEnum):
    """What the level does besides its steps."""

    NONE = "none"
    STEADY = "steady"
    ACCELERATING = "accelerating"
    SEASONAL = "seasonal"
    STEPWISE = "stepwise"
    SEASON_ONLY = "season only"


@dataclass(frozen=True)
class World:
    """What drives are drawn from.

    Attributes:
        years: Length of the record.
        noise: Standard deviation of the day's median about the level, % of shutdown.
        lag1: Its lag-1 autocorrelation, day to day.
        week: Height of the weekly cycle, +- % of shutdown.
        storms_year, storm, storm_days: How many, how high (% of shutdown) and how long.
        missing: Share of the days without a record.
        steps_year, step: Steps of the level in each year, and their size, +- % of shutdown.
        scatter: Standard deviation of the logarithm of that size, nought = all are of the same.
        censored: Share of the drives that run below preload for 30 to 90 % of their readings.
        creeps: Share of the drives that creep.
        rate: Creep, lowest and highest, % of shutdown a month.
        kind: How it creeps.
        spread: Standard deviation of readings within a day, % of shutdown.
        readings: Independent readings that a day is worth.
        season: Height of the yearly cycle of `Creep.SEASON_ONLY`, +- % of shutdown.
    """

    years: int = 3
    noise: float = 1.0
    lag1: float = 0.4
    week: float = 2.0
    storms_year: float = 6.0
    storm: float = 10.0
    storm_days: int = 2
    missing: float = 0.03
    steps_year: int = 1
    step: float = 3.0
    scatter: float = 0.0
    censored: float = 1 / 3
    creeps: float = 0.5
    rate: tuple[float, float] = (0.5, 3.0)
    kind: Creep = Creep.STEADY
    spread: float = 3.0
    readings: int = 200
    season: float = 2.0


@dataclass(frozen=True)
class Drive:
    """One drive and its truth.

    Attributes:
        side: What the judgement gets.
        level: The level, % of shutdown, for each day from the first, far beyond the record.
        rate: Its creep alone (steps apart) on each of these days, % of shutdown a month.
        onset: Day on which creep begins; infinite = never.
        alarm_day: First day on which the level reaches alarm; infinite = not within the truth.
        days: Length of the record.
        censored: Whether most of it lies near or below preload.
    """

    side: Side
    level: Floats
    rate: Floats
    onset: float
    alarm_day: float
    days: int
    censored: bool


def drive_of(world: World, seed: int, number: int) -> Drive:
    """The drive of that number.

    Args:
        world: What it is drawn from.
        seed: Of the whole table; tuning and reporting use others.
        number: Which drive; every other one creeps, where half of them do.
    """
    chance = np.random.default_rng([seed, number])
    days = round(world.years * YEAR_DAYS)
    span = days + round(BEYOND_YEARS * YEAR_DAYS)
    base, margin = chance.uniform(20.0, 45.0), chance.uniform(10.0, 40.0)
    onset = chance.uniform(0.0, days) if (number * world.creeps) % 1 < world.creeps and world.creeps > 0 else inf
    rate = chance.uniform(*world.rate)
    rise, slope = _creep(world, chance, onset, rate, span)
    level = base + rise + _steps(world, chance, span)
    alarm = max(base + margin, 60.0)
    reached = np.flatnonzero(level >= alarm)
    censored = chance.random() < world.censored
    below = chance.uniform(0.3, 0.9) if censored else 0.0
    preload = base + world.spread * float(ndtri(below)) if censored else base - 15.0
    days_seen = _days(world, chance, level[:days], preload)
    nm = chance.uniform(20.0, 300.0) * 1_000.0
    side = Side(
        f"D{number}", "forward", _scaled(days_seen, nm / 100.0), alarm * nm / 100.0, nm,
        (Record("d" * 64, "as left", FIRST_DAY * DAY_MS),), (), (),
    )  # fmt: skip
    return Drive(side, level, slope, onset, float(reached[0]) if len(reached) else inf, days, censored)


def _creep(world: World, chance: np.random.Generator, onset: float, rate: float, span: int) -> tuple[Floats, Floats]:
    """Rise of the level by creep on each day, and its rate a month."""
    since = np.maximum(np.arange(span) - onset, 0.0)
    on = (since > 0).astype(np.float64)
    slope = rate * on
    if world.kind is Creep.ACCELERATING:  # begins at nothing and grows by the stated rate every half year
        slope = rate * np.minimum(since / (YEAR_DAYS / 2), 4.0)
    elif world.kind is Creep.SEASONAL:  # all of it in one half of the year, twice as fast at its height
        slope = rate * on * (1 - np.cos(2 * np.pi * since / YEAR_DAYS))
    elif world.kind is Creep.STEPWISE:  # the same rate on the whole, in small steps about every third week
        jumps = chance.random(span) < 1 / 21
        rise = np.cumsum(np.where(jumps, rate * 21 / MONTH_DAYS * chance.uniform(0.5, 1.5, span), 0.0) * on)
        return rise, slope
    elif world.kind in (Creep.SEASON_ONLY, Creep.NONE):
        height = world.season if world.kind is Creep.SEASON_ONLY else 0.0
        turn = 2 * np.pi * (np.arange(span) / YEAR_DAYS + chance.random())
        rise = height * np.sin(turn)
        return rise, np.zeros(span)
    return np.cumsum(slope) / MONTH_DAYS, slope


def _steps(world: World, chance: np.random.Generator, span: int) -> Floats:
    """Steps of the level: so many in each year, on a random day, up or down."""
    jump = np.zeros(span)
    for year in range(int(span / YEAR_DAYS) + 1):
        for _ in range(world.steps_year):
            day = int((year + chance.random()) * YEAR_DAYS)
            size = world.step * (1.0 if chance.random() < 0.5 else -1.0)
            if world.scatter:
                size *= float(np.exp(world.scatter * chance.standard_normal()))
            if day < span:
                jump[day] += size
    return np.cumsum(jump)


def _noise(world: World, chance: np.random.Generator, n: int) -> Floats:
    fresh = chance.standard_normal(n) * world.noise * np.sqrt(1 - world.lag1**2)
    fresh[0] = chance.standard_normal() * world.noise
    out = np.empty(n)
    last = 0.0
    for i, value in enumerate(fresh):
        last = out[i] = world.lag1 * last + value
    return out


def _load(world: World, chance: np.random.Generator, n: int) -> Floats:
    """Weekly cycle (a wave, or work days against the weekend; its mean is nought) and storms."""
    day = np.arange(n)
    if chance.random() < 0.5:
        week = world.week * np.sin(2 * np.pi * (day + chance.uniform(0, 7)) / 7)
    else:
        week = np.where((day + int(chance.integers(7))) % 7 < 5, world.week, -world.week) - world.week * 3 / 7
    storm = np.zeros(n)
    for begin in np.flatnonzero(chance.random(n) < world.storms_year / YEAR_DAYS):
        storm[begin : begin + world.storm_days] = world.storm
    return np.asarray(week + storm)


def _days(world: World, chance: np.random.Generator, level: Floats, preload: float) -> Days:
    """What the record has of each day, in percent of shutdown."""
    n = len(level)
    median = level + _load(world, chance, n) + _noise(world, chance, n)
    below = chance.binomial(world.readings, ndtr((preload - median) / world.spread)) / world.readings
    upper = median + world.spread * (UPPER + 1.5 * chance.standard_normal(n) / np.sqrt(world.readings))
    spread = world.spread * (1 + chance.standard_normal(n) / np.sqrt(2 * world.readings))
    kept = chance.random(n) >= world.missing
    utc_ms = (FIRST_DAY + np.arange(n, dtype=np.int64)) * DAY_MS
    nothing = np.zeros(n)
    days = Days(
        utc_ms, np.full(n, DAY_MS, dtype=np.int64), chance.uniform(20.0, 24.0, n),
        np.where(below > 0.5, np.nan, np.maximum(median, preload)),
        np.where(below > 0.95, np.nan, np.maximum(upper, preload)),
        np.where(below > 0.16, np.nan, spread), np.full(n, preload), below, nothing, nothing,
        np.zeros(n, dtype=np.int64),
    )  # fmt: skip
    return rows(days, np.flatnonzero(kept))


def _scaled(days: Days, factor: float) -> Days:
    return days._replace(
        median_nm=days.median_nm * factor,
        upper_nm=days.upper_nm * factor,
        spread_nm=days.spread_nm * factor,
        below_nm=days.below_nm * factor,
    )


def twice_the_noise(world: World) -> World:
    """The same world with twice the day-to-day noise."""
    return replace(world, noise=2 * world.noise)
