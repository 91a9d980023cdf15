"""Number, mean and spread of values, mergeable without loss of digits. Pure.

Source: T. F. Chan, G. H. Golub, R. J. LeVeque, "Updating formulae and a pairwise algorithm for computing sample
variances" (1979) for the merge; two passes about a first estimate within one batch.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import NamedTuple

import numpy as np

from nightrake.history.histogram import Floats, Ints


class Moments(NamedTuple):
    """What is known of a set of values.

    Attributes:
        n: How many. mean: NaN of none. m2: Sum of squared differences from the mean. low, high: NaN of none.
    """

    n: int
    mean: float
    m2: float
    low: float
    high: float

    @property
    def std(self) -> float:
        """Standard deviation of a sample (by n - 1); NaN of fewer than two values."""
        return math.sqrt(self.m2 / (self.n - 1)) if self.n > 1 else math.nan


NONE = Moments(0, math.nan, 0.0, math.nan, math.nan)


def moments(values: Floats, counts: Ints | None = None) -> Moments:
    """Moments of one batch.

    Args:
        values: Finite. counts: How often each stands for a value; None = once.
    """
    if not len(values):
        return NONE
    n = len(values) if counts is None else int(counts.sum())
    mean = float(values[0]) + _total(values - values[0], counts) / n
    off = values - mean
    lean = _total(off, counts)
    m2 = _total(off * off, counts) - lean * lean / n
    low, high = float(values.min()), float(values.max())
    # Rounding must not carry a mean past its values, nor a square below nothing.
    return Moments(n, min(max(mean + lean / n, low), high), max(m2, 0.0), low, high)


def _total(values: Floats, counts: Ints | None) -> float:
    return float(np.sum(values if counts is None else values * counts))


def merge(parts: Iterable[Moments]) -> Moments:
    """Moments of all together, in the order given."""
    n, mean, m2, low, high = NONE
    for part in parts:
        if not part.n:
            continue
        if not n:
            n, mean, m2, low, high = part
            continue
        total, apart = n + part.n, part.mean - mean
        m2 += part.m2 + apart * apart * (n / total * part.n)
        mean += apart * (part.n / total)
        n, low, high = total, min(low, part.low), max(high, part.high)
    return Moments(n, mean, m2, low, high)
