"""One drive's duty out of its history: rows and counts by summaries, every reading for as long as those are kept.

Everything comes in slices; cycles that are not closed yet are carried over, so memory does not grow with the time.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from nightrake.domain.site import Direction, DriveSpec, Stage
from nightrake.errors import StoreError
from nightrake.history.period import Period
from nightrake.history.rows import HOUR_MS, Grain
from nightrake.learning.duty import Basis, Counts, Cycles, Duty, Rule
from nightrake.learning.dutytold import agreement, told_counts, told_duty
from nightrake.learning.dutywords import day, figure
from nightrake.learnreading.dutyhours import Times, hours_at_torque, times_of
from nightrake.learnreading.dutyscans import Energy, energy_of, scans_of
from nightrake.learnreading.dutysummaries import RowCount, rows_of
from nightrake.longterm.drivereading import DriveReading
from nightrake.longterm.summaryreading import SummaryReading

BASES = {Grain.MINUTE: Basis.MINUTES, Grain.HOUR: Basis.HOURS}
MOST = 0.9
"""Share of the time read that something must cover to be told as of all of it."""
NO_ENERGY = Energy(0.0, 0.0, 0, 0)


class Asked(NamedTuple):
    """What is wanted of a drive's duty.

    Attributes:
        grain: Rows that cycles and starts are counted from, MINUTE or HOUR.
        scans: Whether cycles are counted from every reading as well, and energy is summed up: seconds for each drive.
        hours: Whether hours at torque are read: of two years two thirds of the time that rows take.
        rule: None = by the drive's shutdown torque, or else the end of its record.
    """

    grain: Grain = Grain.MINUTE
    scans: bool = True
    hours: bool = True
    rule: Rule | None = None


EVERYTHING = Asked()
FOR_A_SITE = Asked(Grain.HOUR, scans=False)


class Overloads(NamedTuple):
    """Operations in service of one direction's stages, and changes that were counted only."""

    alarms: int = 0
    shutdowns: int = 0
    counted: int = 0


NONE = Overloads()


def read_duty(
    reading: DriveReading,
    spec: DriveSpec,
    direction: Direction,
    period: Period,
    overloads: Overloads = NONE,
    asked: Asked = EVERYTHING,
) -> Duty:
    """The duty of one direction of a drive.

    Args:
        reading: Of the drive. spec: As it is now. period: UTC; hours at torque are of the whole days that it touches.
        overloads: From the journal (`learnreading.contacts`). asked: See there.

    Returns:
        Always one; what could not be read stands in its remarks.
    """
    met: list[str] = []
    rule = asked.rule or rule_of(spec, direction)
    if rule is None:
        met.append(
            f"{spec.id} states neither a shutdown torque nor a calibration record for its {direction} direction."
        )
    made = _Making(reading, spec, direction, period, asked, rule, met)
    try:
        found = made.duty(overloads)
    except StoreError as error:
        met.append(f"Not all of it could be read: {error}.")
        found = made.nothing()
    return told_duty(found, tuple(dict.fromkeys(met)), is_torque_asked=asked.hours)


def rule_of(spec: DriveSpec, direction: Direction) -> Rule | None:
    """What sums are told in; None = nothing is known to tell them in."""
    shutdown_nm = spec.set_point_nm(direction, Stage.SHUTDOWN)
    if shutdown_nm > 0.0:
        return Rule(shutdown_nm)
    curve = spec.calibrations.get(direction)
    return Rule(abs(curve.torque_nm[-1]), "the end of the calibration record") if curve is not None else None


