"""Statics of the overload device: a floating primary gearmotor on preloaded springs, and its contacts.

About the shaft axis, spring force times lever balances the torque that the gearmotor delivers; the main gear unit
multiplies it: ``T1 = (F0 + k L sin(theta)) L cos(theta)``, ``T = T1 i eta``. Derived statics, checked by a test against
values worked out independently. The Fennmark devices are linear over their short travel.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field


def primary_torque_nm(preload_n: float, rate_n_per_mm: float, arm_m: float, theta_deg: float) -> float:
    """Torque about the shaft axis that the springs hold at an arm angle.

    Args:
        preload_n: Spring force at rest, N. rate_n_per_mm: Spring rate. arm_m: Arm length, m.
        theta_deg: Arm angle from rest, degrees; the spring is guided along a line.

    Returns:
        N.m.
    """
    theta = math.radians(theta_deg)
    travel_mm = 1000.0 * arm_m * math.sin(theta)
    return (preload_n + rate_n_per_mm * travel_mm) * arm_m * math.cos(theta)


def rake_torque_nm(load_n_per_m: float, radius_m: float) -> float:
    """Torque of a two-arm centre-driven rake under uniform load: T = w r^2 (common form, W.H. Boyle 2012)."""
    return load_n_per_m * radius_m**2


@dataclass(slots=True)
class Contact:
    """One dry contact on the arm's travel.

    Attributes:
        stage: alarm or shutdown. sign: 1 forward, -1 reverse.
        operating_mm: Where it operates (magnitude). differential_mm: how far below it releases.
        normally_closed: Wiring.
        operated: The sensor's own state. count: operations since the PLC started. latched: the PLC's memory.
        broken: The wire is cut. jumpered: The circuit is bridged. chatter_hz: A loose sensor toggles at this rate.
    """

    stage: str
    sign: int
    operating_mm: float
    normally_closed: bool
    differential_mm: float = 0.4
    operated: bool = False
    count: int = 0
    latched: bool = False
    broken: bool = False
    jumpered: bool = False
    chatter_hz: float = 0.0

    def follow(self, position_mm: float, time_s: float) -> None:
        """Let the sensor follow the arm."""
        reach_mm = self.sign * position_mm
        point = self.operating_mm - (self.differential_mm if self.operated else 0.0)
        operated = reach_mm >= point
        if self.chatter_hz:
            operated = int(2 * self.chatter_hz * time_s) % 2 == 1
        if operated and not self.operated:
            self.count = (self.count + 1) % 65536
            self.latched = True
        self.operated = operated

    @property
    def closed(self) -> bool:
        """Whether the circuit is closed at the junction box's far end."""
        if self.jumpered:
            return True
        if self.broken:
            return False
        return self.operated != self.normally_closed

    @property
    def trips(self) -> bool:
        """Whether the motor starter sees this circuit as operated."""
        return self.closed != self.normally_closed


@dataclass(slots=True)
class Arm:
    """The torque arm: linear spring above a preload, friction that makes rising and falling differ.

    Attributes:
        preload_nm: Torque at which it leaves its stop. nm_per_mm: slope above that.
        friction_nm: Half the gap between rising and falling. travel_mm: end of travel either way.
        two_sided: A centred pair of springs senses both directions.
        bound: The arm is stuck where it stands.
    """

    preload_nm: float
    nm_per_mm: float
    friction_nm: float
    travel_mm: float = 25.0
    two_sided: bool = False
    bound: bool = False
    _held_nm: float = 0.0
    _position_mm: float = field(default=0.0)

    def follow(self, torque_nm: float) -> float:
        """Position, mm, under an output torque (negative = reverse)."""
        if self.bound:
            return self._position_mm
        low, high = torque_nm - self.friction_nm, torque_nm + self.friction_nm
        self._held_nm = min(max(self._held_nm, low), high)
        magnitude = max(0.0, abs(self._held_nm) - self.preload_nm) / self.nm_per_mm
        if self._held_nm < 0.0 and not self.two_sided:
            magnitude = 0.0
        self._position_mm = math.copysign(min(magnitude, self.travel_mm), self._held_nm)
        return self._position_mm
