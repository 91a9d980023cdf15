"""A contact's operations in service, and what they say, as plain values: see `contactdrift`. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

from nightrake.learning.trend import Span

LEAST = 3
"""Operations below which nothing is said of drift."""
WANTED = 0.95
WIDE = 0.10
"""Share of the set position by which the arm may move between two scans for an operation to say where."""
FAR = 0.25
"""Share of the set position beyond which it was not the arm that operated the contact: a hand, a fault."""
BOUNCE_MS = 60_000
"""An operation so soon after the one before is that one's bounce, or the same ridge of the floor."""
SCANS, RECORD, ROWS = "scans", "trip record", "journal and minutes"
"""What an operation was placed by."""


class Operation(NamedTuple):
    """A contact operated (make) or released (break) in service.

    Attributes:
        utc_ms: When it was first seen. operated: Which of both.
        low_mm, mid_mm, high_mm: Arm position, magnitude: bounds and best guess; NaN = not known.
        rate_mm_s: How fast the arm moved, NaN = not known. source: `SCANS`, `RECORD` or `ROWS`.
        left_out: Why it does not count; "" = it does.
    """

    utc_ms: int
    operated: bool
    low_mm: float
    mid_mm: float
    high_mm: float
    rate_mm_s: float
    source: str
    left_out: str = ""


class SetPoint(NamedTuple):
    """Where a contact is set.

    Attributes:
        operating_mm, release_mm: Arm position, magnitude; NaN = not known. words: Where that is from.
        since_utc_ms: Since when it holds. nm_per_mm: Slope of the record there, NaN = not known.
        shutdown_nm: Torque of shutdown, NaN = not known.
    """

    operating_mm: float
    release_mm: float
    words: str
    since_utc_ms: int
    nm_per_mm: float
    shutdown_nm: float


UNSET = SetPoint(math.nan, math.nan, "", 0, math.nan, math.nan)


@dataclass(frozen=True, slots=True)
class Drift:
    """What one contact's operations in service say.

    Attributes:
        contact, stage, channel, direction: Which. set_point: What it is held against.
        n: Operations that count. place_mm: Where it operates, with its interval; None = fewer than `LEAST`.
        drift_mm: Operating point less set point, > 0 = later, with its interval; None = fewer
            than `LEAST`, or no set point. confidence: Of the interval, 0 to 1.
        drift_nm, drift_percent: The same as torque, and in % of shutdown; NaN = not known. is_off: The interval leaves
            nought out.
        n_releases: Releases that count. differential_mm: Operating less release point; None = too few.
        operations: All of them, in order of time. sentence: In words. remarks: What limits it, a sentence each.
    """

    contact: str
    stage: str
    channel: str
    direction: str
    set_point: SetPoint
    n: int
    place_mm: Span | None
    drift_mm: Span | None
    confidence: float
    drift_nm: float
    drift_percent: float
    is_off: bool
    n_releases: int
    differential_mm: Span | None
    operations: tuple[Operation, ...]
    sentence: str
    remarks: tuple[str, ...] = ()
