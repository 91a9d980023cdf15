"""The chance that a warning of creep stands on: told with what a warning is for, and with what the drive has shown.

Slope and forecast are to be right on average over all creep there is. A warning is to come soon when creep is slow, so
its stories are told anew with a prior for slopes about 1 % of shutdown a month: a faster one that is young is as likely
a step, and one that has lasted is found whatever the prior. And where a drive has stepped before, its steps may be
alike, as those of one cause are (the same spring set to and fro, the same plough); then a rise that is no such step is
creep sooner. How alike they are the drive's own record says, and that of the site's other drives (`sitesteps`); where
neither has any, the common prior stands alone.

Sources, from memory: a prior whose scale is learnt from the units seen before, H. Robbins, Proc. 3rd Berkeley Symposium
on Mathematical Statistics and Probability 1 (1956) 157-163.
"""

from __future__ import annotations

from math import exp, lgamma, log, sqrt

import numpy as np

from nightrake.learning.days import Floats
from nightrake.learning.evidence import Ground, told
from nightrake.learning.pairs import Mixture
from nightrake.learning.recent import PRIOR, chance_of_rise
from nightrake.learning.sitesteps import LEAST, MOST, NONE, Usual, log_any, log_ratio, own, usual_of

LEAST_RISE = 0.5
"""% of shutdown a month: a slower rise is not what a warning is for; seasons that are not quite known leave as much."""
AIMED = PRIOR._replace(bend=0.42, bend_order=3)
"""Likeliest slopes are the scale times the root of twice the order: 1.0 % of shutdown a month."""
LASTS_DAYS = 30.0
"""A rise that began later may still turn out to be a step, so it counts for the warning only where it is certain."""
CERTAIN = 0.97
SIZES = np.geomspace(LEAST, MOST, 12)
"""% of shutdown: sizes that the steps of a drive may be alike in."""
ALIKE = 8
"""Order of the moment prior of steps that are alike: most lie within a fifth of their usual size."""
ALIKE_BEFORE = 0.5
"""Chance that a drive's steps are alike, before any was seen."""
TELLS = 0.02
"""A site or a drive whose steps are less likely alike than that is not listened to where the other is."""


def chance_that_counts(ground: Ground, others: Floats = NONE) -> float:
    """The chance of a rise that the warning stands on: of one that has lasted, or of any that is certain.

    Args:
        ground: What the drive's own record says.
        others: Steps of the site's other drives, see `sitesteps.known`.
    """
    chance = _counts(ground, told(ground, AIMED))
    steps = own(ground)
    share, size = alike(steps[:, 0])
    usual = usual_of(others)
    odds = _odds(steps, share, usual)
    if odds * TELLS > 1.0:
        share = 0.0
    if share > 0.0:
        narrow = AIMED._replace(order=ALIKE, step=size / sqrt(2 * ALIKE))
        chance = (1.0 - share) * chance + share * _counts(ground, told(ground, narrow))
    if odds < TELLS:
        return chance
    known = AIMED._replace(order=0, step=usual.scatter, usual=usual.size)
    return (chance + odds * _counts(ground, told(ground, known))) / (1.0 + odds)


def _odds(steps: Floats, share: float, usual: Usual) -> float:
    """Odds that the drive's steps are of the site's usual kind, against their being alike or unlike by themselves."""
    if usual.share <= 0.0:
        return 0.0
    before = usual.share / (1.0 - usual.share)
    return before * exp(log_ratio(steps, usual)) * (1.0 - share) / (1.0 - ALIKE_BEFORE)


def alike(sizes: Floats) -> tuple[float, float]:
    """Chance that a drive's steps are alike, and the size they have then.

    Args:
        sizes: Of steps seen, signed, % of shutdown.

    Returns:
        The chance and the size, % of shutdown; noughts where no step teaches anything.
    """
    size = np.abs(sizes)
    size = size[(size >= SIZES[0]) & (size <= SIZES[-1])]
    if not len(size):
        return 0.0, 0.0
    apart = log_any(size)
    scale = SIZES / sqrt(2 * ALIKE)
    held = 2 * ALIKE * np.log(size[:, None] / scale) - 0.5 * (size[:, None] / scale) ** 2 - np.log(scale)
    held -= (ALIKE - 0.5) * log(2.0) + lgamma(ALIKE + 0.5)  # of the moment prior's density on one side
    together = np.asarray(held.sum(axis=0), dtype=np.float64)
    likely = np.exp(together - together.max())
    odds = ALIKE_BEFORE / (1.0 - ALIKE_BEFORE) * np.exp(together.max() - apart.sum()) * float(likely.mean())
    return float(odds / (1.0 + odds)), float(likely @ SIZES / likely.sum())


def _counts(ground: Ground, mixture: Mixture) -> float:
    t = ground.white.t
    whole = chance_of_rise(mixture, LEAST_RISE)
    if whole > CERTAIN:
        return whole
    young = (mixture.bend >= 0) & (t[-1] - t[mixture.bend] < LASTS_DAYS)
    return chance_of_rise(mixture._replace(weight=np.where(young, 0.0, mixture.weight)), LEAST_RISE)
