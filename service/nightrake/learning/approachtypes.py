"""How a trip came: the kinds, the table of criteria, and what is told of one trip, as plain values. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Codes = npt.NDArray[np.int8]

PRACTICE = "common practice, no source"


class Kind(StrEnum):
    """How torque came to the point at which the contact operated."""

    JAM = "jam"
    LOAD_UP = "load-up"
    CREEP = "creep"
    CONTACT_FAULT = "contact fault"
    CANNOT_SAY = "cannot say"


class Criterion(NamedTuple):
    """One row of the table: the first whose rule holds decides."""

    kind: Kind
    rule: str
    source: str


JAM_S = 60.0
"""Half of the rise within this: something solid. A rake of a turn in half an hour moves its tip by 2 to 3 m in it."""
LOAD_UP_S = 86_400.0
"""Half of the rise within this, and longer than a jam: sludge, a storm, a settled blanket."""
APART = 0.10
"""Share of the operating point by which a torque has to lie below it before the contact, not the load, is doubted: set
points are proved to about 5 %, and rising and falling branches lie about as far apart."""
LEAST_RISE = 0.10
"""Share of the operating point that a rise must have to say anything."""
CLEAR = 4.0
"""Spreads (half of the middle 68 %) of the ordinary torque that a rise must exceed."""
STEP_SHARE = 0.6
"""Of a rise over days, this much between three days and the next three (or over a gap) is a step, not creep."""
CREPT_SHARE = 0.05
"""Share of the operating point by which the level must have risen for weeks to be told beside a jam or a load-up."""

CRITERIA: tuple[Criterion, ...] = (
    Criterion(
        Kind.CANNOT_SAY,
        "no torque, or no operating point, is known about the operation, or a gap in the readings hides how it rose",
        PRACTICE,
    ),
    Criterion(
        Kind.CONTACT_FAULT,
        "the highest torque about the operation, with its uncertainty and as far as it can have gone between two "
        f"readings, lies more than {APART:.0%} below the operating point",
        PRACTICE,
    ),
    Criterion(
        Kind.JAM,
        f"half of the rise from the level 2 to 10 minutes before was passed for good within {JAM_S:.0f} s; the rise is "
        f"at least {LEAST_RISE:.0%} of the operating point and {CLEAR:.0f} spreads of the torque then",
        PRACTICE,
    ),
    Criterion(
        Kind.LOAD_UP,
        f"half of the rise from the level 2 to 5 days before (without those, of the first quarter of the record) was "
        f"passed for good within {LOAD_UP_S / 3600:.0f} h; the rise is as large as for a jam, by the hours then",
        PRACTICE,
    ),
    Criterion(
        Kind.CREEP,
        "half of the rise from the level weeks before (oldest third of up to 180 days) was passed for good longer ago "
        f"than {LOAD_UP_S / 3600:.0f} h; the rise of the days is as large, and no more than {STEP_SHARE:.0%} of it "
        "came in one step",
        PRACTICE,
    ),
    Criterion(Kind.CANNOT_SAY, "none of these", PRACTICE),
)
"""In the order in which they are tried."""


class Rise(NamedTuple):
    """A measured rise.

    Attributes:
        from_nm, to_nm: Torque, N.m. seconds: How long it took.
        from_is_below: It began below what can be measured, below `from_nm`. to_is_beyond: It ended beyond `to_nm`.
    """

    from_nm: float
    to_nm: float
    seconds: float
    from_is_below: bool = False
    to_is_beyond: bool = False


class Readings(NamedTuple):
    """Torque about an operation, every reading, rising in time.

    Attributes:
        at_s: From the operation, s; negative = before. torque_nm: Magnitude in the direction of the contact; the limit
            where below or beyond; NaN = none. uncertainty_nm: Expanded (95 %), NaN = not stated.
        code: As `commissioning.convert` has them. running: 1, 0, or 2 = not known.
    """

    at_s: Floats
    torque_nm: Floats
    uncertainty_nm: Floats
    code: Codes
    running: Codes


class Rows(NamedTuple):
    """Rows of a summary before an operation, rising in time; those in which there was no torque are left out.

    Attributes:
        at_s: Middle of each from the operation, s. median_nm, high_nm: Median and highest of its readings.
        is_below: Whether the median is a limit only.
    """

    at_s: Floats
    median_nm: Floats
    high_nm: Floats
    is_below: npt.NDArray[np.bool_]


NO_ROWS = Rows(np.empty(0), np.empty(0), np.empty(0), np.empty(0, np.bool_))


@dataclass(frozen=True, slots=True)
class Happened:
    """One trip, with all that its approach is judged by.

    Attributes:
        record: Name of the trip record. drive, direction, stage: What tripped. utc_ms: When the contact operated.
        operating_nm: Torque at which it is set, N.m; NaN = not known.
        readings: About it. hours, days: Before it, whole ones. met: What reading met, a sentence each.
    """

    record: str
    drive: str
    direction: str
    stage: str
    utc_ms: int
    operating_nm: float
    readings: Readings
    hours: Rows = NO_ROWS
    days: Rows = NO_ROWS
    met: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Approach:
    """How one trip came.

    Attributes:
        record, drive, direction, stage, utc_ms: As in `Happened`.
        kind: See there. rise: The measured rise that says so; None = there is none.
        crept: Rise of the level over days that lies under it; None = none.
        torque_nm, uncertainty_nm: The highest about the operation, and its +- (95 %, NaN = not stated).
        operating_nm: As in `Happened`.
        why: The rule that decided, or of `Kind.CANNOT_SAY` the reason.
        sentence: In words. remarks: What limits it, a sentence each.
    """

    record: str
    drive: str
    direction: str
    stage: str
    utc_ms: int
    kind: Kind
    rise: Rise | None
    crept: Rise | None
    torque_nm: float
    uncertainty_nm: float
    operating_nm: float
    why: str
    sentence: str
    remarks: tuple[str, ...] = ()
