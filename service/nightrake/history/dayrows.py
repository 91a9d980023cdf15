"""Hours to a day, and counts to torque again: what stays right when the raw data are gone. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from nightrake.commissioning.convert import ABSENT, BELOW, BEYOND, EXACT
from nightrake.history.basis import SIDES, Basis
from nightrake.history.histogram import Floats, Histogram, Ints, merge
from nightrake.history.moments import Moments, moments
from nightrake.history.moments import merge as merge_moments
from nightrake.history.rows import GROUPS, STATISTICS, Grain, Table, blank, lacking
from nightrake.history.summaries import RUNNING, Entry, row

_CODE = {"exact": EXACT, "below": BELOW, "beyond": BEYOND}


def merged(entries: Iterable[Entry]) -> tuple[Entry, ...]:
    """One entry of each kind, in a fixed order; the order given makes no difference."""
    found: dict[tuple[str, int, int], list[Histogram]] = {}
    for entry in entries:
        found.setdefault((entry.basis, entry.side, entry.running), []).append(entry.steps)
    return tuple(Entry(*kind, merge(parts)) for kind, parts in sorted(found.items(), key=lambda item: item[0]))


def day_of(hours: Table, columns: Sequence[str], entries: Sequence[Entry], bases: Mapping[str, Basis]) -> Table:
    """The one row of a day.

    Args:
        hours: Its hours, each in its row. columns: Names of all. entries: The day's counts, merged. bases: Theirs.

    Returns:
        Counts and times as sums, mean and spread merged from the hours, quantiles from the day's counts.
    """
    day = blank(columns, Grain.DAY, 1)
    for name in columns:
        if name.endswith("_nm"):
            continue
        day[name][0] = lacking(hours, name, Grain.HOUR, 24).sum()
    for number, side in enumerate(SIDES):
        for group in GROUPS:
            part = f"{side}.{group}"
            if f"{part}.n" not in day:
                continue
            found = merge_moments(_hour_moments(hours, part))
            if found.n:
                values, counts = counted(_chosen(entries, number, group), bases)
                row(day, 0, part, found, values, counts)
    return day


def _hour_moments(hours: Table, part: str) -> list[Moments]:
    n, low, mean, high, std = (lacking(hours, f"{part}.{name}", Grain.HOUR, 24).tolist() for name in STATISTICS[:5])
    return [
        Moments(n[i], mean[i], std[i] * std[i] * (n[i] - 1) if n[i] > 1 else 0.0, low[i], high[i])
        for i in range(len(n))
        if n[i]
    ]


def _chosen(entries: Iterable[Entry], side: int, group: str) -> list[Entry]:
    return [e for e in entries if e.side == side and (group == "all" or e.running == RUNNING)]


def counted(entries: Iterable[Entry], bases: Mapping[str, Basis]) -> tuple[Floats, Ints]:
    """Torques of counts, rising, and how often each was read; counts that give no torque are left out."""
    torques: list[Floats] = []
    counts: list[Ints] = []
    for entry in entries:
        found = bases[entry.basis].convert(entry.steps.middles())
        there = found.code != ABSENT
        torques.append(found.torque_nm[there])
        counts.append(entry.steps.counts[there])
    if not torques:
        return np.empty(0), np.empty(0, np.int64)
    values, weights = np.concatenate(torques), np.concatenate(counts)
    order = np.argsort(values, kind="stable")
    return values[order], weights[order]


def from_counts(before: Table, grain: Grain, at: int, entries: Sequence[Entry], bases: Mapping[str, Basis]) -> Table:
    """One row's torques anew, from its counts: as exact as their bins are fine, the ends exactly.

    Args:
        before: The table that has the row. at: Which row. entries: Its counts, perhaps under another basis than before.

    Returns:
        A copy of the table; what is no torque is as before.
    """
    table = {name: column.copy() for name, column in before.items()}
    for number, side in enumerate(SIDES):
        if f"{side}.time.exact" not in table:
            continue
        for group in GROUPS:
            mine = _chosen(entries, number, group)
            values, counts = counted(mine, bases)
            part = f"{side}.{group}"
            if not len(values):
                _clear(table, grain, part, at)
                continue
            row(table, at, part, _with_ends(moments(values, counts), mine, bases), values, counts)
        _codes(table, f"{side}.time", at, _chosen(entries, number, "all"), bases)
    lost = sum(int(e.steps.counts[bases[e.basis].convert(e.steps.middles()).code == ABSENT].sum()) for e in entries)
    if "drive.absent" in table:
        placed = sum(e.steps.n for e in entries)
        table["drive.absent"][at] = int(table["drive.readings"][at]) - placed + lost
    return table


def _clear(table: Table, grain: Grain, part: str, at: int) -> None:
    names = [f"{part}.{name}" for name in STATISTICS]
    for name, column in blank(names, grain, 1).items():
        table[name][at] = column[0]


def _with_ends(found: Moments, entries: Sequence[Entry], bases: Mapping[str, Basis]) -> Moments:
    """Lowest and highest torque from the exact ends of the counts: a bin's middle would hide a peak."""
    ends = [bases[e.basis].convert(np.array([e.steps.lo, e.steps.hi])).torque_nm for e in entries if len(e.steps.bins)]
    torques = np.concatenate(ends)
    return found._replace(low=float(np.nanmin(torques)), high=float(np.nanmax(torques)))


def _codes(table: Table, part: str, at: int, entries: Sequence[Entry], bases: Mapping[str, Basis]) -> None:
    total = dict.fromkeys(_CODE, 0)
    for entry in entries:
        code = bases[entry.basis].convert(entry.steps.middles()).code
        for name, number in _CODE.items():
            total[name] += int(entry.steps.counts[code == number].sum())
    for name, count in total.items():
        table[f"{part}.{name}"][at] = count
