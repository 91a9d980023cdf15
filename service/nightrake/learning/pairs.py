"""Nothing, one step or bend, or two: each such story's weight, level and slope, in closed form.

All stories are regressions with two unknowns at most beside a common base; one that has fewer is told with unknowns
that add nothing. Steps and bends have a moment prior: its density is that of a normal distribution times a power of the
size, so those too small to have a cause are thought little of.

Source, from memory: V. E. Johnson, D. Rossell, On the use of non-local prior densities in Bayesian hypothesis tests,
J. R. Statist. Soc. B 72 (2010) 143-170.
"""

from __future__ import annotations

from functools import lru_cache
from math import comb
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nightrake.learning.days import I64, Floats
from nightrake.learning.white import BEND, STEP

NEGLIGIBLE = 18.0
"""A story less likely than the likeliest by e to this power is not told."""

SHARE_OF_OLD = 0.3
"""Share of the present slope that was there before the last bend, from which it counts as begun before."""


class Mixture(NamedTuple):
    """Stories with their weights; level and slope at the end are normal within each.

    Attributes:
        weight: Of each, adding to 1.
        level, slope: Means at the last period, % of shutdown and % of shutdown a month.
        level_var, slope_var, cov: Their variances and covariance.
        creeps: Whether the story has a slope at all.
        step, bend: Index of the period of its (last) step and bend; -1 = none.
        began: Index of the bend at which the present slope began, however often it grew since; -1 = none.
    """

    weight: Floats
    level: Floats
    slope: Floats
    level_var: Floats
    slope_var: Floats
    cov: Floats
    creeps: npt.NDArray[np.bool_]
    step: I64
    bend: I64
    began: I64


class Candidates(NamedTuple):
    """Steps and bends on a grid: kind and period of each, log prior, prior variance and prior mean of each."""

    kind: I64
    at: I64
    log_prior: Floats
    variance: Floats
    mean: Floats


class Beside(NamedTuple):
    """What the common base leaves of the open steps and bends.

    Attributes:
        gram: Their inner products with each other. c: Theirs with the series.
        toward: What each adds to level, slope, and the size of each step in the base that is in doubt.
        now: These as the base alone has them. base: Their covariance then.
    """

    gram: Floats
    c: Floats
    toward: Floats
    now: Floats
    base: Floats


class _Two:
    """The two unknowns of every story."""

    def __init__(self, beside: Beside, open_: Candidates, first: I64, second: I64) -> None:
        own = np.append(np.diag(beside.gram) + 1.0 / open_.variance, 1.0)
        gram, c = np.pad(beside.gram, (0, 1)), np.append(beside.c + open_.mean / open_.variance, 0.0)
        self.first, self.second = first, second
        self.a, self.b, self.g = own[first], own[second], gram[first, second]
        self.g[: len(c)] = 0.0
        self.det = self.a * self.b - self.g * self.g
        self.c1, self.c2 = c[first], c[second]
        self.m1 = (self.b * self.c1 - self.g * self.c2) / self.det
        self.m2 = (self.a * self.c2 - self.g * self.c1) / self.det

    def kept(self, which: I64) -> None:
        """Some of the stories only."""
        for name, values in vars(self).items():
            setattr(self, name, values[which])

    def mean(self, toward: Floats) -> Floats:
        """What they add to the mean of something."""
        return np.asarray(toward[self.first] * self.m1 + toward[self.second] * self.m2)

    def covariance(self, p: Floats, q: Floats) -> Floats:
        """What they add to the covariance of two things."""
        p1, p2, q1, q2 = p[self.first], p[self.second], q[self.first], q[self.second]
        return np.asarray((p1 * (self.b * q1 - self.g * q2) + p2 * (self.a * q2 - self.g * q1)) / self.det)


