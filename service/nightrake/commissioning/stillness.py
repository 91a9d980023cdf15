"""Where the arm stands, and where it stood when a contact operated: judged from timed positions. Pure.

A point counts only while the arm stands still; a contact's operating point lies between the two scans around its edge.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from typing import NamedTuple

STILL_WINDOW_NS = 3_000_000_000
"""The arm has to stand still this long (common practice, no source: long enough to see a hand pump creep)."""
STILL_READINGS = 4
"""And be read this often meanwhile."""
STILL_MM = 0.05
"""Positions that differ by no more than this are one position, where the transducer resolves better."""


class Sample(NamedTuple):
    """One position as read: monotonic time of its reply, and mm."""

    mono_ns: int
    position_mm: float


class Stillness(NamedTuple):
    """Whether a point can be taken.

    Attributes:
        still: It can.
        position_mm: Mean over the window. spread_mm: largest less smallest in it. readings: how many.
        why: One sentence when it cannot, "" when it can.
    """

    still: bool
    position_mm: float
    spread_mm: float
    readings: int
    why: str = ""


class Still(NamedTuple):
    """What passes as standing still: a spread, mm (> 0), over a time, s (> 0)."""

    spread_mm: float = STILL_MM
    seconds: float = STILL_WINDOW_NS / 1e9


STILL = Still()


def stillness(samples: Sequence[Sample], now_ns: int, *, still: Still = STILL, since_ns: int = 0) -> Stillness:
    """Judge whether the arm stands still.

    Args:
        samples: Positions in the order of time. now_ns: Monotonic time.
        still: What passes.
        since_ns: Readings before this do not count (a contact or a new torque has changed something).
    """
    if not samples:
        return Stillness(False, 0.0, 0.0, 0, "no position has been read yet")
    last, asked_ns = samples[-1], int(still.seconds * 1e9)
    gap_ns = last.mono_ns - samples[-2].mono_ns if len(samples) > 1 else asked_ns
    if now_ns - last.mono_ns > max(STILL_WINDOW_NS, 3 * gap_ns):
        age_s = (now_ns - last.mono_ns) / 1e9
        return Stillness(False, last.position_mm, 0.0, 0, f"the last position is {age_s:.0f} s old")
    window_ns = max(asked_ns, STILL_READINGS * gap_ns)
    first_ns = max(last.mono_ns - window_ns, since_ns)
    window = [s.position_mm for s in samples if s.mono_ns >= first_ns]
    spread_mm = max(window, default=0.0) - min(window, default=0.0)
    mean_mm = sum(window) / len(window) if window else last.position_mm
    if len(window) < STILL_READINGS or last.mono_ns - first_ns < asked_ns * 0.9:
        return Stillness(False, mean_mm, spread_mm, len(window), f"only {len(window)} readings so far; wait")
    if spread_mm > still.spread_mm:
        why = f"the arm still moves: {spread_mm:.2f} mm in {window_ns / 1e9:.0f} s, {still.spread_mm:.2f} mm is allowed"
        return Stillness(False, mean_mm, spread_mm, len(window), why)
    return Stillness(True, mean_mm, spread_mm, len(window))


class EdgePlace(NamedTuple):
    """Where the arm stood when a contact changed.

    Attributes:
        position_mm: Middle of where it can have been. half_width_mm: half of that span.
        known: The positions around the edge were seen; otherwise the other two are the last position and 0.
    """

    position_mm: float
    half_width_mm: float
    known: bool


def place_of_edge(samples: Sequence[Sample], edge_ns: int, period_ns: int, rest_mm: float = 0.0) -> EdgePlace:
    """Place one raw edge among timed positions.

    The contact changed between the scan that showed it and the one before; the arm's position at both is taken from
    the straight line between the readings on either side.

    Args:
        samples: Positions in the order of time.
        edge_ns: Monotonic time of the scan that showed the edge. period_ns: of its scans.
        rest_mm: What to give where nothing was read.
    """
    ends = [_at(samples, edge_ns - period_ns), _at(samples, edge_ns)]
    known = [x for x in ends if x is not None]
    if len(known) < 2:
        last = samples[-1].position_mm if samples else rest_mm
        return EdgePlace(known[0] if known else last, 0.0, False)
    return EdgePlace((known[0] + known[1]) / 2.0, abs(known[1] - known[0]) / 2.0, True)


MOST_GAP_NS = 5_000_000_000
"""Readings further apart than this say nothing of what was between them."""


def _at(samples: Sequence[Sample], mono_ns: int) -> float | None:
    """Position at a time, on the straight line between two readings; None outside them or across a gap."""
    i = bisect_left(samples, mono_ns, key=lambda s: s.mono_ns)
    if i < len(samples) and samples[i].mono_ns == mono_ns:
        return samples[i].position_mm
    if not 0 < i < len(samples):
        return None
    a, b = samples[i - 1], samples[i]
    if b.mono_ns - a.mono_ns > MOST_GAP_NS:
        return None
    return a.position_mm + (b.position_mm - a.position_mm) * (mono_ns - a.mono_ns) / (b.mono_ns - a.mono_ns)
