"""What turns raw steps of a drive's position into torque: the transducer's span and the records in force. Pure.

Kept with the histograms under its digest, so that they can be read when the settings of that time are gone.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from nightrake.commissioning.convert import ABSENT, torques
from nightrake.domain.rows import canonical
from nightrake.domain.site import (
    CalibrationCurve,
    Direction,
    DriveSpec,
    Order,
    PointSpec,
    PositionSignal,
    PositionSpec,
    Table,
    ValueType,
)
from nightrake.history.histogram import Floats, Ints, raw_of
from nightrake.history.series import positions

FORWARD, REVERSE = 0, 1
SIDES = (Direction.FORWARD, Direction.REVERSE)
"""Directions by the number that arrays hold."""
NO_SIDE = -1
"""Of a raw value that gives no position, such as a failure current."""


class Converted(NamedTuple):
    """What raw steps say.

    Attributes:
        side: FORWARD, REVERSE, or NO_SIDE where there is no position.
        position_mm: NaN where there is none.
        torque_nm: Magnitude; the limit where below or beyond; NaN where absent.
        code: As `commissioning.convert` has them.
    """

    side: npt.NDArray[np.int8]
    position_mm: Floats
    torque_nm: Floats
    code: npt.NDArray[np.int8]


@dataclass(frozen=True)
class Basis:
    """Transducer and records of one drive.

    Attributes:
        position: The transducer. two: Whether the device senses both directions. only: Else the one it senses.
        curves: The record in force for each direction that has one.
    """

    position: PositionSpec
    two: bool
    only: Direction
    curves: Mapping[Direction, CalibrationCurve]

    @property
    def digest(self) -> str:
        """SHA-256 (hex) over all of it."""
        return hashlib.sha256(self.content().encode()).hexdigest()

    def content(self) -> str:
        """All of it as text, for `basis_from`."""
        return canonical(
            {
                "position": asdict(self.position),
                "two": self.two,
                "only": self.only,
                "curves": {str(side): asdict(curve) for side, curve in self.curves.items()},
            }
        ).decode()

    def with_curve(self, curve: CalibrationCurve) -> Basis:
        """The same under another record for its direction."""
        return replace(self, curves={**self.curves, curve.direction: curve})

    def convert(self, steps: Ints) -> Converted:
        """Convert raw steps: each value is the one that the watch's own judgement gives, to the last bit."""
        point = self.position.point
        value = raw_of(steps, point.type)
        if (point.scale, point.offset) != (1.0, 0.0):
            value = value * point.scale + point.offset
        position_mm = positions(value, self.position)
        side = np.full(len(steps), SIDES.index(self.only), np.int8)
        if self.two:
            side[:] = np.where(position_mm < 0.0, REVERSE, FORWARD)
        side[np.isnan(position_mm)] = NO_SIDE
        torque_nm = np.full(len(steps), np.nan)
        code = np.full(len(steps), ABSENT, np.int8)
        for direction, curve in self.curves.items():
            mine = side == SIDES.index(direction)
            if mine.any():
                found = torques(position_mm[mine], curve)
                torque_nm[mine], code[mine] = found.torque_nm, found.code
        return Converted(side, position_mm, torque_nm, code)


def basis_of(spec: DriveSpec) -> Basis | None:
    """The basis of a drive under its settings; None where it has no transducer."""
    if spec.position is None:
        return None
    return Basis(spec.position, len(spec.directions) == 2, spec.directions[0], dict(spec.calibrations))


def basis_from(content: str) -> Basis:
    """The basis that `Basis.content` wrote down."""
    table = json.loads(content)
    given = dict(table["position"])
    position = PositionSpec(**{**given, "point": _point(given["point"]), "signal": PositionSignal(given["signal"])})
    curves = {Direction(side): curve_of(curve) for side, curve in table["curves"].items()}
    return Basis(position, table["two"], Direction(table["only"]), curves)


def curve_of(table: Mapping[str, Any]) -> CalibrationCurve:
    """A record's curve from its plain values."""
    plain: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in table.items()}
    return CalibrationCurve(**{**plain, "direction": Direction(plain["direction"])})


def _point(values: Any) -> PointSpec:
    point = PointSpec(*values) if isinstance(values, list) else PointSpec(**values)
    return point._replace(table=Table(point.table), type=ValueType(point.type), order=Order(point.order))
