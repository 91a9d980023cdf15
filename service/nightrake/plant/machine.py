"""One drive and its machine: load, torque, motor, hard-wired stop, self-locking train. Time and chance passed in."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field

from nightrake.plant.device import Arm, Contact

DAY_S = 86_400.0


@dataclass(slots=True)
class Load:
    """The process load, as fraction of shutdown torque.

    Attributes:
        base: Level on an ordinary day. daily, weekly, ripple, noise: Amplitudes.
        turn_s: One turn of the machine; a floor ridge is met twice in it.
        storm: Present extra from inflow. sludge: Present extra from build-up, rising by sludge_per_s.
        push, push_target, push_per_s: A scripted extra that moves to its target.
        jammed: Something holds the machine: torque rises until something gives.
    """

    base: float
    turn_s: float
    daily: float = 0.04
    weekly: float = 0.02
    ripple: float = 0.025
    noise: float = 0.002
    storm: float = 0.0
    sludge: float = 0.0
    sludge_per_s: float = 0.0
    push: float = 0.0
    push_target: float = 0.0
    push_per_s: float = 0.1
    jammed: bool = False

    def fraction(self, time_s: float, dt_s: float, rng: random.Random) -> float:
        """Load now."""
        self.sludge = max(0.0, self.sludge + self.sludge_per_s * dt_s)
        step = self.push_per_s * dt_s
        self.push += min(max(self.push_target - self.push, -step), step)
        day = math.sin(2 * math.pi * (time_s / DAY_S - 0.3))
        week = math.sin(2 * math.pi * time_s / (7 * DAY_S))
        ridge = math.sin(4 * math.pi * time_s / self.turn_s)
        steady = self.base + self.daily * day + self.weekly * week + self.ripple * ridge
        return max(0.0, steady + self.storm + self.sludge + self.push + rng.gauss(0.0, self.noise))


@dataclass(slots=True)
class Machine:
    """A drive with its machine.

    Attributes:
        id: Drive id. shutdown_nm: Rated shutdown torque. load, arm, contacts: Its parts.
        rpm: Output speed. power_kw: Motor rating.
        direction: 1 or -1: the way it turns.
        torque_nm: Output torque now (signed). running: Motor on. wanted: The starter is told to run.
        starter_jumpered: The shutdown contact no longer reaches the starter.
        transducer_broken: The loop is open. heartbeat_frozen: The PLC's counter stands still.
        applied_nm: Torque that people apply to a stopped drive (proving), None = none. applied_target_nm,
            applied_per_s: where they are moving it to, and how fast.
    """

    id: str
    shutdown_nm: float
    load: Load
    arm: Arm
    contacts: list[Contact]
    rpm: float
    power_kw: float
    direction: int = 1
    torque_nm: float = 0.0
    position_mm: float = 0.0
    running: bool = True
    starter_jumpered: bool = False
    transducer_broken: bool = False
    heartbeat_frozen: bool = False
    applied_nm: float | None = None
    applied_target_nm: float = 0.0
    applied_per_s: float = 0.0
    jam_per_s: float = 0.12
    log: list[str] = field(default_factory=list)

    def step(self, time_s: float, dt_s: float, rng: random.Random) -> None:
        """Take the machine a little further in time."""
        self._turn(time_s, dt_s, rng)
        self.position_mm = self.arm.follow(self.torque_nm)
        for contact in self.contacts:
            contact.follow(self.position_mm, time_s)
        if self.running and not self.starter_jumpered and any(c.stage == "shutdown" and c.trips for c in self.contacts):
            # The hard-wired stop: no program is asked.
            self.running = False
            self.log.append(f"{self.id}: the shutdown contact has dropped the starter at {self.torque_nm:.0f} N.m")

    def _turn(self, time_s: float, dt_s: float, rng: random.Random) -> None:
        if self.applied_nm is not None:
            step = self.applied_per_s * dt_s
            self.applied_nm += min(max(self.applied_target_nm - self.applied_nm, -step), step)
            self.torque_nm = self.applied_nm
        elif self.running and self.load.jammed:
            most = 1.6 * self.shutdown_nm
            risen = abs(self.torque_nm) + self.jam_per_s * self.shutdown_nm * dt_s
            self.torque_nm = self.direction * min(risen, most)
        elif self.running:
            wanted = self.direction * self.load.fraction(time_s, dt_s, rng) * self.shutdown_nm
            # Load reaches the train through its elasticity: a lag of a second or so.
            self.torque_nm += (wanted - self.torque_nm) * min(1.0, dt_s / 0.8)
        # A stopped self-locking train keeps what it holds until it is unwound.

    def unwind(self) -> str:
        """Release the wound-up train by hand, as people do after isolating it."""
        if self.running:
            return f"{self.id} runs; stop and isolate it first"
        self.torque_nm = 0.0
        self.load.jammed = False
        for contact in self.contacts:
            contact.latched = False
        return ""

    def start(self) -> str:
        """Close the starter."""
        if any(c.stage == "shutdown" and c.trips for c in self.contacts) and not self.starter_jumpered:
            return f"{self.id}: the shutdown contact holds the starter open"
        self.running = True
        return ""

    def pull(self, torque_nm: float | None, seconds: float = 0.0) -> str:
        """Apply a known torque to the stopped machine, at once or moving to it over a time; None lets go."""
        if self.running:
            return f"{self.id} runs; a known torque is applied to a stopped, isolated drive only"
        if torque_nm is None:
            self.applied_nm, self.torque_nm = None, 0.0
            return ""
        held_nm = self.torque_nm if self.applied_nm is None else self.applied_nm
        self.applied_target_nm = torque_nm
        self.applied_nm = held_nm if seconds > 0.0 else torque_nm
        self.applied_per_s = abs(torque_nm - held_nm) / seconds if seconds > 0.0 else 0.0
        return ""

    @property
    def motor_kw(self) -> float:
        """Electrical power that the motor draws now."""
        if not self.running:
            return 0.0
        return self.power_kw * (0.35 + 0.6 * min(1.5, abs(self.torque_nm) / self.shutdown_nm))
