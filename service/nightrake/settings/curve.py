"""The points of a calibration record -> its two branches, or what is wrong with them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise

from nightrake.settings.lines import Path as KeyPath
from nightrake.settings.models import DriveTable
from nightrake.settings.recordmodels import CalibrationPoint, CalibrationTable

Pair = tuple[float, float]
"""Position in mm, torque in N.m as magnitude."""
Note = Callable[[KeyPath, str], None]

SPAN = (0.2, 5.0)
"""A record's highest torque, as a multiple of the drive's shutdown torque, is within this."""
UNITS = (
    (1.0 / 1000.0, "kN.m in place of N.m"),
    (1000.0, "mN.m in place of N.m"),
    (1.0 / 9.80665, "kgf.m in place of N.m"),
    (8.850746, "lbf.in in place of N.m"),
    (12.0, "lbf.in taken for lbf.ft"),
    (1.0 / 12.0, "lbf.ft taken for lbf.in"),
)
"""Ratio to the shutdown torque -> what is likely then. Source: the definitions of the units."""
INCH_MM = 25.4


def curve_points(table: CalibrationTable, drive: DriveTable | None, wrong: Note) -> tuple[list[Pair], list[Pair]]:
    """Both branches, averaged over the runs, in the order of rising magnitude.

    Args:
        table: The record. drive: Its drive, if there is one. wrong: Takes mistakes.

    Returns:
        Rising and falling branch as (position in mm, torque in N.m >= 0); only to be used when there was no mistake.
    """
    check_signs(table, wrong)
    rising, falling = _branch(table, "rising", wrong), _branch(table, "falling", wrong)
    if rising is None or falling is None:
        return [], []
    if len(rising) < 2:
        wrong(("point",), f"has {len(rising)} rising point(s); a record needs two or more")
    elif drive is not None:
        _check_units(rising, table, drive, wrong)
    return rising, falling


def check_fitted_points(table: CalibrationTable, drive: DriveTable | None, wrong: Note) -> None:
    """What can be said of the points of a record that brings its own fit: signs, branches and units."""
    check_signs(table, wrong)
    for name in ("rising", "falling"):
        if not any(p.branch == name for p in table.point):
            wrong(("point",), f"has no {name} point; a fit needs both branches")
    pairs = sorted(((p.position_mm, abs(p.torque_nm)) for p in table.point), key=_magnitude)
    if drive is not None and pairs:
        _check_units(pairs, table, drive, wrong)


def check_signs(table: CalibrationTable, wrong: Note) -> None:
    """Note each point on the wrong side of zero for the record's direction."""
    reverse = table.direction == "reverse"
    for number, point in enumerate(table.point):
        if reverse and point.position_mm > 0.0:
            wrong(("point", number, "position_mm"), "is positive; positions of the reverse direction are negative")
        if not reverse and point.torque_nm < 0.0:
            wrong(("point", number, "torque_nm"), "is negative; torques of the forward direction are positive")


def _branch(table: CalibrationTable, branch: str, wrong: Note) -> list[Pair] | None:
    """One branch averaged over its runs: point by point where all runs have as many, else by equal torque.

    None where a mistake was noted.
    """
    runs: dict[int, list[CalibrationPoint]] = {}
    for point in table.point:
        if point.branch == branch:
            runs.setdefault(point.run, []).append(point)
    pairs = [sorted(((p.position_mm, abs(p.torque_nm)) for p in run), key=_magnitude) for run in runs.values()]
    if branch == "rising":
        rise = [_rises(run, table, f"run {n}", wrong) for n, run in zip(runs, pairs, strict=True)]
        if not all(rise):
            return None
    if len({len(p) for p in pairs}) > 1:
        by_torque: dict[float, list[Pair]] = {}
        for pair in (p for run in pairs for p in run):
            by_torque.setdefault(pair[1], []).append(pair)
        mean = [_mean(group) for _, group in sorted(by_torque.items())]
    else:
        mean = [_mean(group) for group in zip(*pairs, strict=True)]
    if branch == "rising" and len(pairs) > 1 and not _rises(mean, table, "the mean of the runs", wrong):
        return None
    return mean


def _magnitude(pair: Pair) -> Pair:
    return (abs(pair[0]), pair[1])


def _mean(group: Sequence[Pair]) -> Pair:
    return (sum(x for x, _ in group) / len(group), sum(t for _, t in group) / len(group))


def _rises(pairs: Sequence[Pair], table: CalibrationTable, what: str, wrong: Note) -> bool:
    """Whether position and torque both rise from point to point; the first that does not is noted."""
    for (x0, t0), (x1, t1) in pairwise(pairs):
        if abs(x1) > abs(x0) and t1 > t0:
            continue
        number = next((i for i, p in enumerate(table.point) if (p.position_mm, abs(p.torque_nm)) == (x1, t1)), None)
        path: KeyPath = ("point",) if number is None else ("point", number)
        if x1 == x0:
            text = f"stands at {x1:g} mm like the point before it; leave out torques that the preload holds back"
        else:
            text = f"torque does not rise from {x0:g} mm ({t0:g} N.m) to {x1:g} mm ({t1:g} N.m)"
            text += "; a reading could not be told from these points"
        wrong(path, f"rising branch, {what}: {text}")
        return False
    return True


def _check_units(rising: Sequence[Pair], table: CalibrationTable, drive: DriveTable, wrong: Note) -> None:
    """Torque and position against what the drive's own settings say."""
    top_mm, top_nm = abs(rising[-1][0]), rising[-1][1]
    number = max(range(len(table.point)), key=lambda i: abs(table.point[i].torque_nm))
    shutdown_nm = (table.direction == "reverse" and drive.shutdown_reverse_nm) or drive.shutdown_nm
    if shutdown_nm:
        ratio = top_nm / shutdown_nm
        if not SPAN[0] <= ratio <= SPAN[1]:
            near = " or ".join(words for value, words in UNITS if 0.8 < ratio / value < 1.6)
            hint = f"; were units mixed up ({near})?" if near else "; were units mixed up, or is it another drive's?"
            text = f"the highest torque, {top_nm:g} N.m, is {ratio:.3g} times the drive's shutdown torque"
            wrong(("point", number, "torque_nm"), text + hint)
    if drive.position is not None:
        ends = (abs(drive.position.lo_mm), abs(drive.position.hi_mm))
        span_mm = max(ends)
        if top_mm * INCH_MM <= 1.3 * span_mm and top_mm * INCH_MM >= 0.5 * span_mm:
            text = f"the arm's travel, {top_mm:g} mm, is small beside the transducer's {span_mm:g} mm"
            wrong(("point", number, "position_mm"), f"{text}; were inches given in place of mm?")
        elif top_mm > 5.0 * span_mm:
            text = f"the arm's travel, {top_mm:g} mm, is far beyond the transducer's {span_mm:g} mm"
            wrong(("point", number, "position_mm"), f"{text}; were units mixed up?")
