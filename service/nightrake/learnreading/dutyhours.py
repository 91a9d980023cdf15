"""Hours at torque out of a summary's counts, and hours read and run out of its rows."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from nightrake.commissioning.convert import ABSENT
from nightrake.domain.site import Direction, DriveSpec
from nightrake.history.basis import SIDES, Basis
from nightrake.history.histogram import Floats, Ints
from nightrake.history.period import Period
from nightrake.history.rows import DAY_MS, Grain
from nightrake.history.summaries import RUNNING, Entry
from nightrake.learning.duty import AtTorque, Rule, TimeAtTorque, time_at_torque
from nightrake.learnreading.soundrows import sound_entries, sound_rows
from nightrake.longterm.summaryreading import SummaryReading

COLUMNS = ("drive.covered_ns", "drive.running_ns", "drive.stopped_ns")
HOUR_NS = 3.6e12
_Dated = list[tuple[int, Entry]]


class Times(NamedTuple):
    """h in which a drive was read at all, and in which run feedback said that it ran, and that it stood."""

    covered: float = 0.0
    running: float = 0.0
    stopped: float = 0.0


def times_of(summaries: SummaryReading, drive: str, period: Period, met: list[str]) -> Times:
    """Of whole hours that a period touches; damaged days are passed over, and said in `met`.

    Raises:
        StoreError: The file cannot be read.
    """
    sums = np.zeros(len(COLUMNS))
    for rows in sound_rows(summaries, drive, Grain.HOUR, COLUMNS, period, met):
        sums += [float(rows.table[name].sum()) / HOUR_NS for name in COLUMNS]
    return Times(*sums.tolist())


def hours_at_torque(
    summaries: SummaryReading, spec: DriveSpec, side: Direction, period: Period, rule: Rule, met: list[str]
) -> TimeAtTorque | None:
    """Hours at torque while the motor ran; where there is no run feedback at all, of all time.

    A day's running time is shared out over its readings: readings come evenly, unless they are recorded on change.

    Raises:
        StoreError: The file cannot be read. Damaged days are passed over, and said in `met`.
    """
    has_run = spec.running is not None
    if "position" in spec.on_change:
        met.append("The position is recorded on change, so torques at which it moved weigh more than their time.")
    parts, begin, end = list[AtTorque](), period.to_ms, period.from_ms
    for some in sound_entries(summaries, spec.id, period, met):
        if not some:
            continue
        within = Period(some[0][0], some[-1][0] + DAY_MS)
        begin, end = min(begin, within.from_ms), max(end, within.to_ms)
        hours_of = _hours_by_day(summaries, spec.id, within, has_run=has_run)
        wanted = [(at, e) for at, e in some if not has_run or e.running == RUNNING]
        parts.append(_converted(wanted, SIDES.index(side), hours_of, summaries.bases({e.basis for _, e in wanted})))
    held = Period(max(period.from_ms, begin), min(period.to_ms, end))
    return time_at_torque(parts, rule, *held, is_running=has_run)


def _hours_by_day(summaries: SummaryReading, drive: str, period: Period, *, has_run: bool) -> Mapping[int, float]:
    name = "drive.running_ns" if has_run else "drive.covered_ns"
    found: dict[int, float] = {}
    for rows in sound_rows(summaries, drive, Grain.DAY, [name], period, []):
        found |= zip(rows.utc_ms.tolist(), (rows.table[name] / HOUR_NS).tolist(), strict=True)
    return found


def _converted(wanted: _Dated, side: int, hours_of: Mapping[int, float], bases: Mapping[str, Basis]) -> AtTorque:
    """Counts of some days as hours at torques, each torque once."""
    readings: dict[int, int] = {}
    for at, entry in wanted:
        readings[at] = readings.get(at, 0) + entry.steps.n
    torques, hours, codes = [np.empty(0)], [np.empty(0)], [np.empty(0, np.int8)]
    for digest, basis in bases.items():
        mine = [(at, e) for at, e in wanted if e.basis == digest and e.side == side and len(e.steps.bins)]
        if not mine:
            continue
        steps = np.concatenate([e.steps.middles() for _, e in mine])
        each = [e.steps.counts * (hours_of.get(at, 0.0) / readings[at]) for at, e in mine]
        different, spent = _summed(steps, np.concatenate(each))
        found = basis.convert(different)
        there = found.code != ABSENT
        torques.append(found.torque_nm[there])
        hours.append(spent[there])
        codes.append(found.code[there])
    return AtTorque(np.concatenate(torques), np.concatenate(hours), np.concatenate(codes))


def _summed(steps: Ints, hours: Floats) -> tuple[Ints, Floats]:
    different, back = np.unique(steps, return_inverse=True)
    return different, np.asarray(np.bincount(back, hours, len(different)), np.float64)


__all__ = ["Times", "hours_at_torque", "times_of"]
