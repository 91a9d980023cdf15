"""When the level reaches a stage: drawn many times from the stories about the present and from what may still happen.

Each draw takes a story by its weight, a level and a slope by that story's normal distribution, and goes on from there:
the level may step as levels do, creep that goes on may end or become ever faster, creep that has not begun may begin.
The days on which the draws first reach the torque give the interval. What is drawn of the future is the same in each
call, so a verdict is a function of its data.
"""

from __future__ import annotations

from functools import lru_cache
from math import inf
from typing import NamedTuple

import numpy as np

from nightrake.learning.days import I64, MONTH_DAYS, YEAR_DAYS, Floats
from nightrake.learning.pairs import Mixture
from nightrake.learning.recent import Prior
from nightrake.learning.trend import WITHIN_DAYS, Forecast, Span

DRAWS = 600
HORIZON_DAYS = 10 * YEAR_DAYS
"""What is farther away is no forecast: infinite."""
FUTURE_STEP = 3.0
"""Standard deviation of a future step, % of shutdown."""
LEVELS = (0.05, 0.5, 0.95)
GROWS = (0.3, 0.6)
"""Chance that creep grows as it goes on: of one that has had one slope, of one that has become steeper already."""
BEGAN_BEFORE = (1.5, 1.2)
"""How much longer than its one straight line, and its two, a parabola is."""
PARABOLA_MISFIT = 0.003
"""Mean square by which the best parabola misses a straight rise, in squares of that rise; elementary integrals."""
YOUNGEST_DAYS = 45.0
"""Younger creep is taken as so old: of what has just begun nobody knows how it grows."""
_GRID = np.unique(
    np.concatenate([np.arange(0.0, 31.0, 2.0), [7.0], np.arange(35.0, 121.0, 5.0), 120.0 * 1.12 ** np.arange(31)])
)


def reached(paths: Paths, stage_percent: float) -> Forecast:
    """When the level reaches that torque.

    Args:
        paths: Draws of what the level may do.
        stage_percent: The torque, % of shutdown.
    """
    level = paths.level
    over = level >= stage_percent
    first = np.argmax(over, axis=1)
    at = np.full(len(level), inf)
    row = np.flatnonzero(over.any(axis=1))
    i = first[row]
    later = np.maximum(i, 1)
    a, b = level[row, later - 1], level[row, later]
    share = np.clip((stage_percent - a) / np.maximum(b - a, 1e-9), 0.0, 1.0)
    at[row] = np.where(i == 0, 0.0, _GRID[later - 1] + share * (_GRID[later] - _GRID[later - 1]))
    at[at > HORIZON_DAYS] = inf
    ranked = np.sort(at)
    low, mid, high = (float(ranked[min(int(q * len(ranked)), len(ranked) - 1)]) for q in LEVELS)
    return Forecast(Span(low, mid, high), {days: float(np.mean(at <= days)) for days in WITHIN_DAYS}, "")


class Past(NamedTuple):
    """Of the days that stories are told of.

    Attributes:
        ago: Days from each to the last one, falling to nought.
        scatter: Variance of a mean of them times their number, squares of % of shutdown.
    """

    ago: Floats
    scatter: float


