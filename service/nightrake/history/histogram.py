"""Counts of raw positions, mergeable: what medians and recomputation stand on once the raw data are gone. Pure.

A bin is a raw step of the signal, or 2, 4, 8, ... of them where there would be too many. How coarse a histogram is
depends on everything in it and on nothing else, so that merging in any order gives the same one.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nightrake.domain.site import ValueType

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

BINS = 1024
"""Bins at most: a twelve-bit signal that swept its whole range keeps four counts a bin, a thousandth of the span."""


def steps_of(raw: Floats, kind: ValueType) -> Ints:
    """Raw values as whole steps, in the same order as the values.

    Args:
        raw: Values as they lie in the registers, before scale and offset; finite. kind: How they lie there.

    Returns:
        The integer itself; of a FLOAT32 the place of its bits among all floats (0 for 0.0), neighbours one apart.
    """
    if kind is not ValueType.FLOAT32:
        return np.asarray(raw, dtype=np.float64).astype(np.int64)
    bits = np.asarray(raw, dtype=np.float32).view(np.int32).astype(np.int64)
    return np.where(bits >= 0, bits, -(bits & 0x7FFF_FFFF))


def raw_of(steps: Ints, kind: ValueType) -> Floats:
    """The raw values of whole steps: what `steps_of` undoes."""
    if kind is not ValueType.FLOAT32:
        return np.asarray(steps, dtype=np.float64)
    bits = np.where(steps >= 0, steps, -steps | 0x8000_0000).astype(np.uint32)
    return bits.view(np.float32).astype(np.float64)


class Histogram(NamedTuple):
    """How often each raw step was read.

    Attributes:
        shift: A bin is ``2**shift`` steps wide.
        bins: Numbers of the bins that hold something, rising; bin b holds steps ``b << shift`` and up.
        counts: Readings in each, at least 1.
        lo, hi: Smallest and largest step, exactly; 0 where nothing was read.
    """

    shift: int
    bins: Ints
    counts: Ints
    lo: int
    hi: int

    @property
    def n(self) -> int:
        """Readings in all."""
        return int(self.counts.sum())

    @property
    def width(self) -> int:
        """Steps in one bin."""
        return 1 << self.shift

    def middles(self) -> Ints:
        """For each bin the step that stands for it: its middle, but never outside of what was read."""
        middle = (self.bins << self.shift) + ((self.width - 1) >> 1)
        out: Ints = np.clip(middle, self.lo, self.hi)
        return out


EMPTY = Histogram(0, np.empty(0, np.int64), np.empty(0, np.int64), 0, 0)


def histogram(steps: Ints, counts: Ints | None = None, most: int = BINS) -> Histogram:
    """Count steps.

    Args:
        steps: Any order. counts: How often each was read; None = once.
        most: Bins at most, 2 or more (a bin never holds both sides of zero).
    """
    if not len(steps):
        return EMPTY
    weights = np.ones(len(steps), np.int64) if counts is None else counts
    return _coarsened(*_summed(steps, weights), 0, int(steps.min()), int(steps.max()), most)


def merge(parts: Iterable[Histogram], most: int = BINS) -> Histogram:
    """One histogram of all; the order makes no difference, nor whether some were merged before."""
    some = [p for p in parts if len(p.bins)]
    if not some:
        return EMPTY
    shift = max(p.shift for p in some)
    bins = np.concatenate([p.bins >> (shift - p.shift) for p in some])
    counts = np.concatenate([p.counts for p in some])
    return _coarsened(*_summed(bins, counts), shift, min(p.lo for p in some), max(p.hi for p in some), most)


def _summed(bins: Ints, counts: Ints) -> tuple[Ints, Ints]:
    """Each bin once, rising, with all its counts."""
    order = np.argsort(bins, kind="stable")
    bins, counts = bins[order], counts[order]
    first = np.flatnonzero(np.diff(bins, prepend=bins[0] - 1))
    return bins[first], np.add.reduceat(counts, first)


def _coarsened(bins: Ints, counts: Ints, shift: int, lo: int, hi: int, most: int) -> Histogram:
    """As coarse as it must be to have `most` bins, and no coarser."""
    while len(bins) > most:
        bins, counts = _summed(bins >> 1, counts)
        shift += 1
    return Histogram(shift, bins, counts, lo, hi)


def quantile(values: Floats, counts: Ints, share: float) -> float:
    """A quantile of counted values, in straight lines between neighbours (numpy's 'linear').

    Args:
        values: Rising. counts: How often each was read. share: 0 to 1.

    Returns:
        What numpy.quantile gives of the values written out one by one; NaN of none.
    """
    if not len(values):
        return float("nan")
    upto = np.cumsum(counts)
    at = (int(upto[-1]) - 1) * share
    below = int(at)
    low = float(values[np.searchsorted(upto, below, side="right")])
    if below == at:
        return low
    high = float(values[np.searchsorted(upto, below + 1, side="right")])
    return min(low + (high - low) * (at - below), high)
