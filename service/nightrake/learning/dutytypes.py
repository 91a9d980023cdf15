"""The figures of duty as plain values: see `duty`. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

CYCLE_EXPONENT = 5.0
"""Welded steel under many small cycles (EN 1993-1-9 beyond five million of them, from memory): rake arms, cage."""
HOUR_EXPONENT = 6.6
"""Flanks of hardened gears, in torque (ISO 6336-6, from memory); for bending of teeth it is higher still."""


class Basis(StrEnum):
    """What cycles or starts were counted from."""

    SCANS = "every reading"
    MINUTES = "the lowest and highest torque of each minute"
    HOURS = "the lowest and highest torque of each hour"


class Between(NamedTuple):
    """The truth lies between these: readings below the preload taken as nothing, and as the preload."""

    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Rule:
    """How harm is summed up.

    Attributes:
        reference_nm: The torque that sums are told in, > 0. reference: What it is, in words.
        cycle_exponent, hour_exponent: Of Miner's rule, > 0.
    """

    reference_nm: float
    reference: str = "shutdown torque"
    cycle_exponent: float = CYCLE_EXPONENT
    hour_exponent: float = HOUR_EXPONENT


@dataclass(frozen=True, slots=True)
class Cycles:
    """Cycles of torque by rainflow counting (ASTM E1049-85, 5.4.4).

    Attributes:
        basis: What they were counted from. from_utc_ms, to_utc_ms: Of what time.
        running_h: How long the motor ran in it, h; NaN = not known.
        range_nm: Where each class of ranges (peak to valley) begins, rising; class_nm: how wide each is.
        count: Cycles in each; a half one is 0.5. mean_nm: Mean torque of a class's cycles; NaN where it has none.
        total: All of them. largest_nm: The largest range, 0 = none.
        equivalent: So many cycles of range `reference_nm` do as much by Miner's rule with `exponent`.
        sentence: In words. remarks: What limits it, a sentence each.
    """

    basis: Basis
    from_utc_ms: int
    to_utc_ms: int
    running_h: float
    range_nm: Floats
    class_nm: float
    count: Floats
    mean_nm: Floats
    total: float
    largest_nm: float
    equivalent: Between
    exponent: float
    reference_nm: float
    sentence: str
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class TimeAtTorque:
    """Hours at torque while the motor ran.

    Attributes:
        from_utc_ms, to_utc_ms: Of what time.
        edge_nm: Edges of the classes, rising, one more than `hours`; the last class holds what lies above it, too.
        hours: h in each, of readings that say a torque.
        below_h, below_nm: h below what can be measured, and the highest such limit; NaN = none.
        beyond_h, beyond_nm: h beyond the record's span, and the lowest such end; NaN = none.
        is_running: Whether it is running time; else run feedback is not known, and it is all time.
        equivalent_h: So many h at `reference_nm` do as much by Miner's rule with `exponent`.
        equivalent_nm: The steady torque that does as much in the same time.
        sentence, remarks: As in `Cycles`.
    """

    from_utc_ms: int
    to_utc_ms: int
    edge_nm: Floats
    hours: Floats
    below_h: float
    below_nm: float
    beyond_h: float
    beyond_nm: float
    is_running: bool
    equivalent_h: Between
    equivalent_nm: Between
    exponent: float
    reference_nm: float
    sentence: str
    remarks: tuple[str, ...] = ()

    @property
    def total_h(self) -> float:
        """All of it."""
        return float(self.hours.sum()) + self.below_h + self.beyond_h


@dataclass(frozen=True, slots=True)
class Counts:
    """What can be counted.

    Attributes:
        running_h: NaN = there is no run feedback. covered_h: In which the drive was read. period_h: Asked for.
        starts: Motor starts, at least; None = cannot be said. starts_basis: What they were counted from.
        alarms, shutdowns: Operations of the stages in service; those in function checks are left out.
        energy_kwh: Of the motor, while power was read; None = it is not known. energy_h: How long that was.
        energy_from_utc_ms, energy_to_utc_ms: When.
        sentence, remarks: As in `Cycles`.
    """

    running_h: float
    covered_h: float
    period_h: float
    starts: int | None
    starts_basis: Basis | None
    alarms: int
    shutdowns: int
    energy_kwh: float | None
    energy_h: float
    energy_from_utc_ms: int
    energy_to_utc_ms: int
    sentence: str
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Duty:
    """One direction of one drive.

    Attributes:
        drive, direction: Whose. from_utc_ms, to_utc_ms: Of what time.
        counts, at_torque: See there; None = there was no torque.
        cycles: One for each basis that was asked for and has readings.
        agreement: What rows find of what all readings find, where both are there; "" = not compared.
        sentence: The whole. remarks: What limits it, a sentence each.
    """

    drive: str
    direction: str
    from_utc_ms: int
    to_utc_ms: int
    counts: Counts
    at_torque: TimeAtTorque | None
    cycles: tuple[Cycles, ...]
    agreement: str
    sentence: str
    remarks: tuple[str, ...] = ()
