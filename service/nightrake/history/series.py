"""Single series out of a block of history: a point's values, positions in mm, torque. Pure, with numpy.

Every value is the one that the watch's own decoders give (`domain.registers`, `domain.signals`), bit for bit.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nightrake.commissioning.convert import ABSENT, torques
from nightrake.domain.inputs import Got
from nightrake.domain.readplan import ReadPlan
from nightrake.domain.signals import current_fault
from nightrake.domain.site import (
    ContactSpec,
    Direction,
    DriveSpec,
    Order,
    PointSpec,
    PositionSignal,
    PositionSpec,
    ValueType,
)
from nightrake.history.columns import U64
from nightrake.history.shapes import I64, Bytes
from nightrake.history.unpack import Unpacked

Floats = npt.NDArray[np.float64]

GOOD = 0
NOT_A_NUMBER = 10
"""Quality of a reply whose value is none, a float that is not finite; 1 to 9 are `domain.inputs.Got`."""
TOO_SHORT = 11
"""Quality of a reply that ends before the point does."""
_MOST = 2.0**32
_DTYPES = {
    ValueType.INT16: ">i2",
    ValueType.UINT16: ">u2",
    ValueType.INT32: ">i4",
    ValueType.UINT32: ">u4",
    ValueType.FLOAT32: ">f4",
}


class Series(NamedTuple):
    """Readings of one point in one block of history.

    Attributes:
        rows: Records that read it, or tried to. value: Scaled values, bits as 0 or 1; NaN where there is none.
        quality: `GOOD`, what came of reading it (`Got`), `NOT_A_NUMBER` or `TOO_SHORT`.
    """

    rows: I64
    value: Floats
    quality: Bytes


def read(block: Unpacked, plan: ReadPlan, point: PointSpec) -> Series | None:
    """A point's readings; None where the plan does not read it.

    Args:
        block: Of the plan's layout. plan: See there. point: One of its points.

    Raises:
        ColumnFault: A column is damaged.
    """
    found = plan.places.get(point)
    if found is None:
        return None
    number, offset = found
    rows, quality = block.outcomes(number)
    value = np.full(len(rows), np.nan)
    good = np.flatnonzero(quality == Got.GOOD)
    if len(good):
        held, raw = _bits(block, number, offset) if point.table.holds_bits else _registers(block, number, offset, point)
        values, finite = _scaled(raw, point)
        if len(held) == len(rows):  # the common case: every one was read, and whole
            value = values
        else:
            inside = np.searchsorted(rows, held)
            mine = np.full(len(rows), TOO_SHORT, dtype=np.uint8)
            mine[inside] = GOOD
            value[inside] = values
            quality = np.where(quality == Got.GOOD, mine, quality)
        if not finite:
            quality = np.where((quality == GOOD) & ~np.isfinite(value), np.uint8(NOT_A_NUMBER), quality)
        value[quality != GOOD] = np.nan
    return Series(rows, value, quality)


def _bits(block: Unpacked, number: int, offset: int) -> tuple[I64, U64]:
    """One bit of packed ones: rows whose reply has it, and its values."""
    byte, shift = divmod(offset, 8)
    rows, words = block.word(number, byte // 2)
    up = np.uint64(shift if byte % 2 else shift + 8)
    bits = words >> up & np.uint64(1)
    if byte % 2:
        return rows, bits
    odd, last = block.last_byte(number, 2 * (byte // 2) + 1)
    if not len(odd):
        return rows, bits
    order = np.argsort(np.concatenate([rows, odd]), kind="stable")
    both = np.concatenate([bits, last >> np.uint64(shift) & np.uint64(1)])
    return np.concatenate([rows, odd])[order], both[order]


def _registers(block: Unpacked, number: int, offset: int, point: PointSpec) -> tuple[I64, U64]:
    """A point's registers, in the wire's order put right: rows whose reply has them all, and their bits."""
    rows, first = block.word(number, offset)
    if point.type is ValueType.BIT:
        return rows, first >> np.uint64(point.bit) & np.uint64(1)
    swapped = point.order in (Order.BADC, Order.DCBA)
    if point.type.words == 1:
        return rows, _swapped(first) if swapped else first
    rows, second = block.word(number, offset + 1)
    if len(first) != len(second):
        held, first = block.word(number, offset)
        first = first[np.searchsorted(held, rows)]
    if swapped:
        first, second = _swapped(first), _swapped(second)
    if point.order in (Order.CDAB, Order.DCBA):
        first, second = second, first
    return rows, first << np.uint64(16) | second


def _swapped(words: U64) -> U64:
    return (words & np.uint64(0xFF)) << np.uint64(8) | words >> np.uint64(8)


def _scaled(raw: U64, point: PointSpec) -> tuple[Floats, bool]:
    """Values, and whether all of them must be finite."""
    if point.table.holds_bits or point.type is ValueType.BIT:
        return raw.astype(np.float64), True
    kind = np.dtype(_DTYPES[point.type])
    unsigned = raw.astype(f">u{kind.itemsize}")
    with np.errstate(invalid="ignore"):  # a register may hold a float that is none
        numbers = unsigned.view(kind).astype(np.float64)
    if point.type is not ValueType.FLOAT32 and (point.scale, point.offset) == (1.0, 0.0):
        return numbers, True
    with np.errstate(over="ignore", invalid="ignore"):
        values = numbers * point.scale + point.offset
    whole = point.type is not ValueType.FLOAT32
    return values, whole and math.isfinite(abs(point.scale) * _MOST + abs(point.offset))


def positions(value: Floats, spec: PositionSpec) -> Floats:
    """Arm positions, mm; NaN where there is none (NAMUR NE 43), as `domain.signals.position_of` has it.

    Args:
        value: Scaled signal, NaN = none. spec: The transducer.
    """
    if spec.signal is PositionSignal.SCALED:
        return value
    slope = (spec.hi_mm - spec.lo_mm) / (spec.hi - spec.lo)
    position_mm: Floats = spec.lo_mm + (value - spec.lo) * slope
    if spec.signal is PositionSignal.COUNTS and spec.counts_per_ma == 0.0:
        return position_mm
    current_ma = value / (spec.counts_per_ma if spec.signal is PositionSignal.COUNTS else 1.0)
    outside = np.flatnonzero(~((current_ma >= 4.0) & (current_ma <= 20.0)) & ~np.isnan(current_ma))
    if len(outside):
        each, which = np.unique(current_ma[outside], return_inverse=True)
        faulty = np.array([bool(current_fault(round(one, 6))) for one in each.tolist()], dtype=bool)
        position_mm[outside[faulty[which]]] = np.nan
    return position_mm


def drive_torque(position_mm: Floats, drive: DriveSpec) -> tuple[Floats, npt.NDArray[np.int8]]:
    """Output torque of a drive, N.m, negative in the reverse direction, and what each value says.

    Args:
        position_mm: Arm positions, NaN = none. drive: With the calibration records to convert by.

    Returns:
        Torque, NaN where absent; `commissioning.convert` code.
    """
    torque_nm = np.full(position_mm.shape, np.nan)
    code = np.full(position_mm.shape, ABSENT, dtype=np.int8)
    backward = position_mm < 0.0 if len(drive.directions) == 2 else np.zeros(position_mm.shape, dtype=bool)
    only = drive.directions[0]
    for side, mine in (
        (only if len(drive.directions) == 1 else Direction.FORWARD, ~backward),
        (Direction.REVERSE, backward),
    ):
        curve = drive.calibrations.get(side)
        if curve is None or not mine.any():
            continue
        found = torques(position_mm[mine], curve)
        torque_nm[mine] = -found.torque_nm if side is Direction.REVERSE else found.torque_nm
        code[mine] = found.code
    return torque_nm, code


def contact_operated(value: Floats, contact: ContactSpec) -> npt.NDArray[np.bool_]:
    """Whether a contact reads operated; False where its value is NaN."""
    return np.asarray(value == float(contact.operated_bit))
