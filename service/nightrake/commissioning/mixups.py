"""Units mixed up in a record, recognised by their factors and suggested."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from nightrake.commissioning.points import CalibrationPoint, RecordContent

TORQUE_FACTORS = (
    (1000.0, "mN.m given in place of N.m"),
    (1.0 / 1000.0, "kN.m given in place of N.m"),
    (8.850746, "lbf.in given in place of N.m"),
    (1.0 / 8.850746, "N.m taken for lbf.in and converted once too often"),
    (12.0, "lbf.in taken for lbf.ft"),
    (1.0 / 12.0, "lbf.ft taken for lbf.in"),
    (9.80665, "N.m taken for kgf.m"),
    (1.0 / 9.80665, "kgf.m given in place of N.m"),
    (1.355818, "N.m taken for lbf.ft and converted once too often"),
    (1.0 / 1.355818, "lbf.ft given in place of N.m"),
)
"""Ratio to the right torque -> what is likely then. Source: the definitions of the units (NIST SP 811 B.8)."""
LENGTH_FACTORS = (
    (1.0 / 25.4, "inches given in place of mm"),
    (25.4, "mm taken for inches"),
    (0.1, "cm given in place of mm"),
    (10.0, "mm taken for cm"),
    (0.001, "m given in place of mm"),
    (1000.0, "micrometres given in place of mm"),
)
SLOPE_FACTORS = (*TORQUE_FACTORS, *((1.0 / value, words) for value, words in LENGTH_FACTORS))
PLAIN = (0.2, 5.0)
"""The highest torque of a record lies between these multiples of the shutdown torque."""
USUAL = 1.1
"""A record usually ends a little above the shutdown torque; from this share the factor is guessed."""
SAME_SLOPE = 1.3
"""Slopes of one device agree better than this, whatever was adjusted; a wrong unit makes a larger step."""
CLOSE = 1.12
"""How near a ratio must be to a factor to be taken for it, where both were measured."""


def unit_mixups(content: RecordContent, shutdown_nm: float, span_mm: float, nm_per_mm: float) -> Iterator[str]:
    """What looks like a wrong unit: in all torques, in all positions, or in one run alone.

    Args:
        shutdown_nm: Of the drive, 0 = not stated. span_mm: Largest position of the transducer, 0 = not known.
        nm_per_mm: Slope of an earlier record of this device as it is now, 0 = none.
    """
    torque, length = _torque(content, shutdown_nm), _length(content, span_mm)
    yield from (s for s in (torque, length) if s)
    if not torque and not length:
        yield from _slope(content, nm_per_mm) if nm_per_mm else ()
        yield from _runs(content)


def _torque(content: RecordContent, shutdown_nm: float) -> str:
    top = max(p.pair[1] for p in content.points)
    ratio = top / shutdown_nm if shutdown_nm else 1.0
    if PLAIN[0] <= ratio <= PLAIN[1]:
        return ""
    hint = _nearest(ratio / USUAL, TORQUE_FACTORS, 1.5) or "is it another drive's record?"
    return f"the highest torque, {top:g} N.m, is {ratio:.3g} times the drive's shutdown torque: {hint}"


def _length(content: RecordContent, span_mm: float) -> str:
    top = max(p.pair[0] for p in content.points)
    if not span_mm or top <= 1.1 * span_mm:
        # Little travel alone is no mistake; a travel that is the span's in inches nearly always is.
        if not span_mm or not 0.5 * span_mm <= 25.4 * top <= 1.1 * span_mm:
            return ""
        return (
            f"the arm's travel, {top:g} mm, is small beside the transducer's {span_mm:g} mm: were inches given in "
            "place of mm?"
        )
    hint = _nearest(top / span_mm, LENGTH_FACTORS, 1.5) or "were units mixed up?"
    return f"the arm's travel, {top:g} mm, is beyond the transducer's {span_mm:g} mm: {hint}"


def _slope(content: RecordContent, nm_per_mm: float) -> Iterator[str]:
    ratio = slope_of(content.points) / nm_per_mm
    if 1.0 / SAME_SLOPE < ratio < SAME_SLOPE:
        return
    hint = _nearest(ratio, SLOPE_FACTORS, CLOSE)
    if hint:
        more = "or was the device altered since (its springs, say; then state what under 'altered')?"
        yield f"torque for each mm is {ratio:.3g} times that of the record before: {hint.rstrip('?')}, {more}"


def _runs(content: RecordContent) -> Iterator[str]:
    """One run or branch whose torques or positions are a factor away from the others'."""
    groups: dict[tuple[str, int], list[CalibrationPoint]] = {}
    for p in content.points:
        groups.setdefault((p.branch, p.run), []).append(p)
    slopes = {key: slope_of(points) for key, points in groups.items() if len(points) > 1}
    middle = sorted(slopes.values())[(len(slopes) - 1) // 2] if slopes else 0.0
    for (branch, run), slope in slopes.items():
        ratio = slope / middle if middle > 0.0 else 1.0
        hint = "" if 1.0 / SAME_SLOPE < ratio < SAME_SLOPE else _nearest(ratio, SLOPE_FACTORS, CLOSE)
        if hint:
            yield f"{branch} branch, run {run}: torque for each mm is {ratio:.3g} times the other runs': {hint}"


def slope_of(points: Sequence[CalibrationPoint]) -> float:
    """Torque for each mm of travel between the lowest and the highest torque; 0 where the arm did not move."""
    low, high = (f((p.pair for p in points), key=lambda pair: pair[1]) for f in (min, max))
    return (high[1] - low[1]) / (high[0] - low[0]) if high[0] > low[0] else 0.0


def _nearest(ratio: float, factors: Sequence[tuple[float, str]], within: float) -> str:
    """``were units mixed up (...)?`` for the factors that a ratio is close to; two where both are."""
    if ratio <= 0.0:
        return ""
    off = sorted((abs(math.log(ratio / value)), words) for value, words in factors)
    near = [words for distance, words in off if distance < math.log(within)]
    return f"were units mixed up ({' or '.join(near[:2])})?" if near else ""
