"""The parts of a drive as stated: motor, gear stages, springs, arm, temperatures. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from nightrake.commissioning.gears import Stage, is_self_locking, stage_efficiency, worm_efficiency
from nightrake.commissioning.reader import Path, TableReader
from nightrake.commissioning.specification import Motor
from nightrake.commissioning.statics import Arm, Springs, Wire, spring_rate_n_per_m
from nightrake.commissioning.units import Dimension
from nightrake.domain.site import DriveSpec


def motor_of(read: TableReader) -> Motor:
    """The motor, as far as it is stated."""
    table = read.value(("motor",)) or {}
    if table.get("limit_ratio") is not None and table.get("supply") != "variable frequency":
        read.slip(("motor", "limit_ratio"), "has a meaning for supply = 'variable frequency' only; leave it out")
    return Motor(
        power_w=read.quantity(("motor", "power"), Dimension.POWER, 1.0, 1e6),
        speed_rad_s=read.quantity(("motor", "speed"), Dimension.SPEED, 1.0, 1e3),
        breakdown_ratio=table.get("breakdown_ratio"),
        supply=table.get("supply"),
        limit_ratio=table.get("limit_ratio"),
    )


def stage_of(read: TableReader, number: int, table: Mapping[str, Any]) -> Stage:
    """One gear stage, by its place in the list."""
    path: Path = ("gear", number)
    lead = read.quantity((*path, "lead_angle"), Dimension.ANGLE, math.radians(0.5), math.radians(45.0))
    best, friction, locking = table["efficiency"], table["friction"], None
    for key in ("lead_angle", "friction"):
        if table[key] is not None and table["kind"] != "worm":
            read.slip((*path, key), f"has a meaning for kind = 'worm' only, and this is {table['kind']}; leave it out")
    if table["kind"] == "worm" and (table["lead_angle"] is None) != (friction is None):
        key = "friction" if friction is None else "lead_angle"
        read.slip((*path, key), "is missing; a worm's efficiency needs lead_angle and friction")
    elif lead is not None and friction is not None:
        if best is not None:
            read.slip((*path, "efficiency"), "is given, and lead_angle and friction too; leave out one or the others")
        best, locking = worm_efficiency(lead, friction), is_self_locking(lead, friction)
    given = table["efficiency_range"]
    if given is not None and given[0] > given[1]:
        read.slip((*path, "efficiency_range"), "has its higher end first; write [low, high]")
        given = sorted(given)
    if given is not None and best is not None and not given[0] <= best <= given[1]:
        read.slip((*path, "efficiency_range"), f"does not hold the efficiency {best:.3g}; correct one of them")
    efficiency = stage_efficiency(table["kind"], best, None if given is None else (given[0], given[1]))
    return Stage(table["kind"], table["part"], table["ratio"], efficiency, locking)


def springs_of(read: TableReader, drive: DriveSpec) -> dict[str, Springs]:
    """Springs by direction; the reverse direction has those of the forward one where it has none of its own."""
    found: dict[str, Springs] = {}
    two = len(drive.directions) > 1
    if read.value(("springs_reverse",)) is not None:
        if not two:
            read.slip(("springs_reverse",), "the drive senses no reverse direction; leave it out, or add directions")
        elif read.value(("springs",)) is None:
            read.slip(("springs",), "is missing, but springs_reverse is given; give both, or springs for both")
    for direction in drive.directions:
        own = "springs_reverse" if direction == "reverse" and read.value(("springs_reverse",)) else "springs"
        springs = _side(read, own, two=two)
        if springs is not None:
            found[direction] = springs
    return found


def _side(read: TableReader, name: str, *, two: bool) -> Springs | None:
    table = read.value((name,))
    if table is None:
        return None
    if (table["arrangement"] == "one side") == two:
        right = "'one each way' or 'centred pair'" if two else "'one side'"
        directions = "two directions" if two else "one direction"
        text = f"is '{table['arrangement']}', but the drive senses {directions}; expected {right}"
        read.slip((name, "arrangement"), text)
    rate, wire = _rate(read, name, table)
    preload = read.quantity((name, "preload"), Dimension.FORCE, 0.0, 1e7)
    if rate is None or preload is None:
        return None
    return Springs(
        rate_n_per_m=rate * table["count"],
        preload_n=preload,
        arrangement=table["arrangement"],
        rate_change_per_k=table["rate_change_pct_per_k"] / 100.0,
        count=table["count"],
        wire=wire,
    )


_WIRE = ("wire_diameter", "coil_diameter", "active_coils", "shear_modulus")


def _rate(read: TableReader, name: str, table: Mapping[str, Any]) -> tuple[float | None, Wire | None]:
    """Rate of one spring: as given, or from its wire (then that too)."""
    given: Sequence[str] = [k for k in _WIRE if table[k] is not None]
    rate = read.quantity((name, "rate"), Dimension.SPRING_RATE, 1.0, 1e9)
    wire = read.quantity((name, "wire_diameter"), Dimension.LENGTH, 1e-4, 0.2)
    coil = read.quantity((name, "coil_diameter"), Dimension.LENGTH, 1e-3, 2.0)
    modulus = read.quantity((name, "shear_modulus"), Dimension.MODULUS, 1e9, 2e11)
    if table["rate"] is not None:
        if given:
            read.slip((name, given[0]), "is given, and rate too; a rate stands alone, so leave out one or the other")
        return rate, None
    if not given:
        return None, None
    for key in (k for k in _WIRE if k not in given):
        read.slip((name, key), f"is missing; without rate the spring needs {', '.join(_WIRE[:-1])} and {_WIRE[-1]}")
    if wire is not None and coil is not None and coil < 2.0 * wire:
        read.slip((name, "coil_diameter"), "is the mean diameter of the coil, and at least twice that of the wire")
        return None, None
    if wire is None or coil is None or modulus is None or table["active_coils"] is None:
        return None, None
    found = Wire(wire, coil, table["active_coils"], modulus)
    return spring_rate_n_per_m(found.wire_m, found.coil_m, found.active_coils, found.shear_modulus_pa), found


def arm_of(read: TableReader) -> Arm | None:
    """The torque arm, None where it or its length is not stated."""
    table = read.value(("arm",))
    if table is None:
        return None
    length = read.quantity(("arm", "length"), Dimension.LENGTH, 0.01, 10.0)
    angle = read.quantity(("arm", "rest_angle"), Dimension.ANGLE, -math.radians(45.0), math.radians(45.0))
    travel = read.quantity(("arm", "travel"), Dimension.LENGTH, 1e-4, 5.0)
    if length is None or angle is None:
        return None
    arm = Arm(length, angle, travel)
    if travel is not None and travel > arm.reach_m:
        text = f"is '{table['travel']}', which would turn an arm of {table['length']} by more than 60 degrees"
        read.slip(("arm", "travel"), f"{text}; correct one of them")
    return arm


def temperatures_of(read: TableReader) -> tuple[float | None, float | None, float]:
    """Lowest, highest, and where the springs were adjusted (20 C where not stated), kelvin."""
    lowest, highest, adjusted = (
        read.quantity(("temperature", key), Dimension.TEMPERATURE, 173.15, 473.15)
        for key in ("lowest", "highest", "adjusted_at")
    )
    if lowest is not None and highest is not None and lowest >= highest:
        table = read.value(("temperature",))
        text = f"is '{table['highest']}', not above the lowest of '{table['lowest']}'"
        read.slip(("temperature", "highest"), f"{text}; correct one of them")
    return lowest, highest, 293.15 if adjusted is None else adjusted
