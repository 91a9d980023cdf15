"""Counts of raw positions -> shares and quantiles of torque for each period: many days converted at once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import NamedTuple

import numpy as np

from nightrake.commissioning.convert import ABSENT, BELOW, BEYOND
from nightrake.history.basis import Basis
from nightrake.history.histogram import Floats, Ints
from nightrake.history.summaries import NOT_KNOWN, RUNNING, STOPPED, Entry

SIDES = 2
QUANTILES = (0.16, 0.5, 0.84, 0.95)


class Place(NamedTuple):
    """Counts and the period that they belong to."""

    period: int
    entry: Entry


class Found(NamedTuple):
    """What counts say of periods, a row for each period and side that has any torque.

    Attributes:
        period, side: Which; rising by both. n: Readings that gave a torque. absent: Those of the side that gave none.
        below, beyond: Of n. quantiles: A row for each of `QUANTILES`; NaN where it lies outside what can be measured.
    """

    period: Ints
    side: Ints
    n: Ints
    absent: Ints
    below: Ints
    beyond: Ints
    quantiles: Floats


class Chosen(NamedTuple):
    """Which counts are looked at.

    Attributes:
        places: Of readings made while the motor ran. unknown: Periods of which nobody knows whether it did; theirs are
            all readings.
    """

    places: list[Place]
    unknown: set[int]


def while_running(places: Iterable[Place]) -> Chosen:
    """Readings made while run feedback said that the motor runs; all of a period in which it said nothing at all."""
    by_period: dict[int, list[Entry]] = {}
    for period, entry in places:
        by_period.setdefault(period, []).append(entry)
    chosen, unknown = [], set()
    for period, entries in by_period.items():
        said = {entry.running for entry in entries}
        wanted = RUNNING if said & {RUNNING, STOPPED} else NOT_KNOWN
        if wanted == NOT_KNOWN:
            unknown.add(period)
        chosen += [Place(period, entry) for entry in entries if entry.running == wanted]
    return Chosen(chosen, unknown)


def figures(places: Iterable[Place], bases: Mapping[str, Basis]) -> Found:
    """Figures of each period and side.

    Args:
        places: Of any periods and sides. bases: Those that the counts name.
    """
    by_basis: dict[str, list[Place]] = {}
    for place in places:
        if len(place.entry.steps.bins):
            by_basis.setdefault(place.entry.basis, []).append(place)
    parts = [_converted(mine, bases[digest]) for digest, mine in by_basis.items()]
    if not parts:
        none = np.empty(0, np.int64)
        return Found(none, none, none, none, none, none, np.empty((len(QUANTILES), 0)))
    group, torque_nm, code, count = (np.concatenate(column) for column in zip(*parts, strict=True))
    order = np.lexsort((torque_nm, group))  # NaN goes to the end of its group
    return _grouped(group[order], torque_nm[order], code[order], count[order])


def _converted(places: list[Place], basis: Basis) -> tuple[Ints, Floats, Ints, Ints]:
    """Group (period and side), torque, code and count of every bin."""
    steps = [place.entry.steps for place in places]
    sizes = [len(one.bins) for one in steps]
    group = np.repeat(np.array([SIDES * p.period + p.entry.side for p in places], np.int64), sizes)
    different, back = np.unique(np.concatenate([one.middles() for one in steps]), return_inverse=True)
    converted = basis.convert(different)
    count = np.concatenate([one.counts for one in steps]).astype(np.int64)
    return group, converted.torque_nm[back], converted.code[back].astype(np.int64), count


def _grouped(group: Ints, torque_nm: Floats, code: Ints, count: Ints) -> Found:
    starts = np.flatnonzero(np.diff(group, prepend=-1))

    def total(mine: np.typing.NDArray[np.bool_]) -> Ints:
        found: Ints = np.add.reduceat(np.where(mine, count, 0), starts)
        return found

    there, below, beyond = code != ABSENT, total(code == BELOW), total(code == BEYOND)
    n = total(there)
    upto = np.cumsum(count)
    before = upto[starts] - count[starts]
    quantiles = np.full((len(QUANTILES), len(starts)), np.nan)
    for row, share in enumerate(QUANTILES):
        at = np.maximum(n - 1, 0) * share
        low = at.astype(np.int64)
        high = np.minimum(low + 1, np.maximum(n - 1, 0))
        inside = (n > 0) & (low >= below) & (high < n - beyond)
        places = [np.minimum(np.searchsorted(upto, before + k, side="right"), len(upto) - 1) for k in (low, high)]
        values = torque_nm[places[0]] + (torque_nm[places[1]] - torque_nm[places[0]]) * (at - low)
        quantiles[row, inside] = values[inside]
    key = group[starts]
    return Found(key // SIDES, key % SIDES, n, total(~there), below, beyond, quantiles)
