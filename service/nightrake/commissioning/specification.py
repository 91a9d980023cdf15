"""A drive's specification in SI values. Pure.

What is left out is None here; the sheet says which key to add for what cannot be computed without it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

from nightrake.commissioning.gears import Stage
from nightrake.commissioning.statics import Arm, Springs
from nightrake.commissioning.units import Dimension
from nightrake.domain.site import Direction, DriveSpec
from nightrake.domain.site import Stage as ContactStage


@dataclass(frozen=True, slots=True)
class Process:
    """The normal load: its torque, how that was found, and the load itself (for each length) where it was from one."""

    torque_nm: float
    how: str
    load: tuple[float, Dimension] | None = None


@dataclass(frozen=True, slots=True)
class Motor:
    """The motor.

    Attributes:
        power_w, speed_rad_s: Rated. breakdown_ratio: Breakdown torque over rated torque.
        supply: ``direct on line`` or ``variable frequency``.
        limit_ratio: Torque that a variable-frequency drive lets through, over rated torque.
    """

    power_w: float | None
    speed_rad_s: float | None
    breakdown_ratio: float | None
    supply: str | None
    limit_ratio: float | None

    @property
    def stall_ratio(self) -> float | None:
        """Highest torque before it stalls, over rated torque: the drive's limit counts where it is the lower."""
        if self.supply == "variable frequency":
            known = [r for r in (self.breakdown_ratio, self.limit_ratio) if r is not None]
            return min(known) if self.limit_ratio is not None else None
        return self.breakdown_ratio if self.supply is not None else None


@dataclass(frozen=True, slots=True)
class SetPoint:
    """A set point: its torque, and the base that it was chosen by ("" = not stated, "torque" = as a torque)."""

    torque_nm: float
    percent: float | None
    base: str


class SetPoints(NamedTuple):
    """What stands for one direction, or for all: words and key ending that name it, alarm and shutdown."""

    words: str
    ending: str
    alarm: SetPoint | None
    shutdown: SetPoint | None


@dataclass(frozen=True, slots=True)
class Specification:
    """One drive's specification in SI units; None where it says nothing.

    Attributes:
        drive: As the watch sees it; its contacts, directions and transducer are not repeated in the specification.
        output_rad_s: Output speed. runs: Directions in which the motor can turn it. forward: "clockwise seen from ...".
        mounting, orientation, balanced: Of the device; orientation is that of its shaft.
        floating: What the springs hold. gear_rating_nm: Rated output torque of the main gear unit.
        resolution_m: Of the transducer where the settings cannot tell.
        transducer_class_pct: Largest error that it may have between proof and use, +- % of its span.
        stages: From the motor to the output. springs: By direction. lowest_k, highest_k, adjusted_k: Temperatures.
        alarm, shutdown: Set points; alarm_reverse, shutdown_reverse: where the reverse direction has others.
        differential_m: Of the contacts. supervised, protecting: Stages whose contacts are so.
        tolerance_pct: How far a contact may operate from its set point, % of it.
    """

    drive: DriveSpec
    output_rad_s: float | None
    runs: tuple[str, ...]
    forward: str
    mounting: str
    orientation: str | None
    balanced: bool
    floating: str
    gear_rating_nm: float | None
    resolution_m: float | None
    transducer_class_pct: float | None
    process: Process | None
    motor: Motor
    stages: tuple[Stage, ...]
    springs: Mapping[str, Springs]
    arm: Arm | None
    alarm: SetPoint | None
    shutdown: SetPoint | None
    alarm_reverse: SetPoint | None
    shutdown_reverse: SetPoint | None
    differential_m: float | None
    tolerance_pct: float
    supervised: frozenset[ContactStage]
    protecting: frozenset[ContactStage]
    lowest_k: float | None
    highest_k: float | None
    adjusted_k: float

    @property
    def set_points(self) -> tuple[SetPoints, ...]:
        """Of both directions together, or of each where they differ."""
        if self.alarm_reverse is None and self.shutdown_reverse is None:
            return (SetPoints("", "", self.alarm, self.shutdown),)
        reverse = (self.alarm_reverse or self.alarm, self.shutdown_reverse or self.shutdown)
        return (SetPoints(", forward", "", self.alarm, self.shutdown), SetPoints(", reverse", "_reverse", *reverse))

    def set_points_of(self, direction: Direction) -> SetPoints:
        """Those that hold in one direction."""
        return self.set_points[-1 if direction is Direction.REVERSE else 0]

    def part(self, name: str) -> tuple[Stage, ...]:
        """Stages of the primary or of the main gear unit."""
        return tuple(s for s in self.stages if s.part == name)
