"""Trips of the simulated plant, offline: a Fennmark machine run up to its trip, with rows of the weeks before."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from nightrake.learning.approach import Happened, Readings, Rows
from nightrake.plant.fennmark import fennmark_machines
from nightrake.plant.machine import Machine

Floats = npt.NDArray[np.float64]
HOUR_S, DAY_S = 3_600.0, 86_400.0
UTC_MS = 1_790_000_000_000
Level = Callable[[float], float]
"""Base load as a share of shutdown, by seconds from the trip."""


@dataclass
class Seen:
    """What a PLC served: seconds, arm position and whether the shutdown contact's circuit says 'operated'."""

    at_s: list[float]
    mm: list[float]
    trips: list[bool]


def ran(machine: Machine, seconds: float, step_s: float, each: Callable[[float], None], seed: int = 1) -> Seen:
    """A machine for a while, read at each step; ends a few readings after its shutdown contact operated."""
    rng, seen, left = random.Random(seed), Seen([], [], []), 10
    for i in range(int(seconds / step_s)):
        time_s = i * step_s
        each(time_s)
        for _ in range(max(1, round(step_s / 0.5))):
            machine.step(time_s, min(step_s, 0.5), rng)
        seen.at_s.append(time_s)
        seen.mm.append(machine.position_mm)
        seen.trips.append(any(c.trips for c in machine.contacts if c.stage == "shutdown"))
        left -= seen.trips[-1]
        if not left:
            break
    assert seen.trips[-1], "it did not trip"
    return seen


def rows_of(machine: Machine, level: Level, span_s: float, row_s: float, gap_s: float = 0.0, seed: int = 3) -> Rows:
    """Rows of the load before: median and highest of a load about its level, as the plant's load moves."""
    rng = np.random.default_rng(seed)
    at_s = np.arange(-span_s, -gap_s - row_s / 2, row_s) + row_s / 2
    load, shutdown_nm = machine.load, machine.shutdown_nm
    middle = np.array([level(t) for t in at_s]) + rng.normal(0.0, 0.2 * load.ripple, len(at_s))
    if row_s <= HOUR_S:
        middle += load.daily * np.sin(2 * np.pi * at_s / DAY_S)
    top = load.ripple + 3 * load.noise + (load.daily if row_s > HOUR_S else 0.0)
    return Rows(at_s, middle * shutdown_nm, (middle + top) * shutdown_nm, np.zeros(len(at_s), np.bool_))


def trip(machine: Machine, seen: Seen, level: Level) -> Happened:
    """What the judgement sees of it: torque by the arm, from the operation on; hours and days before it."""
    first = seen.trips.index(True)
    at_s = np.array(seen.at_s) - seen.at_s[first]
    arm = machine.arm
    torque_nm = arm.preload_nm + arm.nm_per_mm * np.array(seen.mm)
    n = len(at_s)
    readings = Readings(
        at_s,
        torque_nm,
        np.full(n, 0.01 * machine.shutdown_nm),
        np.where(np.array(seen.mm) <= 0.0, -1, 0).astype(np.int8),
        np.where(at_s < 0.0, 1, 0).astype(np.int8),
    )
    begin_s = -float(at_s[0])
    hours, days = rows_of(machine, level, 10 * DAY_S, HOUR_S, begin_s), rows_of(machine, level, 180 * DAY_S, DAY_S)
    name = f"{machine.id}-forward-shutdown-1-e"
    return Happened(name, machine.id, "forward", "shutdown", UTC_MS, operating_nm(machine), readings, hours, days)


def operating_nm(machine: Machine) -> float:
    """Torque at which its shutdown contact is set."""
    contact = next(c for c in machine.contacts if c.stage == "shutdown")
    return machine.arm.preload_nm + machine.arm.nm_per_mm * contact.operating_mm


def jam(drive: str = "PC1", before: Level | None = None, step_s: float = 1.0) -> Happened:
    """A dropped ladder, half an hour into the record."""
    machine = fennmark_machines()[drive]
    level = before or (lambda _: machine.load.base)
    machine.load.base = level(0.0)

    def each(time_s: float) -> None:
        machine.load.jammed = time_s >= 1_800.0

    return trip(machine, ran(machine, 2_400.0, step_s, each), level)


def load_up(drive: str = "PC1", hours: float = 2.0, step_s: float = 5.0) -> Happened:
    """Sludge builds up over hours."""
    machine = fennmark_machines()[drive]
    level = machine.load.base
    machine.load.sludge_per_s = (1.0 - level) / (hours * HOUR_S)
    seen = ran(machine, 2.0 * hours * HOUR_S, step_s, lambda _: None)
    return trip(machine, seen, lambda _: level)


def creep(drive: str = "GT1", days: float = 60.0, step_s: float = 5.0) -> Happened:
    """The level rises for weeks, until a ridge of the floor trips it."""
    machine = fennmark_machines()[drive]
    first, last = machine.load.base, 0.96
    machine.load.base = last
    seen = ran(machine, 86_400.0, step_s, lambda _: None)
    return trip(machine, seen, lambda t: first + (last - first) * min(1.0, max(0.0, 1.0 + t / (days * DAY_S))))


def cut_wire(drive: str = "PC1") -> Happened:
    """The wire of a normally closed shutdown contact is cut; it reads operated, and the starter drops."""
    machine = fennmark_machines()[drive]

    def each(time_s: float) -> None:
        for contact in machine.contacts:
            contact.broken = contact.stage == "shutdown" and time_s >= 1_800.0

    return trip(machine, ran(machine, 2_400.0, 1.0, each), lambda _: machine.load.base)
