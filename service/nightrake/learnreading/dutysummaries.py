"""Cycles and starts out of rows of a summary."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from nightrake.domain.site import Direction, DriveSpec
from nightrake.history.histogram import Floats
from nightrake.history.period import Period
from nightrake.history.rows import Grain, Table
from nightrake.learning.duty import CycleCounting, Rule
from nightrake.learning.dutyrows import Bools, in_order, starts
from nightrake.learnreading.dutyhours import HOUR_NS, Times
from nightrake.learnreading.soundrows import sound_rows
from nightrake.longterm.summaryreading import SummaryReading

STATES = ("drive.running_ns", "drive.stopped_ns", "drive.covered_ns")


class RowCount(NamedTuple):
    """What rows gave.

    Attributes:
        starts: None = cannot be said. counting: Cycles, still open; None = there is nothing to tell them in.
        period: From the first row in which the drive was read to the last; None = it never was. times: Sums of them.
    """

    starts: int | None
    counting: CycleCounting | None
    period: Period | None
    times: Times


class _Ends(NamedTuple):
    """Lowest and highest torque of rows, reverse negative, and which of them are below, or beyond, the record."""

    low_nm: Floats
    high_nm: Floats
    below: Bools
    beyond: Bools


def rows_of(
    summaries: SummaryReading, spec: DriveSpec, period: Period, grain: Grain, rule: Rule | None, met: list[str]
) -> RowCount:
    """Go through the rows of a period once.

    Raises:
        StoreError: The file cannot be read. Damaged days are passed over, and said in `met`.
    """
    sides = [str(side) for side in spec.directions]
    columns = [*STATES]
    for side in sides if rule is not None else ():
        columns += [f"{side}.all.{name}" for name in ("n", "min_nm", "max_nm")]
        columns += [f"{side}.time.{name}" for name in ("below", "beyond")]
    counting = CycleCounting(rule) if rule is not None else None
    count, ran, last_nm, held, sums = 0, None, float("nan"), None, np.zeros(len(STATES))
    for rows in sound_rows(summaries, spec.id, grain, columns, period, met):
        more, ran = starts(rows.table[STATES[0]] > 0, rows.table[STATES[1]] > 0, ran)
        count += more
        sums += [float(rows.table[name].sum()) / HOUR_NS for name in STATES]
        read = rows.utc_ms[rows.table[STATES[2]] > 0]
        if len(read):
            begin = held.from_ms if held is not None else int(read[0])
            held = Period(begin, int(read[-1]) + grain.span_ms)
        if counting is not None:
            last_nm = _add(counting, _ends(rows.table, sides), last_nm)
    running, stopped, covered = sums.tolist()
    return RowCount(count if ran is not None else None, counting, held, Times(covered, running, stopped))


def _add(counting: CycleCounting, ends: _Ends, last_nm: float) -> float:
    values = in_order(ends.low_nm, ends.high_nm, last_nm)
    if not len(values):
        return last_nm
    # Of the two values of a row the lower one, by magnitude, is the one that is below what can be measured.
    low, high = np.repeat(ends.low_nm, 2), np.repeat(ends.high_nm, 2)
    nearer = np.where(np.abs(low) <= np.abs(high), low, high)
    counting.add(values, np.repeat(ends.below, 2) & (values == nearer), int(ends.beyond.sum()))
    return float(values[-1])


def _ends(table: Table, sides: list[str]) -> _Ends:
    n = len(table[STATES[0]])
    low, high = np.full(n, np.nan), np.full(n, np.nan)
    below, beyond = np.zeros(n, np.bool_), np.zeros(n, np.bool_)
    for side in sides:
        there = table[f"{side}.all.n"] > 0
        least, most = (table[f"{side}.all.{name}"].astype(np.float64) for name in ("min_nm", "max_nm"))
        if side == Direction.REVERSE:
            least, most = -most, -least
        low[there] = np.fmin(low[there], least[there])
        high[there] = np.fmax(high[there], most[there])
        below |= table[f"{side}.time.below"] > 0
        beyond |= table[f"{side}.time.beyond"] > 0
    known = ~np.isnan(low)
    return _Ends(low[known], high[known], below[known], beyond[known])


__all__ = ["RowCount", "rows_of"]