class Paths:
    """Draws of the level from now on.

    Attributes:
        level: % of shutdown, draws x moments.
    """

    def __init__(self, mixture: Mixture, past: Past, prior: Prior, stops_chance_month: float) -> None:
        """Draw them.

        Args:
            mixture: Stories about the present.
            past: Of the days that they are of.
            prior: How often levels step and bend.
            stops_chance_month: Chance, each month, that creep ends.
        """
        fixed = _future(prior.steps_year, prior.bends_year, prior.bend)
        story = np.searchsorted(np.cumsum(mixture.weight), fixed.story).clip(0, len(mixture.weight) - 1)
        sd = np.sqrt(np.maximum(mixture.level_var[story], 0.0))
        start = mixture.level[story] + sd * fixed.one
        along = np.divide(mixture.cov[story], sd, out=np.zeros(DRAWS), where=sd > 0)
        rest = np.sqrt(np.maximum(mixture.slope_var[story] - along**2, 0.0))
        creeps = mixture.creeps[story]
        slope = np.where(creeps, mixture.slope[story] + along * fixed.one + rest * fixed.two, fixed.slope)
        ends = fixed.wait * MONTH_DAYS / max(stops_chance_month, 1e-9)
        begin, end = np.where(creeps, 0.0, fixed.begin), np.where(creeps, ends, inf)
        grown = np.minimum(_GRID, end[:, None]) - np.minimum(_GRID, begin[:, None])
        self.level: Floats = start[:, None] + slope[:, None] / MONTH_DAYS * grown + fixed.steps
        grows = creeps & (mixture.began[story] >= 0) & (slope > 0)
        self.level += np.where(grows[:, None], _faster(mixture, story, past, slope, grown, fixed), 0.0)


def _faster(mixture: Mixture, story: I64, past: Past, slope: Floats, grown: Floats, fixed: _Future) -> Floats:
    """What a level that rises ever faster gains over one that goes straight on; nought in draws that do go straight on.

    Straight lines fitted to a parabola begin later than it does, and are as steep as it was at their middle.

    Args:
        mixture, story: The stories and which one each draw is of.
        past: Of the days that they are of.
        slope: Of each draw, % of shutdown a month.
        grown: Days of creep at each moment of each draw.
        fixed: What is drawn once.
    """
    first, last = (np.maximum(past.ago[at[story]], YOUNGEST_DAYS) for at in (mixture.began, mixture.bend))
    again = mixture.began[story] != mixture.bend[story]
    last = np.where(mixture.bend[story] < 0, first, np.minimum(last, first))
    age = np.where(again, BEGAN_BEFORE[1], BEGAN_BEFORE[0]) * first
    growth = slope / MONTH_DAYS / (age - last / 2.0)
    misfit = PARABOLA_MISFIT * first * (slope / MONTH_DAYS * first) ** 2 / past.scatter
    likely = np.where(again, 1.0, np.exp(-misfit / 2.0))
    share = np.where(again, GROWS[1], GROWS[0])
    grows = fixed.grows < share * likely / (share * likely + 1.0 - share)
    quick = np.minimum(grown, fixed.lasts[:, None])
    gained = growth[:, None] * (last[:, None] / 2.0 * grown + quick * (grown - quick / 2.0))
    return np.where(grows[:, None], gained, 0.0)


class _Future:
    """What is drawn once: places in the mixture, normal deviates, steps on the grid, when creep begins and ends."""

    def __init__(self, steps_year: float, bends_year: float, bend: float) -> None:
        chance = np.random.default_rng(20_260_101)
        self.story: Floats = chance.permutation((np.arange(DRAWS) + 0.5) / DRAWS)
        self.one: Floats = chance.standard_normal(DRAWS)
        self.two: Floats = chance.standard_normal(DRAWS)
        self.wait: Floats = chance.exponential(size=DRAWS)
        self.grows: Floats = chance.permutation((np.arange(DRAWS) + 0.5) / DRAWS)
        self.lasts: Floats = chance.exponential(YEAR_DAYS, DRAWS)
        self.begin: Floats = chance.exponential(YEAR_DAYS / max(bends_year / 2, 1e-9), DRAWS)
        self.slope: Floats = np.abs(chance.normal(0.0, bend, DRAWS))
        count = chance.poisson(np.diff(_GRID) * steps_year / YEAR_DAYS, (DRAWS, len(_GRID) - 1))
        jumps = np.sqrt(count) * chance.normal(0.0, FUTURE_STEP, count.shape)
        self.steps: Floats = np.concatenate([np.zeros((DRAWS, 1)), np.cumsum(jumps, axis=1)], axis=1)


@lru_cache(maxsize=8)
def _future(steps_year: float, bends_year: float, bend: float) -> _Future:
    return _Future(steps_year, bends_year, bend)
