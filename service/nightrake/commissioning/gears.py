"""Gear stages: handbook ranges of efficiency, the worm's formula, and a train's ratio and efficiency. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple


class Handbook(NamedTuple):
    """What general handbooks say of one stage of a kind.

    Attributes:
        low, high: Efficiency. least, most: Usual ratios. source: Where the values are from.
    """

    low: float
    high: float
    least: float
    most: float
    source: str


_TABLE = "public web table of gear efficiencies (meadinfo.org, November 2008)"
_MEMORY = "general handbooks, from memory"
HANDBOOK = {
    "spur": Handbook(0.94, 0.98, 1.0, 6.0, _TABLE),
    "helical": Handbook(0.94, 0.98, 1.5, 10.0, _TABLE),
    "straight bevel": Handbook(0.93, 0.97, 1.5, 5.0, _TABLE),
    "spiral bevel": Handbook(0.95, 0.99, 1.5, 4.0, _TABLE),
    "three-stage bevel-helical": Handbook(0.91, 0.96, 1.5, 200.0, "product of the stage values of the " + _TABLE),
    "planetary": Handbook(0.95, 0.98, 3.0, 10.0, _MEMORY),
    "cycloidal": Handbook(0.75, 0.85, 10.0, 100.0, f"{_TABLE}; newer types 0.85 to 0.93 (from memory)"),
    "worm": Handbook(0.50, 0.90, 5.0, 75.0, f"{_TABLE}; below 0.50 when self-locking"),
    "hypoid": Handbook(0.80, 0.95, 10.0, 200.0, _TABLE),
    "ring gear and pinion": Handbook(0.93, 0.97, 4.0, 12.0, _MEMORY),
}
"""Kind of stage -> handbook values."""
PRESSURE_ANGLE_RAD = math.radians(20.0)
"""Normal pressure angle of a worm where none is given (common practice, no source)."""


class Range(NamedTuple):
    """A low, a best and a high estimate."""

    low: float
    best: float
    high: float

    def times(self, factor: float) -> Range:
        """Each of the three times a number."""
        return Range(self.low * factor, self.best * factor, self.high * factor)


@dataclass(frozen=True, slots=True)
class Stage:
    """One stage of a gear train.

    Attributes:
        kind: A key of `HANDBOOK`.
        part: The gear unit that it belongs to: ``primary`` (floats) or ``main``.
        ratio: Input speed over output speed.
        efficiency: Low, best and high.
        self_locking: For a worm whose lead angle and friction are known: whether the output cannot drive it back.
    """

    kind: str
    part: str
    ratio: float
    efficiency: Range
    self_locking: bool | None = None

    @property
    def handbook(self) -> Handbook:
        """What handbooks say of its kind."""
        return HANDBOOK[self.kind]


def worm_efficiency(lead_angle_rad: float, friction: float, pressure_angle_rad: float = PRESSURE_ANGLE_RAD) -> float:
    """Efficiency of a worm that drives its wheel.

    eta = (cos a - mu tan g) / (cos a + mu cot g), with pressure angle a, lead angle g, friction mu.

    Args:
        lead_angle_rad: Between 0 and 45 degrees. friction: Coefficient; 0.02 to 0.06 is normal.
        pressure_angle_rad: In the normal plane.

    Source: public calculators (mech.toolfusion.net, worm gear efficiency), form as in general handbooks.
    """
    pressed, lead = math.cos(pressure_angle_rad), math.tan(lead_angle_rad)
    return (pressed - friction * lead) / (pressed + friction / lead)


def is_self_locking(lead_angle_rad: float, friction: float, pressure_angle_rad: float = PRESSURE_ANGLE_RAD) -> bool:
    """Whether the wheel cannot drive the worm: mu >= cos(a) tan(g). Source: as `worm_efficiency`."""
    return friction >= math.cos(pressure_angle_rad) * math.tan(lead_angle_rad)


def stage_efficiency(kind: str, best: float | None, given: tuple[float, float] | None) -> Range:
    """Efficiency of a stage from what is known of it.

    Args:
        kind: A key of `HANDBOOK`. best: An estimate for this stage, or None. given: Its own range, or None.

    Returns:
        The given range, else the handbook's, widened to hold the estimate; in its middle where there is none.
    """
    low, high = given or (HANDBOOK[kind].low, HANDBOOK[kind].high)
    if best is None:
        best = (low + high) / 2.0
    return Range(min(low, best), best, max(high, best))


def ratio_of(stages: Sequence[Stage]) -> float:
    """Ratio of a train: the product of its stages'."""
    return math.prod(s.ratio for s in stages)


def efficiency_of(stages: Sequence[Stage]) -> Range:
    """Efficiency of a train: the product of its stages', low with low and high with high."""
    return Range(*(math.prod(values) for values in zip(*(s.efficiency for s in stages), strict=True)))


def speed_below_which(power_w: float, torque_nm: float, efficiency: float = 1.0, torque_ratio: float = 1.0) -> float:
    """Output speed below which a motor of this power can force this torque.

    w = P * ratio * eta / T, since power in times efficiency is power out at rated motor speed, and the motor's torque
    is `torque_ratio` times its rated one.

    Args:
        power_w: Rated power. torque_nm: Output torque. efficiency: Of the whole train. torque_ratio: 1 at rated torque.

    Returns:
        rad/s.

    Source: definition of power.
    """
    return power_w * torque_ratio * efficiency / torque_nm
