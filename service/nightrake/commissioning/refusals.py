"""What a calibration record is refused for, one clear sentence each. Nothing is written while there is one."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from itertools import pairwise

from nightrake.commissioning.mixups import unit_mixups
from nightrake.commissioning.points import (
    FACTORY_OUTPUT,
    FALLING,
    FORMS,
    RISING,
    SHORT_FORMS,
    CalibrationPoint,
    RecordContent,
)
from nightrake.errors import CalibrationError

LEAST_LEVELS = 3
"""Different torques on each branch: a line through two has nothing to show its error by."""
MOST_POINTS = 2000
MOST_YEARS = 20
"""A record that is due again later than this is never due (common practice, no source)."""
LONGEST = {
    "device_serial": 80,
    "made_by": 80,
    **dict.fromkeys(("place", "reference_standard", "method_detail", "transducer"), 200),
    "remarks": 4000,
}
"""Characters that a record file takes, by key."""
LEAST_TRAVEL_MM = 0.2
SAME_TORQUE_TRAVEL = 0.05
"""At one torque the arm of one branch stands within this share of its travel (common practice, no source)."""
HELD = 4.0
"""An arm that moves this many times less than usual for its torque is held by its preload or the end of its travel."""


class RecordRefused(CalibrationError):
    """A record that cannot be made; `sentences` says all that is wrong with it."""

    def __init__(self, sentences: Sequence[str]) -> None:
        self.sentences = tuple(sentences)
        super().__init__("\n".join(self.sentences))


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of the drive apart from the record; everything may be left out.

    Attributes:
        today: The day on which the record is made. shutdown_nm: The drive's shutdown torque, 0 = not stated.
        span_mm: Largest position that the transducer can show, 0 = not known.
        nm_per_mm: Slope of the record before, or of the data sheet, 0 = not known.
        drive_since: The day from which the device has been on the drive.
        serials: Serial -> drive, of the other drives' devices.
    """

    today: date | None = None
    shutdown_nm: float = 0.0
    span_mm: float = 0.0
    nm_per_mm: float = 0.0
    drive_since: date | None = None
    serials: Mapping[str, str] = field(default_factory=dict)


def refusals(content: RecordContent, known: Known) -> list[str]:
    """Everything that is wrong with a record before its fit; empty where it may be made."""
    found = [*head_refusals(content, known), *_points(content)]
    if not found:  # what follows would only repeat it in other words
        found = [*_movement(content)]
    if not found:
        found = [*unit_mixups(content, known.shutdown_nm, known.span_mm, known.nm_per_mm)]
    if not found:
        found = [*([*_falls(content)] or _apart(content)), *_contacts(content)]
    return found


def head_refusals(content: RecordContent, known: Known) -> Iterator[str]:
    """What is wrong with a record's head, each sentence beginning with the key; a dialogue asks before any point."""
    for key in ("drive", "device_serial", "made_by", "made_on"):
        if not getattr(content, key):
            yield f"{key} is empty; give it"
    yield from _texts(content)
    other = known.serials.get(content.device_serial)
    if other is not None and other != content.drive:
        yield (
            f"device_serial '{content.device_serial}' is also that of drive {other}; a device is on one drive: correct "
            "one of them"
        )
    yield from _dates(content, known)
    if content.form not in ("", *FORMS):
        yield f"form is '{content.form[:32]}'; expected {', '.join(SHORT_FORMS)}, or leave it out"
    if content.reference_uncertainty_pct is None:
        yield "reference_uncertainty_pct is missing; give the expanded uncertainty (k = 2) of the reference standard"
    if content.method != FACTORY_OUTPUT and content.method_uncertainty_pct is None:
        what = "the radius" if content.method == "rakes tied off" else "ratio and efficiency"
        yield f"method_uncertainty_pct is missing; '{content.method}' needs the expanded uncertainty (k = 2) of {what}"
    for key in (
        "reference_uncertainty_pct method_uncertainty_pct resolution_mm transducer_error_mm temperature_range_k"
    ).split():
        value = getattr(content, key)
        if value is not None and not (math.isfinite(value) and value >= 0.0):
            yield f"{key} is {value:g}; expected a number of 0 or more"


def _texts(content: RecordContent) -> Iterator[str]:
    """What a record file could not hold, or nobody could read."""
    for key, longest in LONGEST.items():
        text = getattr(content, key)
        if len(text) > longest:
            yield f"{key} is {len(text)} characters long; at most {longest} fit"
        elif key != "remarks" and any(ord(c) < 32 or ord(c) == 127 for c in text):
            yield f"{key} holds a control character; write it on one line"
    if len(content.points) > MOST_POINTS:
        yield f"there are {len(content.points)} points; a record takes {MOST_POINTS}"


