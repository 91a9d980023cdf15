"""What a person calls a drive's signals, and their readings as columns. Pure, with numpy."""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nightrake.commissioning.convert import ABSENT, torques
from nightrake.domain.inputs import Got
from nightrake.domain.site import Direction, DriveSpec
from nightrake.history.lanes import Column
from nightrake.history.series import NOT_A_NUMBER, TOO_SHORT, Floats, positions

TORQUE = "torque"
QUALITY_WORDS = {
    **{int(got): got.name.lower().replace("_", " ") for got in Got},
    NOT_A_NUMBER: "not a number",
    TOO_SHORT: "reply too short",
}
CODE_WORDS = {0: "exact", -1: "below", 1: "beyond", ABSENT: "absent"}
"""What a torque is, as forwarded under `torque_is`."""
NOT_READ = -128
"""Code and quality of a row in which a signal was not read."""


class Kind(StrEnum):
    """How a signal's readings are shown."""

    TORQUE = "torque"
    POSITION = "position"
    CONTACT = "contact"
    BIT = "bit"
    NUMBER = "number"


class Signal(NamedTuple):
    """One signal of a drive.

    Attributes:
        name: As a person gives it. role: In `DriveSpec.points`. kind: See there. unit: "" = none, or in the name.
    """

    name: str
    role: str
    kind: Kind
    unit: str = ""

    @property
    def column(self) -> str:
        """Name of its first column."""
        unit = {"N.m": "nm", "kW": "kw"}.get(self.unit, self.unit)
        return f"{self.name}_{unit}" if unit else self.name

    @property
    def is_yes_or_no(self) -> bool:
        """Whether its values are 0 and 1."""
        return self.kind in (Kind.CONTACT, Kind.BIT)


_KNOWN = {
    "position": (Kind.POSITION, "mm"),
    "running": (Kind.BIT, ""),
    "rack_healthy": (Kind.BIT, ""),
    "power": (Kind.NUMBER, "kW"),
    "speed": (Kind.NUMBER, "rpm"),
}


def signals_of(roles: Sequence[str]) -> list[Signal]:
    """All signals of a drive that has, or had, points in these roles; torque first, where there is a position."""
    found = [Signal(TORQUE, "position", Kind.TORQUE, "N.m")] if "position" in roles else []
    for role in roles:
        begin, colon, rest = role.partition(":")
        if begin == "contact":
            found.append(Signal(rest, role, Kind.CONTACT))
        elif begin == "latched":
            found.append(Signal(role, role, Kind.BIT))
        elif colon:
            found.append(Signal(rest if begin == "kept" else role, role, Kind.NUMBER))
        else:
            found.append(Signal(role, role, *_KNOWN.get(role, (Kind.NUMBER, ""))))
    return found


class Torque(NamedTuple):
    """Torque by direction sign.

    Attributes:
        torque_nm: N.m, reverse negative; NaN where absent. uncertainty_nm: Expanded (95 %); NaN where none is stated.
        code: `commissioning.convert` code.
    """

    torque_nm: Floats
    uncertainty_nm: Floats
    code: npt.NDArray[np.int8]


def torque_of(position_mm: Floats, drive: DriveSpec) -> Torque:
    """Torque with its uncertainty; values and codes are those of `series.drive_torque`, bit by bit.

    Args:
        position_mm: As `series.positions` gives it. drive: With the records to convert by.
    """
    found = Torque(
        np.full(position_mm.shape, np.nan),
        np.full(position_mm.shape, np.nan),
        np.full(position_mm.shape, ABSENT, dtype=np.int8),
    )
    two = len(drive.directions) == 2
    backward = position_mm < 0.0 if two else np.zeros(position_mm.shape, dtype=bool)
    sides = ((Direction.FORWARD if two else drive.directions[0], ~backward), (Direction.REVERSE, backward))
    for side, mine in sides:
        curve = drive.calibrations.get(side)
        if curve is None or not mine.any():
            continue
        part = torques(position_mm[mine], curve)
        found.torque_nm[mine] = -part.torque_nm if side is Direction.REVERSE else part.torque_nm
        found.uncertainty_nm[mine], found.code[mine] = part.uncertainty_nm, part.code
    return found


def columns_of(signal: Signal) -> tuple[str, ...]:
    """Names of the columns that `values_of` gives."""
    return (
        (signal.column, f"{signal.name}_u_nm", f"{signal.name}_is") if signal.kind is Kind.TORQUE else (signal.column,)
    )


def values_of(signal: Signal, value: Floats, drive: DriveSpec) -> tuple[Column, ...]:
    """A signal's readings as columns.

    Args:
        value: As `longterm.reading.Samples` has them; NaN where the reading was not good. drive: As it was then.
    """
    if signal.kind in (Kind.TORQUE, Kind.POSITION):
        spec = drive.position
        position_mm = np.full(value.shape, np.nan) if spec is None else positions(value, spec)
        return tuple(torque_of(position_mm, drive)) if signal.kind is Kind.TORQUE else (position_mm,)
    yes = _bit_of(signal, drive)
    if yes is None:
        return (value,)
    return (np.where(np.isnan(value), np.nan, (value == yes).astype(np.float64)),)


def _bit_of(signal: Signal, drive: DriveSpec) -> float | None:
    """The bit that means yes (of a contact: operated); None where the value is shown as it is."""
    if signal.kind is Kind.CONTACT:
        for contact in drive.contacts:
            if signal.role == f"contact:{contact.id.direction}/{contact.id.stage}/{contact.id.channel}":
                return float(contact.operated_bit)
    known = {"running": drive.running, "rack_healthy": drive.rack_healthy}.get(signal.role)
    return None if known is None else float(known.true_bit)