class _Making:
    """Puts one duty together."""

    def __init__(
        self,
        reading: DriveReading,
        spec: DriveSpec,
        direction: Direction,
        period: Period,
        asked: Asked,
        rule: Rule | None,
        met: list[str],
    ) -> None:
        self._reading, self._spec, self._side, self._period = reading, spec, direction, period
        self._asked, self._rule, self._met = asked, rule, met

    def nothing(self) -> Duty:
        """Where nothing could be read."""
        counts = self._counts([], NONE, NO_ENERGY)
        return Duty(self._spec.id, str(self._side), *self._period, counts, None, (), "", "")

    def duty(self, overloads: Overloads) -> Duty:
        """All of it.

        Raises:
            StoreError: It cannot be read.
        """
        at_torque, said, rows, cycles = None, "", list[tuple[Grain, RowCount]](), list[Cycles]()
        if self._reading.summaries is None:
            self._met.append("There are no summaries of torque.")
        else:
            rows = self._rows(self._reading.summaries)
            cycles += (found for grain, row in rows for found in self._of(grain, row))
            if self._rule is not None and self._asked.hours:
                given = self._spec, self._side, self._period, self._rule, self._met
                at_torque = hours_at_torque(self._reading.summaries, *given)
        energy = NO_ENERGY
        if self._asked.scans:
            cycles, said = self._with_scans(cycles)
            energy = energy_of(self._reading, self._spec, self._period)
        if len(self._spec.directions) > 1 and cycles:
            self._met.append("Cycles are those of both directions together, reverse torque as negative.")
        counts = self._counts(rows, overloads, energy)
        return Duty(self._spec.id, str(self._side), *self._period, counts, at_torque, tuple(cycles), said, "")

    def _rows(self, summaries: SummaryReading) -> list[tuple[Grain, RowCount]]:
        """By grain; the last one is of the whole time: where minutes are not, hours are counted too, and it is said."""
        given = summaries, self._spec, self._period
        first = rows_of(*given, self._asked.grain, self._rule, self._met)
        if self._asked.grain is Grain.HOUR:
            return [(Grain.HOUR, first)]
        hours_h = times_of(summaries, self._spec.id, self._period, []).covered
        if first.times.covered >= MOST * hours_h:
            return [(Grain.MINUTE, first)]
        self._met.append(
            f"Minutes are kept of {figure(first.times.covered)} h of {figure(hours_h)} h in which it was read."
        )
        return [(Grain.MINUTE, first), (Grain.HOUR, rows_of(*given, Grain.HOUR, self._rule, []))]

    def _of(self, grain: Grain, rows: RowCount) -> list[Cycles]:
        if rows.counting is None or rows.period is None:
            return []
        running_h = rows.times.running if self._spec.running is not None else math.nan
        return [rows.counting.cycles(BASES[grain], *rows.period, running_h)]

    def _with_scans(self, cycles: list[Cycles]) -> tuple[list[Cycles], str]:
        """With cycles counted from every reading, and how rows of the same time compare."""
        rule, summaries = self._rule, self._reading.summaries
        found = scans_of(self._reading, self._spec.stale_ns, self._period, rule) if rule is not None else None
        if rule is None or found is None:
            return cycles, ""
        times = times_of(summaries, self._spec.id, found.period, []) if summaries is not None else None
        has_run = times is not None and self._spec.running is not None
        running_h = times.running if times is not None and has_run else math.nan
        scans, said = found.counting.cycles(Basis.SCANS, *found.period, running_h), ""
        if times is not None and found.hours < MOST * times.covered:
            text = f"Every reading is kept for {figure(found.hours)} h of the {figure(times.covered)} h from "
            self._met.append(f"{text}{day(found.period.from_ms)} to {day(found.period.to_ms)}.")
        elif summaries is not None:
            span_ms = self._asked.grain.span_ms
            whole_rows = Period(-(-found.period.from_ms // span_ms) * span_ms, found.period.to_ms)
            rows = rows_of(summaries, self._spec, whole_rows, self._asked.grain, rule, [])
            said = next((agreement(one, scans) for one in self._of(self._asked.grain, rows)), "")
        return [*cycles, scans], said

    def _counts(self, rows: Sequence[tuple[Grain, RowCount]], overloads: Overloads, energy: Energy) -> Counts:
        has_run = self._spec.running is not None
        period_h = (self._period.to_ms - self._period.from_ms) / HOUR_MS
        if overloads.counted:
            self._met.append(f"{overloads.counted} changes of its contacts were counted only and are in no figure.")
        times = rows[-1][1].times if rows else Times()
        # Each grain proves so many at least; the one that proves most is told, under its name.
        proved = [(row.starts, BASES[grain]) for grain, row in rows if has_run and row.starts is not None]
        starts, basis = max(proved, key=lambda one: one[0], default=(None, None))
        found = Counts(
            times.running if has_run else math.nan,
            times.covered,
            period_h,
            starts,
            basis,
            overloads.alarms,
            overloads.shutdowns,
            energy.kwh if energy.hours > 0.0 else None,
            energy.hours,
            energy.from_utc_ms,
            energy.to_utc_ms,
            sentence="",
        )
        return told_counts(found, max(0.0, times.covered - times.running - times.stopped))


__all__ = ["EVERYTHING", "FOR_A_SITE", "Asked", "Overloads", "RowCount", "read_duty", "rule_of"]
