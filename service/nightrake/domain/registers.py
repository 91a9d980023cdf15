"""From reply bytes to numbers: one small decoder for each point, made once. Pure.

Registers come as big-endian bytes, two each; bits packed least significant first (`inputs.BlockReply`).
Source of the byte order on the wire: Modbus Application Protocol V1.1b3, section 4.2 (big-endian registers).
"""

from __future__ import annotations

import math
import struct
from collections.abc import Callable

from nightrake.domain.site import Order, PointSpec, ValueType

Decoder = Callable[[bytes], float | int | str]
"""Takes a block's data; gives the scaled value, a bit (0 or 1), or a str that says why there is no value."""

NOT_A_NUMBER = "value is not a number"

_CODES = {
    ValueType.INT16: "h",
    ValueType.UINT16: "H",
    ValueType.INT32: "i",
    ValueType.UINT32: "I",
    ValueType.FLOAT32: "f",
}
_MOST = 2.0**32
"""No integer is larger."""


def decoder(point: PointSpec, offset: int) -> Decoder:
    """Make the decoder of a point that lies `offset` bits or registers into its block."""
    if point.table.holds_bits:
        return _packed_bit(offset)
    if point.type is ValueType.BIT:
        return _register_bit(offset, point.bit)
    return _number(point, offset)


def _packed_bit(offset: int) -> Decoder:
    byte, shift = divmod(offset, 8)

    def bit(data: bytes) -> int:
        return data[byte] >> shift & 1

    return bit


def _register_bit(offset: int, number: int) -> Decoder:
    byte, shift = 2 * offset + (0 if number >= 8 else 1), number % 8

    def bit(data: bytes) -> int:
        return data[byte] >> shift & 1

    return bit


def _number(point: PointSpec, offset: int) -> Decoder:
    at, size = 2 * offset, 2 * point.type.words
    wide = size == 4
    little = point.order is Order.DCBA or (not wide and point.order is Order.BADC)
    unpack = struct.Struct(("<" if little else ">") + _CODES[point.type]).unpack_from
    if wide and point.order in (Order.CDAB, Order.BADC):
        return _reordered(point, at)
    scale, shift = point.scale, point.offset
    if point.type is not ValueType.FLOAT32 and (scale, shift) != (1.0, 0.0) and _stays_finite(point):
        # As `_scaled` would make it; a call less, of the commonest decoder of all.
        return lambda data: unpack(data, at)[0] * scale + shift
    return _scaled(lambda data: unpack(data, at)[0], point)


def _stays_finite(point: PointSpec) -> bool:
    """Whether no integer leaves the range of a float by its scale."""
    return math.isfinite(abs(point.scale) * _MOST + abs(point.offset))


def _reordered(point: PointSpec, at: int) -> Decoder:
    """CDAB and BADC: neither plain big- nor little-endian, so the bytes are put in order first."""
    unpack = struct.Struct(">" + _CODES[point.type]).unpack
    if point.order is Order.CDAB:

        def ordered(data: bytes) -> bytes:
            return data[at + 2 : at + 4] + data[at : at + 2]
    else:

        def ordered(data: bytes) -> bytes:
            return bytes((data[at + 1], data[at], data[at + 3], data[at + 2]))

    return _scaled(lambda data: unpack(ordered(data))[0], point)


def _scaled(read: Callable[[bytes], float], point: PointSpec) -> Decoder:
    scale, shift, isfinite = point.scale, point.offset, math.isfinite
    if point.type is not ValueType.FLOAT32:
        if scale == 1.0 and shift == 0.0:
            return read  # an integer stays one: counters are compared bit for bit
        if _stays_finite(point):
            return lambda data: read(data) * scale + shift

    def number(data: bytes) -> float | str:
        value = read(data) * scale + shift
        return value if isfinite(value) else NOT_A_NUMBER

    return number
