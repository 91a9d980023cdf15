"""The same positions under another calibration record: hours anew, and what that changes. Pure.

Where the readings are still kept the hour is built from them. Where they are gone it is derived from its counts: exact
where a bin is one raw step, else within a bin; its minutes stay under the record that they were made with.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

import numpy as np

from nightrake.commissioning.convert import ABSENT, BELOW, BEYOND, EXACT
from nightrake.domain.site import CalibrationCurve
from nightrake.history.basis import SIDES, Basis
from nightrake.history.dayrows import counted, from_counts, merged
from nightrake.history.kept import HourBytes
from nightrake.history.rows import Grain
from nightrake.history.summaries import Entry


class Figures(NamedTuple):
    """What one direction's readings say under a record.

    Attributes:
        n: Readings that give a torque. absent: Readings of the direction that give none.
        mean_nm, max_nm: NaN of none.
        exact, below, beyond: Readings within the calibrated span, under it, past it.
        over_alarm, over_shutdown: Readings at or above the set points; 0 where a set point is not stated.
    """

    n: int
    absent: int
    mean_nm: float
    max_nm: float
    exact: int
    below: int
    beyond: int
    over_alarm: int
    over_shutdown: int


class Change(NamedTuple):
    """One direction before and after."""

    before: Figures
    after: Figures

    @property
    def is_any(self) -> bool:
        """Whether anything is different."""
        return repr(self.before) != repr(self.after)  # NaN is unlike itself


def rebased(hour: HourBytes, curve: CalibrationCurve, bases: Mapping[str, Basis]) -> tuple[HourBytes, dict[str, Basis]]:
    """An hour whose readings are gone, under another record for its direction.

    Args:
        hour: As kept. curve: The record. bases: Those that the hour's counts name.

    Returns:
        The hour, its minutes as they were; the bases that it names now.
    """
    found: dict[str, Basis] = {}
    new: dict[str, str] = {}
    for digest in {e.basis for e in hour.entries}:
        basis = bases[digest].with_curve(curve)
        new[digest] = basis.digest
        found[basis.digest] = basis
    entries = merged(e._replace(basis=new[e.basis]) for e in hour.entries)
    return HourBytes(hour.minutes, from_counts(hour.hour, Grain.HOUR, 0, entries, found), entries), found


def figures(
    entries: Iterable[Entry], side: int, bases: Mapping[str, Basis], alarm_nm: float, shutdown_nm: float
) -> Figures:
    """What counts of one direction say.

    Args:
        entries: Counts, of any hours. side: Place in `basis.SIDES`. bases: Those that the counts name.
        alarm_nm, shutdown_nm: Set points, 0.0 = not stated.
    """
    mine = [e for e in entries if e.side == side]
    values, counts = counted(mine, bases)
    n = int(counts.sum())
    codes = dict.fromkeys((EXACT, BELOW, BEYOND, ABSENT), 0)
    highest = np.full(1, np.nan)
    for entry in mine:
        code = bases[entry.basis].convert(entry.steps.middles()).code
        for number in codes:
            codes[number] += int(entry.steps.counts[code == number].sum())
        ends = bases[entry.basis].convert(np.array([entry.steps.lo, entry.steps.hi])).torque_nm
        highest = np.fmax(highest, np.fmax(ends[0], ends[1]))

    def over(limit_nm: float) -> int:
        return int(counts[values >= limit_nm].sum()) if limit_nm > 0.0 else 0

    mean_nm = float(np.sum(values * counts) / n) if n else float("nan")
    ends_nm = float(highest[0])
    return Figures(
        n, codes[ABSENT], mean_nm, ends_nm, codes[EXACT], codes[BELOW], codes[BEYOND], over(alarm_nm), over(shutdown_nm)
    )


def change_of(
    before: Sequence[Entry],
    after: Sequence[Entry],
    side: int,
    bases: Mapping[str, Basis],
    set_points_nm: tuple[float, float],
) -> Change:
    """What a recomputation changes.

    Args:
        before, after: Counts of the same time. side: Place in `basis.SIDES`. bases: All that they name.
        set_points_nm: Of alarm and shutdown.
    """
    return Change(figures(before, side, bases, *set_points_nm), figures(after, side, bases, *set_points_nm))


def side_of(curve: CalibrationCurve) -> int:
    """The number of a record's direction."""
    return SIDES.index(curve.direction)
