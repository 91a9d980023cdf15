"""Statics of the floating gearmotor: springs, arm, and the way between output torque and arm position. Pure.

In steady running the only torques about the shaft on the primary gearmotor, as one free body, are the reaction of its
output and the arm's support: ``F L cos(theta) = T1``, and the main gear unit makes ``T = T1 i eta`` of it.
Source: plain statics, derived; a table of worked values is held by a test.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

MAX_ANGLE_RAD = math.radians(60.0)
"""No arm is used so far round; beyond it the formula's guided spring is no picture of the device."""
STEPS = 400


def spring_rate_n_per_m(wire_m: float, coil_m: float, active_coils: float, shear_modulus_pa: float) -> float:
    """Rate of a helical spring of round wire: k = G d^4 / (8 D^3 n).

    Args:
        wire_m: Wire diameter d. coil_m: Mean coil diameter D. active_coils: n. shear_modulus_pa: G.

    Source: Shigley, Mechanical Engineering Design, 9th edition, chapter 10 (from memory; its example 10-1 is a test).
    """
    return shear_modulus_pa * wire_m**4 / (8.0 * coil_m**3 * active_coils)


@dataclass(frozen=True, slots=True)
class Wire:
    """What a spring's rate was computed from: wire and mean coil diameter, active coils, shear modulus."""

    wire_m: float
    coil_m: float
    active_coils: float
    shear_modulus_pa: float


@dataclass(frozen=True, slots=True)
class Springs:
    """The springs that act in one direction.

    Attributes:
        rate_n_per_m: Of all springs of one side together (of a centred pair: of either side).
        preload_n: Their force with the arm at rest (of a centred pair: of either side).
        arrangement: ``one side`` or ``one each way``, where the arm rests on a stop; ``centred pair``, where two
            opposed springs both act as long as both are loaded.
        rate_change_per_k: Relative change of the rate (and so of the whole force) for each kelvin.
        count: Springs of one side. wire: What the rate of one was computed from, None where it was given.
    """

    rate_n_per_m: float
    preload_n: float
    arrangement: str
    rate_change_per_k: float
    count: int = 1
    wire: Wire | None = None

    @property
    def is_pair(self) -> bool:
        """Two opposed springs, so no dead zone."""
        return self.arrangement == "centred pair"

    @property
    def free_at_m(self) -> float:
        """Arm travel at which one of a centred pair comes free and the slope halves; infinite where none can."""
        return self.preload_n / self.rate_n_per_m if self.is_pair else math.inf

    def force_n(self, travel_m: float) -> float:
        """Net force on the arm at a travel from rest."""
        if not self.is_pair:
            return self.preload_n + self.rate_n_per_m * travel_m
        both = min(travel_m, self.free_at_m)
        return 2.0 * self.rate_n_per_m * both + self.rate_n_per_m * (travel_m - both)

    def loaded_spring_n(self, travel_m: float) -> float:
        """Force in the springs of the loaded side, which is what they have to stand."""
        return self.preload_n + self.rate_n_per_m * travel_m


@dataclass(frozen=True, slots=True)
class Arm:
    """The torque arm.

    Attributes:
        length_m: From shaft to spring. rest_angle_rad: From square to the spring, at rest; negative where the arm
            passes square as torque rises. travel_m: From rest to its end stop, along the spring; None = not stated.
    """

    length_m: float
    rest_angle_rad: float
    travel_m: float | None

    def angle_rad(self, travel_m: float) -> float:
        """Angle from square at a travel along the spring (L sin(theta)); NaN past a right angle."""
        sine = math.sin(self.rest_angle_rad) + travel_m / self.length_m
        return math.asin(sine) if abs(sine) <= 1.0 else math.nan

    @property
    def reach_m(self) -> float:
        """Travel at which the arm stands at `MAX_ANGLE_RAD`."""
        return self.length_m * (math.sin(MAX_ANGLE_RAD) - math.sin(self.rest_angle_rad))


@dataclass(frozen=True, slots=True)
class Device:
    """Arm, springs and the gear train behind them, for one direction.

    Attributes:
        arm, springs: The device.
        gain: Output torque for each N.m that the support carries: main ratio, times efficiency, times the share of a
            floating gear unit.
        mirrored: The reverse direction: the arm turns the other way from its rest angle.
    """

    arm: Arm
    springs: Springs
    gain: float
    mirrored: bool = False

    def _arm(self) -> Arm:
        if not self.mirrored:
            return self.arm
        return Arm(self.arm.length_m, -self.arm.rest_angle_rad, self.arm.travel_m)

    def support_nm(self, travel_m: float) -> float:
        """Torque about the shaft that the support carries: F L cos(theta)."""
        arm = self._arm()
        return self.springs.force_n(travel_m) * arm.length_m * math.cos(arm.angle_rad(travel_m))

    def torque_nm(self, travel_m: float) -> float:
        """Output torque at a travel from rest."""
        return self.gain * self.support_nm(travel_m)

    @property
    def dead_zone_nm(self) -> float:
        """Output torque that the preload holds back: below it the arm does not move."""
        return self.torque_nm(0.0)

    @property
    def reach_m(self) -> float:
        """Travel up to which the formula holds."""
        return self._arm().reach_m

    def travel_m(self, torque_nm: float) -> float | None:
        """Travel at which this output torque holds the arm; None where the arm cannot show it.

        The first crossing: past a torque that falls again the device is not used (`rises` tells).
        """
        if torque_nm < self.dead_zone_nm:
            return None
        low, high = 0.0, self._first_at_least(torque_nm)
        if high is None:
            return None
        for _ in range(80):
            middle = (low + high) / 2.0
            low, high = (middle, high) if self.torque_nm(middle) < torque_nm else (low, middle)
        return high

    def _first_at_least(self, torque_nm: float) -> float | None:
        reach = self.reach_m
        found = (reach * i / STEPS for i in range(STEPS + 1))
        return next((x for x in found if self.torque_nm(x) >= torque_nm), None)

    def rises_to(self, end_m: float) -> bool:
        """Whether torque rises with travel all the way from rest."""
        values = [self.torque_nm(end_m * i / STEPS) for i in range(STEPS + 1)]
        return all(b > a for a, b in pairwise(values))

    def slope_nm_per_m(self, travel_m: float) -> float:
        """Output torque for each metre of travel, by a central difference over a fiftieth of a millimetre."""
        step = 1e-5
        start = max(0.0, travel_m - step)
        return (self.torque_nm(travel_m + step) - self.torque_nm(start)) / (travel_m + step - start)


def support_share(floating: str, ratio: float, efficiency: float) -> float:
    """Torque T1 at the primary's output for each N.m that the support carries.

    A whole gearmotor: 1. Only the gear unit floats and the motor stands apart: the support carries T1 less the input
    torque T1 / (i eta) where input and output turn the same way, T1 and the input torque where they do not.

    Source: plain statics (module).
    """
    if floating == "gearmotor":
        return 1.0
    share = 1.0 / (ratio * efficiency)
    return 1.0 / (1.0 - share) if floating == "gear unit, input the same way" else 1.0 / (1.0 + share)


def rake_torque_nm(load_n_per_m: float, radius_m: float) -> float:
    """Torque of a centre-driven two-arm rake under an even load along each arm: T = 2 (w r)(r / 2) = w r^2.

    Source: W.H. Boyle, "Clarifier Drive Torque: Selection and Clarity", 25 May 2012.
    """
    return load_n_per_m * radius_m * radius_m
