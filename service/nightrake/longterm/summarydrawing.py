"""Torque of a long time, or of one whose readings are gone, out of its summaries: which, from when to when."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np

from nightrake.history.histogram import Floats
from nightrake.history.period import Period
from nightrake.history.rows import DAY_MS, Grain
from nightrake.history.screen import Picture, grain_for
from nightrake.longterm.blocks import Damaged
from nightrake.longterm.drivereading import DriveReading
from nightrake.longterm.summaryreading import SLICE_DAYS, Rows

POSITION = "position"
SIDES = (("forward", 1.0), ("reverse", -1.0))
TORQUE = [f"{side}.all.{what}" for side, _ in SIDES for what in ("n", "min_nm", "mean_nm", "max_nm")]
OUTSIDE = [f"{side}.time.{code}" for side, _ in SIDES for code in ("below", "beyond")]
WORTH = ["drive.readings", "drive.absent", *OUTSIDE]


class Held(NamedTuple):
    """What one kind of summary holds of a period.

    Attributes:
        from_ms, to_ms: From when to when something was read; a row that is not over goes as far as readings do.
        rows_to_ms: Its rows are taken up to here.
        read_from_ms: From here on readings are read; a last row may not be whole yet.
    """

    from_ms: int
    to_ms: int
    rows_to_ms: int
    read_from_ms: int


class Source(NamedTuple):
    """What a period is drawn from.

    Attributes:
        grain: Summaries of this kind; None = readings alone. rows_to_ms, read_from_ms: See `Held`.
    """

    grain: Grain | None
    rows_to_ms: int
    read_from_ms: int


def readings_in(drive: DriveReading, period: Period) -> Period | None:
    """From when to when readings of torque are kept within a period."""
    found = drive.history.bounds(drive.drive, POSITION, *period)
    return Period(found[0], found[1] + 1) if found is not None else None


def held_in(drive: DriveReading, period: Period, readings: Period | None) -> dict[Grain, Held]:
    """What summaries hold of a period; an hour that has only begun holds what was read of it."""
    found: dict[Grain, Held] = {}
    try:
        for grain in Grain if drive.summaries is not None else ():
            covered = drive.summaries.covered(drive.drive, grain, *period) if drive.summaries is not None else None
            if covered is not None:
                found[grain] = held(covered, grain.span_ms, readings)
    except Damaged as fault:
        drive.summaries = None
        drive.history.damaged.append(f"{fault}; summaries are not shown")
        return {}
    if drive.summaries is not None and drive.summaries.damaged:
        told = [f"{fault}; summaries are not all shown" for fault in dict.fromkeys(drive.summaries.damaged)]
        drive.history.damaged += [text for text in told if text not in drive.history.damaged]
    return found


def held(covered: tuple[int, int], span_ms: int, readings: Period | None) -> Held:
    """What rows hold beside readings.

    Args:
        covered: Where the first and the last row with torque begin. span_ms: Length of a row.
        readings: Of the period; None = they are gone.
    """
    first, last = covered
    end = last + span_ms
    if readings is None:
        return Held(first, end, end, end)
    begin = readings.from_ms if first <= readings.from_ms < first + span_ms else first
    if readings.to_ms <= last:
        return Held(begin, end, end, end)
    if readings.from_ms <= last:
        return Held(begin, readings.to_ms, last, last)
    return Held(begin, readings.to_ms, end, readings.from_ms)


def recorded_in(drive: DriveReading, period: Period) -> Period | None:
    """From when to when a period holds anything of the drive by its summaries."""
    spans = [(kept.from_ms, kept.to_ms) for kept in held_in(drive, period, readings_in(drive, period)).values()]
    return Period(min(begin for begin, _ in spans), max(end for _, end in spans)) if spans else None


def source_for(drive: DriveReading, period: Period, columns: int, readings: Period | None) -> Source:
    """What to draw a period's torque from.

    Args:
        columns: Of the picture. readings: See `readings_in`.
    """
    there = held_in(drive, period, readings)
    kept: dict[Grain | None, int] = {grain: one.from_ms for grain, one in there.items()}
    if readings is not None:
        kept[None] = readings.from_ms
    grain = grain_for(*period, columns, kept)
    if grain is None or grain not in there:
        return Source(None, period.from_ms, period.from_ms)
    return Source(grain, there[grain].rows_to_ms, there[grain].read_from_ms)


def draw_rows(drive: DriveReading, grain: Grain, period: Period, picture: Picture) -> list[Period]:
    """Draw the torque of summaries in a period.

    Returns:
        Days in it whose summaries are damaged, where readings may be left; they are told with the history's damages.

    Raises:
        StoreError: They cannot be read.
    """
    gaps: list[Period] = []
    for rows in sound_rows(drive, grain, TORQUE, period, gaps):
        add_torque(rows, grain, picture)
    return gaps


def sound_rows(
    drive: DriveReading, grain: Grain, columns: Sequence[str], period: Period, gaps: list[Period]
) -> Iterator[Rows]:
    """Rows that touch a period, but for those of damaged days.

    Args:
        columns: See `SummaryReading.rows`. gaps: Takes the damaged days, as far as they lie in the period.

    Raises:
        StoreError: They cannot be read.
    """
    at = period.from_ms
    while drive.summaries is not None and at < period.to_ms:
        end = min(period.to_ms, (at // DAY_MS + SLICE_DAYS) * DAY_MS)
        try:
            yield from list(drive.summaries.rows(drive.drive, grain, columns, at, end))
        except Damaged as fault:
            yield from _by_days(drive, grain, columns, Period(at, end), gaps, fault)
        at = end


def _by_days(
    drive: DriveReading, grain: Grain, columns: Sequence[str], period: Period, gaps: list[Period], fault: Damaged
) -> Iterator[Rows]:
    before, at = len(gaps), period.from_ms
    while drive.summaries is not None and at < period.to_ms:
        end = min(period.to_ms, (at // DAY_MS + 1) * DAY_MS)
        try:
            yield from list(drive.summaries.rows(drive.drive, grain, columns, at, end))
        except Damaged:
            gaps.append(Period(at, end))
        at = end
    count = len(gaps) - before
    text = f"{fault}; summaries of {count} day{'s' if count > 1 else ''} are not shown"
    drive.history.damaged += [text] if text not in drive.history.damaged else []


def add_torque(rows: Rows, grain: Grain, picture: Picture) -> None:
    """Lowest, mean and highest torque of rows; reverse negative."""
    for side, sign in SIDES:
        n, low, mean, high = (rows.table[f"{side}.all.{what}"] for what in ("n", "min_nm", "mean_nm", "max_nm"))
        ends = (low, high) if sign > 0 else (-high, -low)
        mine = n > 0
        picture.add_rows(rows.utc_ms[mine], grain.span_ms, ends[0][mine], sign * mean[mine], ends[1][mine], n[mine])


def worth_of(rows: Rows) -> tuple[Floats, Floats, Floats]:
    """Of the readings of each row: how many, how many gave no torque, how many lay outside the calibrated span."""
    readings, absent = (rows.table[name].astype(np.float64) for name in WORTH[:2])
    outside: Floats = np.sum([rows.table[name] for name in OUTSIDE], axis=0, dtype=np.float64)
    return readings, absent, outside


def is_timed(role: str) -> bool:
    """Whether summaries say for how long a point was on: contacts by their stage, and the running feedback."""
    return role == "running" or role.startswith("contact:")


def draw_times(
    drive: DriveReading, role: str, source: Source, period: Period, pictures: tuple[Picture, Picture]
) -> None:
    """Draw for which part of the time a point was on, as far as that was known; of the alarm stage also beyond it.

    Args:
        source: With summaries. pictures: Of that part; and of the part of the time in which nobody knew.

    Raises:
        StoreError: They cannot be read.
    """
    grain = source.grain
    if drive.summaries is None or grain is None or period.to_ms <= period.from_ms:
        return
    on, off, unknown = _times(role)
    for rows in drive.summaries.rows(drive.drive, grain, [*on, *off, *unknown], *period):
        whole = [_summed(rows, names) for names in (on, off, unknown)]
        known, all_of = whole[0] + whole[1], whole[0] + whole[1] + whole[2]
        for picture, part, of in ((pictures[0], whole[0], known), (pictures[1], whole[2], all_of)):
            mine = of > 0.0
            share = part[mine] / of[mine]
            ends = np.where(share < 1.0, 0.0, 1.0), np.where(share > 0.0, 1.0, 0.0)
            picture.add_rows(rows.utc_ms[mine], grain.span_ms, ends[0], share, ends[1], of[mine] / 1e9)


def _summed(rows: Rows, names: list[str]) -> Floats:
    found = np.zeros(len(rows.utc_ms))
    for name in names:
        found += rows.table[name]
    return found


def _times(role: str) -> tuple[list[str], list[str], list[str]]:
    """Columns that hold how long it was on, off, and not known."""
    if role == "running":
        return ["drive.running_ns"], ["drive.stopped_ns"], []
    side, stage = role.removeprefix("contact:").split("/")[:2]
    on, off = (["alarm", "shutdown"], ["normal"]) if stage == "alarm" else (["shutdown"], ["normal", "alarm"])
    named = [[f"{side}.time.{name}_ns" for name in names] for names in (on, off, ["unknown"])]
    return named[0], named[1], named[2]
