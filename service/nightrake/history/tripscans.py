"""Scans of one drive side by side: every point of it that a PLC serves, and the torque by the record in force. Pure."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nightrake.commissioning.convert import ABSENT, torques
from nightrake.domain.readplan import ReadPlan
from nightrake.domain.site import Direction, DriveSpec
from nightrake.history.series import Floats, positions, read
from nightrake.history.shapes import I64, Bytes
from nightrake.history.unpack import Unpacked

NOT_ASKED = 255
"""Quality of a point that a scan did not ask for."""


class Torque(NamedTuple):
    """What the position says.

    Attributes:
        position_mm: Arm position, NaN = none. torque_nm: Negative in the reverse direction; NaN = none.
        uncertainty_nm: Expanded (95 %), NaN = not stated. code: See `commissioning.convert`.
    """

    position_mm: Floats
    torque_nm: Floats
    uncertainty_nm: Floats
    code: npt.NDArray[np.int8]


class Scans(NamedTuple):
    """Scans of one PLC, in order, as far as they read anything of the drive.

    Attributes:
        endpoint: The PLC. digest: Settings in force. seq, mono_ns, utc_ms: Of each scan.
        values, quality: By role (`DriveSpec.points`); NaN where quality is not 0, see `history.series`, `NOT_ASKED`.
        torque: None where this PLC does not serve the position.
    """

    endpoint: str
    digest: str
    seq: I64
    mono_ns: I64
    utc_ms: I64
    values: dict[str, Floats]
    quality: dict[str, Bytes]
    torque: Torque | None


def scans_of(
    block: Unpacked, plan: ReadPlan, spec: DriveSpec, digest: str, wanted: npt.NDArray[np.bool_]
) -> Scans | None:
    """A block's scans that are wanted and read anything of a drive; None = there is none.

    Args:
        block: Of the plan's layout. plan: See there. spec: The drive, as the settings of `digest` have it.
        wanted: One for each scan.

    Raises:
        ColumnFault: A column is damaged.
    """
    values: dict[str, Floats] = {}
    quality: dict[str, Bytes] = {}
    asked = np.zeros(block.count, np.bool_)
    for role, point in spec.points().items():
        found = read(block, plan, point) if point.endpoint == block.endpoint else None
        if found is None:
            continue
        values[role], quality[role] = np.full(block.count, np.nan), np.full(block.count, NOT_ASKED, np.uint8)
        values[role][found.rows], quality[role][found.rows] = found.value, found.quality
        asked[found.rows] = True
    rows = np.flatnonzero(wanted & asked)
    if not len(rows):
        return None
    values = {role: column[rows] for role, column in values.items()}
    quality = {role: column[rows] for role, column in quality.items()}
    place, torque = spec.position, None
    if place is not None and "position" in values:
        torque = torque_of(positions(values["position"].copy(), place), spec)
    stamps = (block.seq()[rows], block.mono_ns()[rows], block.utc_ms()[rows])
    return Scans(block.endpoint, digest, *stamps, values, quality, torque)


def torque_of(position_mm: Floats, spec: DriveSpec) -> Torque:
    """Torque by the records in a drive's settings, as `history.series.drive_torque`, with its uncertainty.

    Args:
        position_mm: NaN = none.
    """
    torque_nm, uncertainty_nm = np.full(len(position_mm), np.nan), np.full(len(position_mm), np.nan)
    code = np.full(len(position_mm), ABSENT, np.int8)
    backward = position_mm < 0.0 if len(spec.directions) == 2 else np.zeros(len(position_mm), np.bool_)
    for side in spec.directions:
        mine = backward if len(spec.directions) == 2 and side is Direction.REVERSE else ~backward
        curve = spec.calibrations.get(side)
        if curve is None or not mine.any():
            continue
        found = torques(position_mm[mine], curve)
        torque_nm[mine] = -found.torque_nm if side is Direction.REVERSE else found.torque_nm
        uncertainty_nm[mine], code[mine] = found.uncertainty_nm, found.code
    return Torque(position_mm, torque_nm, uncertainty_nm, code)
