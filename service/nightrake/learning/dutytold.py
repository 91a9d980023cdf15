"""Duty in sentences. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from nightrake.learning.dutytypes import Basis, Between, Counts, Cycles, Duty, Rule, TimeAtTorque
from nightrake.learning.dutywords import day, figure, several, torque

NO_LIFE = "a figure to compare drives and months by, not a statement of life"
ROWS = (
    "Of a row only the lowest and highest torque is known: the end nearer to the row before is taken first, and swings "
    "that stay inside of a row are missing"
)
LARGE = 5
"""Classes of range, each 1 % of the reference torque, that are as good as noise and ripple."""


def between(found: Between, digits: int = 2) -> str:
    """``3.2``, or ``2.1 to 3.4`` where the two differ."""
    low, high = figure(found.low, digits), figure(found.high, digits)
    return low if low == high else f"{low} to {high}"


def told_cycles(found: Cycles, rule: Rule, beyond: int, *, is_censored: bool) -> Cycles:
    """With its sentence and remarks.

    Args:
        beyond: Readings, or rows, beyond the record's span. is_censored: Some were below what can be measured.
    """
    where = f"{day(found.from_utc_ms)} to {day(found.to_utc_ms)}, counted from {found.basis}"
    if not found.total:
        return replace(found, sentence=f"No cycle of torque in {where}.")
    done = f"{'at least ' if is_censored else ''}as much as {figure(found.equivalent.low, 2)}"
    sentence = (
        f"{figure(found.total)} cycles of torque, the largest of {torque(found.largest_nm)} ({where}); by Miner's rule "
        f"with exponent {found.exponent:g} they do {done} cycles between nothing and "
        f"{rule.reference} ({torque(found.reference_nm)}): {NO_LIFE}."
    )
    remarks = []
    if found.basis is not Basis.SCANS:
        remarks.append(f"{ROWS}.")
    if is_censored:
        remarks.append(
            "Some readings were below what can be measured: cycles are counted down to that limit. Were each of these "
            f"readings nothing, they would do as much as {figure(found.equivalent.high, 2)} such cycles."
        )
    if beyond:
        remarks.append("Some torques were beyond what the record covers and count as its end, so the sum is too low.")
    return replace(found, sentence=sentence, remarks=tuple(remarks))


def told_hours(found: TimeAtTorque, rule: Rule) -> TimeAtTorque:
    """With its sentence and remarks."""
    what = "h of running" if found.is_running else "h (whether the motor ran is not known)"
    sentence = (
        f"{figure(found.total_h)} {what} from {day(found.from_utc_ms)} to {day(found.to_utc_ms)}: by Miner's rule with "
        f"exponent {found.exponent:g} as much as {between(found.equivalent_h)} h at {rule.reference} "
        f"({torque(found.reference_nm)}); {NO_LIFE}."
    )
    remarks = []
    if found.below_h:
        remarks.append(
            f"{_share(found.below_h, found.total_h)} of it the torque was below what can be measured (at most "
            f"{torque(found.below_nm)}): the lower figure takes that as nothing, the higher one as that limit."
        )
    if found.beyond_h:
        remarks.append(
            f"For {figure(found.beyond_h, 2)} h the torque was beyond what the record covers "
            f"({torque(found.beyond_nm)}) and counts as its end, so the sum is too low."
        )
    return replace(found, sentence=sentence, remarks=tuple(remarks))


def told_counts(found: Counts, unknown_h: float = 0.0) -> Counts:
    """With its sentence and remarks.

    Args:
        unknown_h: How long run feedback said nothing although the drive was read.
    """
    parts = []
    if math.isnan(found.running_h):
        parts.append(f"read for {figure(found.covered_h)} h (there is no run feedback)")
    else:
        parts.append(f"ran for {figure(found.running_h)} h of {figure(found.covered_h)} h in which it was read")
    if found.starts is not None:
        parts.append(f"at least {several(found.starts, 'start')}" if found.starts else "no start seen")
    parts.append(f"{several(found.alarms, 'alarm')} and {several(found.shutdowns, 'shutdown')} in service")
    if found.energy_kwh is not None:
        parts.append(
            f"{figure(found.energy_kwh)} kWh in the {figure(found.energy_h)} h from {day(found.energy_from_utc_ms)} to "
            f"{day(found.energy_to_utc_ms)} of which power is kept"
        )
    remarks = []
    if found.covered_h < 0.99 * found.period_h:
        remarks.append(f"Nothing was read for {_share(found.period_h - found.covered_h, found.period_h)} of the time.")
    if unknown_h > 0.01 * found.covered_h and not math.isnan(found.running_h):
        remarks.append(f"Run feedback said nothing for {figure(unknown_h, 2)} h, which are in no sum of running time.")
    if found.starts_basis is Basis.HOURS:
        remarks.append("Starts are counted from hours: a stop and a start within one of them are not seen.")
    text = "; ".join(parts)
    return replace(found, sentence=f"{text[0].upper()}{text[1:]}.", remarks=tuple(remarks))


def agreement(rows: Cycles, scans: Cycles) -> str:
    """What rows find of what all readings of the same time find; "" where there is nothing to compare."""
    if not scans.total or not scans.equivalent.high:
        return ""
    large = float(scans.count[LARGE:].sum())
    many = f"{100.0 * float(rows.count[LARGE:].sum()) / large:.0f} % of the larger cycles, " if large else ""
    every, done = 100.0 * rows.total / scans.total, 100.0 * rows.equivalent.high / scans.equivalent.high
    return (
        f"From {day(scans.from_utc_ms)} to {day(scans.to_utc_ms)}, of which every reading is kept, {rows.basis} gives "
        f"{many}{every:.0f} % of all cycles, and {done:.0f} % of what they do by Miner's rule."
    )


def told_duty(found: Duty, remarks: Sequence[str] = (), *, is_torque_asked: bool = True) -> Duty:
    """With the whole in one sentence.

    Args:
        remarks: Put behind its own. is_torque_asked: Whether hours at torque were looked for.
    """
    parts = [found.counts.sentence.rstrip(".")]
    if found.at_torque is not None:
        hours = found.at_torque
        parts.append(
            f"the load was as a steady {_torques(hours.equivalent_nm)} (Miner's rule, exponent {hours.exponent:g})"
        )
    elif is_torque_asked:
        parts.append("no torque is known")
    if found.cycles:
        parts.append(f"its torque swung by up to {torque(max(c.largest_nm for c in found.cycles))}")
    return replace(found, sentence=f"{'; '.join(parts)}.", remarks=(*found.remarks, *remarks))


def _torques(found: Between) -> str:
    low, high = torque(found.low), torque(found.high)
    return low if low == high else f"{low} to {high}"


def _share(part: float, whole: float) -> str:
    return f"{100.0 * part / whole:.0f} %" if whole > 0.0 else "none"