def _dates(content: RecordContent, known: Known) -> Iterator[str]:
    made, due = day_of(content.made_on), day_of(content.due_on)
    if content.made_on and made is None:
        yield f"made_on is '{content.made_on}'; expected a date such as 2026-03-14"
    if content.due_on and due is None:
        yield f"due_on is '{content.due_on}'; expected a date such as 2028-03-14"
    if made is None:
        return
    if due is not None and due <= made:
        yield f"due_on is {due}, not after the day it was made, {made}; correct one of them"
    elif due is not None and due.year - made.year > MOST_YEARS:
        yield f"due_on is {due}, more than {MOST_YEARS} years on; correct the date"
    if known.today is not None and made > known.today:
        yield f"made_on is {made}, which is still to come; correct the date"
    if known.drive_since is not None and made < known.drive_since:
        yield (
            f"made_on is {made}, before the device came onto drive {content.drive} on {known.drive_since}; the record "
            "belongs to another device, or one of the dates is wrong"
        )


def day_of(text: str) -> date | None:
    """An ISO date, or None."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None


def _points(content: RecordContent) -> Iterator[str]:
    reverse = content.direction == "reverse"
    for number, p in enumerate(content.points, 1):
        if not (math.isfinite(p.torque_nm) and math.isfinite(p.position_mm)):
            yield f"{_place(number, p)}: torque and position have to be finite numbers"
        elif reverse and p.position_mm > 0.0:
            yield f"{_place(number, p)}: the position is positive; positions of the reverse direction are negative"
        elif not reverse and (p.position_mm < 0.0 or p.torque_nm < 0.0):
            yield f"{_place(number, p)}: torque and position of the forward direction are not negative"
        elif not (math.isfinite(p.weight) and p.weight > 0.0):
            yield f"{_place(number, p)}: the weight is {p.weight:g}; expected a number above 0"
    levels = {name: len({abs(p.torque_nm) for p in content.branch(name)}) for name in (RISING, FALLING)}
    for name, other in ((RISING, FALLING), (FALLING, RISING)):
        if not levels[name] and levels[other]:
            yield (f"there are only {other} points; take {name} ones too, or friction and backlash would stay unknown")
        elif levels[name] < LEAST_LEVELS:
            yield f"there are {levels[name]} different {name} torques; a record needs {LEAST_LEVELS} or more"


def _place(number: int, p: CalibrationPoint) -> str:
    return f"point {number} ({p.branch}, run {p.run}, {p.torque_nm:g} N.m)"


def _movement(content: RecordContent) -> Iterator[str]:
    positions = [p.pair[0] for p in content.points]
    travel = max(positions) - min(positions)
    if travel <= max(LEAST_TRAVEL_MM, 5.0 * (content.resolution_mm or 0.0)):
        yield (
            f"the arm moved only {travel:.3g} mm over all points; it is bound, or the transducer is not read: look at "
            "the arm"
        )


def _falls(content: RecordContent) -> Iterator[str]:
    """Within a run and branch more torque has to move the arm further out, about as far everywhere."""
    for (branch, run), points in runs_of(content).items():
        pairs = list(pairwise(sorted((p.pair for p in points), key=lambda pair: pair[1])))
        steps = sorted((t1 - t0) / (x1 - x0) for (x0, t0), (x1, t1) in pairs if x1 > x0)
        usual = steps[len(steps) // 2] if steps else 0.0
        for (x0, t0), (x1, t1) in pairs:
            if t1 <= t0 or (x1 > x0 and t1 - t0 <= HELD * usual * (x1 - x0)):
                continue
            why = "hardly moved" if x1 > x0 else "stood still" if x1 == x0 else "went back"
            yield (
                f"{branch} branch, run {run}: from {t0:g} to {t1:g} N.m the arm {why} ({x0:g} to {x1:g} mm); leave out "
                "torques that the preload or the end of travel holds, or take the run again"
            )
            break


def _apart(content: RecordContent) -> Iterator[str]:
    """Points of one branch at one torque whose positions cannot both be right."""
    positions = [p.pair[0] for p in content.points]
    most_mm = SAME_TORQUE_TRAVEL * (max(positions) - min(positions))
    for branch in (RISING, FALLING):
        by_torque: dict[float, list[float]] = {}
        for p in content.branch(branch):
            by_torque.setdefault(p.pair[1], []).append(p.pair[0])
        for torque_nm, at in by_torque.items():
            if max(at) - min(at) > most_mm:
                yield (
                    f"{branch} branch: at {torque_nm:g} N.m the arm stands at {min(at):g} and at {max(at):g} mm; one "
                    "of the two is wrong: drop it, or take the run again"
                )


def runs_of(content: RecordContent) -> dict[tuple[str, int], list[CalibrationPoint]]:
    """The points of each branch and run."""
    runs: dict[tuple[str, int], list[CalibrationPoint]] = {}
    for p in content.points:
        runs.setdefault((p.branch, p.run), []).append(p)
    return runs


def _contacts(content: RecordContent) -> Iterator[str]:
    positions = [p.pair[0] for p in content.points]
    low, high = min(positions), max(positions)
    for c in content.contact_points:
        what = f"{c.stage} contact {c.channel}, {c.state}"
        operating, release = abs(c.operating_mm), abs(c.release_mm)
        for name, at in (("operates", operating), ("releases", release)):
            if not low <= at <= high:
                yield (
                    f"{what}: it {name} at {at:g} mm, outside the calibrated points ({low:g} to {high:g} mm); take "
                    "points on both sides of it"
                )
        if release > operating:
            yield f"{what}: it releases at {release:g} mm, beyond where it operates ({operating:g} mm); swap the two"
