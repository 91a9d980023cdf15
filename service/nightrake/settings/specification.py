"""``[drive.ID.specification]``: keys and shapes of a drive's specification. What its quantities say is read elsewhere.

The watch never needs a specification, so its quantities stay texts here; `nightrake check` and `nightrake specify` read
them (`commissioning/specification.py`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field
from pydantic_core import PydanticCustomError

from nightrake.domain.site import DriveSpec
from nightrake.settings.base import NO_CONTROLS, DirectionName, Model, StageName, Text
from nightrake.settings.lines import Path as KeyPath

SpecificationCheck = Callable[[DriveSpec, Mapping[str, Any]], Iterable[tuple[KeyPath, str]]]
"""A drive and its specification's table -> what is wrong in it, by key path below the table."""


def _with_unit(value: Any) -> Any:
    """A bare number says nothing: it is the commonest slip, so it has a sentence of its own."""
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        raise PydanticCustomError("number_without_unit", "a number without a unit")
    return value


Quantity = Annotated[str, Field(min_length=1, max_length=60, pattern=NO_CONTROLS), BeforeValidator(_with_unit)]
Share = Annotated[float, Field(gt=0.0, le=1.0)]
Ratio = Annotated[float, Field(ge=1.0, le=1e5)]
Multiple = Annotated[float, Field(ge=1.0, le=10.0)]
Percent = Annotated[float, Field(gt=0.0, le=1000.0)]
GearKind = Literal[
    "spur",
    "helical",
    "straight bevel",
    "spiral bevel",
    "three-stage bevel-helical",
    "planetary",
    "cycloidal",
    "worm",
    "hypoid",
    "ring gear and pinion",
]


class ProcessTable(Model):
    """``[drive.ID.specification.process]``: the normal load."""

    kind: Literal["given torque", "two-arm rake", "screw"]
    torque: Quantity | None = None
    load: Quantity | None = None
    radius: Quantity | None = None
    length: Quantity | None = None


class MotorTable(Model):
    """``[drive.ID.specification.motor]``"""

    power: Quantity | None = None
    speed: Quantity | None = None
    breakdown_ratio: Multiple | None = None
    supply: Literal["direct on line", "variable frequency"] | None = None
    limit_ratio: Multiple | None = None


class GearTable(Model):
    """One of ``[[drive.ID.specification.gear]]``, from the motor to the output."""

    part: Literal["primary", "main"]
    kind: GearKind
    ratio: Ratio
    efficiency: Share | None = None
    efficiency_range: Annotated[list[Share], Field(min_length=2, max_length=2)] | None = None
    lead_angle: Quantity | None = None
    friction: Annotated[float, Field(gt=0.0, le=0.5)] | None = None


class SpringTable(Model):
    """``[drive.ID.specification.springs]``; ``springs_reverse`` where the reverse direction has others."""

    arrangement: Literal["one side", "one each way", "centred pair"]
    count: Annotated[int, Field(ge=1, le=20)] = 1
    rate: Quantity | None = None
    wire_diameter: Quantity | None = None
    coil_diameter: Quantity | None = None
    active_coils: Annotated[float, Field(ge=1.0, le=100.0)] | None = None
    shear_modulus: Quantity | None = None
    preload: Quantity | None = None
    rate_change_pct_per_k: Annotated[float, Field(ge=-1.0, le=1.0)] = -0.025


class ArmTable(Model):
    """``[drive.ID.specification.arm]``"""

    length: Quantity | None = None
    rest_angle: Quantity = "0 deg"
    travel: Quantity | None = None


class SetPointTable(Model):
    """``[drive.ID.specification.alarm]`` and ``...shutdown]``: a torque, with the base that it was chosen by."""

    percent: Percent | None = None
    of: Literal["gear rating", "process torque", "shutdown"] | None = None
    torque: Quantity | None = None


class ContactsTable(Model):
    """``[drive.ID.specification.contacts]``: what the drive's own contact tables do not say."""

    differential: Quantity | None = None
    tolerance_pct: Annotated[float, Field(gt=0.0, le=50.0)] = 5.0
    supervised: list[StageName] = []
    protects_people: list[StageName] = []


class TemperatureTable(Model):
    """``[drive.ID.specification.temperature]``: at the device."""

    lowest: Quantity | None = None
    highest: Quantity | None = None
    adjusted_at: Quantity = "20 degC"


class SpecificationTable(Model):
    """``[drive.ID.specification]``"""

    output_speed: Quantity | None = None
    runs: Annotated[list[DirectionName], Field(max_length=2)] = []
    forward_is: Literal["clockwise", "counterclockwise"] | None = None
    seen_from: Text = ""
    mounting: Text = ""
    orientation: Literal["vertical", "horizontal", "inclined"] | None = None
    balanced: bool = False
    floating: Literal["gearmotor", "gear unit, input the same way", "gear unit, input the opposite way"] = "gearmotor"
    gear_rating: Quantity | None = None
    transducer_resolution: Quantity | None = None
    transducer_class_pct: Annotated[float, Field(ge=0.0, le=10.0)] | None = None
    process: ProcessTable | None = None
    motor: MotorTable | None = None
    gear: Annotated[list[GearTable], Field(max_length=20)] = []
    springs: SpringTable | None = None
    springs_reverse: SpringTable | None = None
    arm: ArmTable | None = None
    alarm: SetPointTable | None = None
    shutdown: SetPointTable | None = None
    alarm_reverse: SetPointTable | None = None
    shutdown_reverse: SetPointTable | None = None
    contacts: ContactsTable | None = None
    temperature: TemperatureTable | None = None


_SET_POINTS = ("alarm", "shutdown", "alarm_reverse", "shutdown_reverse")


def judged_by(path: KeyPath, table: Mapping[str, Any]) -> list[KeyPath]:
    """Further keys of a specification on which a mistake at a path may rest, so that it is not told for their sake."""
    head = path[0]
    if head in _SET_POINTS:  # each may be a share of another, or of what these say
        return [(key,) for key in ("gear_rating", "process", *_SET_POINTS)]
    if head == "process":
        return [(head, "kind")]
    if path == ("motor", "limit_ratio"):
        return [(head, "supply")]
    if head == "gear" and path[-1] in ("lead_angle", "friction"):
        return [(*path[:2], "kind")]
    if head in ("springs", "springs_reverse") and (table[head] or {}).get(str(path[-1])) is None:
        return [(head, "rate")]  # what is missing may not be needed beside a rate
    return []