def mixture(beside: Beside, open_: Candidates, order: tuple[int, int], doubtful: float, standing: int) -> Mixture:
    """Every story on one base; weights as logarithms, of the likely ones only.

    Args:
        beside: What the base leaves.
        open_: The open steps and bends.
        order: Half the power of the step, and of the bend, in its prior.
        doubtful: Prior variance of the steps in doubt that the base has.
        standing: Index of the last bend that the base has; -1 = none.
    """
    first, second = _both(len(beside.c))
    two = _Two(beside, open_, first, second)
    weight = _weights(two, open_, order)
    toward = np.pad(beside.toward, ((0, 0), (0, 1)))
    for p in range(2, len(toward)):
        spread = beside.base[p, p] + two.covariance(toward[p], toward[p])
        weight += np.log(moment(beside.now[p] + two.mean(toward[p]), spread, doubtful, order[STEP]))
    which = np.flatnonzero(weight > weight.max() - NEGLIGIBLE)
    two.kept(which)
    at = [np.append(np.where(open_.kind == kind, open_.at, -1), -1) for kind in (STEP, BEND)]
    step, bend = (np.maximum(a[two.first], a[two.second]) for a in at)
    level, slope = (beside.now[p] + two.mean(toward[p]) for p in (0, 1))
    level_var, slope_var, cov = (
        beside.base[p, q] + two.covariance(toward[p], toward[q]) for p, q in ((0, 0), (1, 1), (0, 1))
    )
    began = _began(two, at[1], slope, standing)
    return Mixture(weight[which], level, slope, level_var, slope_var, cov, bend >= 0, step, bend, began)


def _began(two: _Two, bends: I64, slope: Floats, standing: int) -> I64:
    """Where the present slope began: at the last bend, or before it where the level went the same way already."""
    one, other = bends[two.first], bends[two.second]
    last, earlier = np.maximum(one, other), np.minimum(one, other)
    earlier = np.where(earlier >= 0, earlier, standing)
    size = np.where(last < 0, 0.0, np.where(one > other, two.m1, two.m2))
    goes_on = ((slope - size) * slope > SHARE_OF_OLD * slope * slope) & (earlier >= 0)
    return np.where(goes_on | (last < 0), earlier, last).astype(np.int64)


@lru_cache(maxsize=64)
def _both(count: int) -> tuple[I64, I64]:
    """Of nothing, of each alone and of each pair: the numbers of its two; ``count`` is none."""
    one, other = np.triu_indices(count, 1)
    none, each = np.array([count]), np.arange(count)
    return np.concatenate([none, each, one]), np.concatenate([none, np.full(count, count), other])


def _weights(two: _Two, open_: Candidates, order: tuple[int, int]) -> Floats:
    """Logarithm of prior times marginal likelihood, less what all share."""
    precision = np.append(1.0 / open_.variance, 1.0)
    log_prior = np.append(open_.log_prior - 0.5 * open_.mean**2 / open_.variance, 0.0)
    kind = np.append(open_.kind, -1)
    scale = np.log(precision) / 2.0 + log_prior
    weight = 0.5 * (two.c1 * two.m1 + two.c2 * two.m2 - np.log(two.det)) + scale[two.first] + scale[two.second]
    for one, size, variance in ((two.first, two.m1, two.b / two.det), (two.second, two.m2, two.a / two.det)):
        for which in (STEP, BEND):
            if order[which]:
                at = np.flatnonzero(kind[one] == which)
                weight[at] += np.log(moment(size[at], variance[at], 1.0 / precision[one[at]], order[which]))
    return np.asarray(weight, dtype=np.float64)


def moment(mean: Floats, variance: Floats, prior: Floats | float, order: int) -> Floats:
    """By what a moment prior multiplies a story's weight: the mean of a power of the size, over that of its prior.

    Args:
        mean, variance: Of the size, normal, after the data spoke.
        prior: Its prior variance.
        order: Half the power.
    """
    square = mean * mean
    total, odd = square**order, 1.0
    for j in range(1, order + 1):
        odd *= 2 * j - 1
        total = total + comb(2 * order, 2 * j) * odd * square ** (order - j) * variance**j
    return np.asarray(total / (odd * prior**order), dtype=np.float64)
