"""One column of whole numbers as few bytes, and back, bit for bit. Pure, with numpy.

    column = crc32 (4) | mode (1) | ...
    PLAIN:  planes                       one for each byte of the numbers, the lowest first, as far as any is not zero
    STEPS:  first number (8) | planes    of the zigzag differences between neighbours
    RUNS:   runs (4) | length (4) | ... | ...   how long each run is, and what it holds, as above from the mode on
    planes: count (1) | for each: how (1) | length (4) | bytes

Readings of a slow machine differ by a step or two from their neighbours, so that of their differences only the lowest
byte says anything; reply times are random in their two lowest bytes, which are kept as they are. Planes are squeezed
one by one: a random one would spoil the code of the others.
"""

from __future__ import annotations

import struct
import zlib

import numpy as np
import numpy.typing as npt

U64 = npt.NDArray[np.uint64]
I64 = npt.NDArray[np.int64]

PLAIN, STEPS, RUNS = 0, 1, 2
_RAW, _ONE, _DEFLATE = 0, 1, 2
FEW_RUNS = 12
"""A column with a change in fewer than one of so many rows is kept as runs."""
_CRC = struct.Struct("<I")
_FIRST = struct.Struct("<Q")
_RUNS = struct.Struct("<II")
_PLANE = struct.Struct("<BI")
_RANDOM = 0.97
"""A plane that deflate cannot make smaller than this is kept as it is: it is quicker to read."""


class ColumnFault(ValueError):
    """The bytes are not those that were written."""


def pack_column(values: U64, *, steps: bool) -> bytes:
    """The bytes of a column.

    Args:
        values: At least one. steps: Whether neighbours are alike, so that their differences say less.
    """
    body = _body(values, steps)
    return _CRC.pack(zlib.crc32(body)) + body


def unpack_column(data: bytes, count: int) -> U64:
    """The column that `pack_column` made of `count` numbers.

    Raises:
        ColumnFault: It is damaged.
    """
    body = data[_CRC.size :]
    if len(data) < _CRC.size + 1 or _CRC.unpack_from(data)[0] != zlib.crc32(body):
        raise ColumnFault("a column does not fit its check sum")
    try:
        return _values(body, count)
    except (struct.error, zlib.error, ValueError, IndexError) as error:
        raise ColumnFault(f"a column cannot be read ({error})") from error


def _body(values: U64, steps: bool) -> bytes:
    count = len(values)
    if steps and count > FEW_RUNS:
        changes = np.flatnonzero(values[1:] != values[:-1])
        if (len(changes) + 1) * FEW_RUNS < count:
            begins = np.concatenate(([0], changes + 1))
            lengths, held = np.diff(begins, append=count), values[begins]
            where = _body(lengths.astype(np.uint64), steps=False)
            return bytes((RUNS,)) + _RUNS.pack(len(begins), len(where)) + where + _body(held, steps=False)
    if not steps:
        return bytes((PLAIN,)) + _planes(values)
    differences = np.empty_like(values)
    np.subtract(values[1:], values[:-1], out=differences[1:])
    differences[0] = differences[1] if count > 1 else 0  # stands for nothing, and is to be like the others
    return bytes((STEPS,)) + _FIRST.pack(int(values[0])) + _planes(_zigzag(differences))


def _values(body: bytes, count: int) -> U64:
    mode = body[0]
    if mode == PLAIN:
        return _from_planes(body, 1, count)
    if mode == STEPS:
        differences = _differences(body, 1 + _FIRST.size, count)
        differences[0] = _FIRST.unpack_from(body, 1)[0]
        return np.cumsum(differences, dtype=np.uint64)
    if mode != RUNS:
        raise ColumnFault(f"a column of an unknown mode {mode}")
    runs, size = _RUNS.unpack_from(body, 1)
    at = 1 + _RUNS.size
    lengths = _values(body[at : at + size], runs).astype(np.int64)
    values = np.repeat(_values(body[at + size :], runs), lengths)
    if len(values) != count:
        raise ColumnFault("a column has another length")
    return values


def _zigzag(differences: U64) -> U64:
    """Small differences of either sign become small numbers."""
    signed = differences.view(np.int64)
    return ((signed << 1) ^ (signed >> 63)).view(np.uint64)


def _unzigzag(numbers: U64) -> U64:
    return (numbers >> np.uint64(1)) ^ (np.uint64(0) - (numbers & np.uint64(1)))


_OF_BYTE = _unzigzag(np.arange(256, dtype=np.uint64))
"""Differences by their zigzag number, of one byte."""


def _differences(body: bytes, at: int, count: int) -> U64:
    if body[at] == 1:  # the commonest by far, and the quickest
        return _OF_BYTE[_plane(body, at + 1, count)[0]]
    return _unzigzag(_from_planes(body, at, count))


def _planes(values: U64) -> bytes:
    """The bytes of the numbers, place by place."""
    highest = int(values.max())
    places = (highest.bit_length() + 7) // 8
    table = values.astype("<u8", copy=False).view(np.uint8).reshape(-1, 8)
    parts = [bytes((places,))]
    for place in range(places):
        plane = np.ascontiguousarray(table[:, place]).tobytes()
        how, data = _squeezed(plane)
        parts += (_PLANE.pack(how, len(data)), data)
    return b"".join(parts)


def _squeezed(plane: bytes) -> tuple[int, bytes]:
    if plane.count(plane[0]) == len(plane):
        return _ONE, plane[:1]
    smallest = min((_deflate(plane, how) for how in (zlib.Z_DEFAULT_STRATEGY, zlib.Z_HUFFMAN_ONLY)), key=len)
    return (_DEFLATE, smallest) if len(smallest) < _RANDOM * len(plane) else (_RAW, plane)


def _deflate(plane: bytes, strategy: int) -> bytes:
    squeeze = zlib.compressobj(6, zlib.DEFLATED, -15, 9, strategy)
    return squeeze.compress(plane) + squeeze.flush()


def _from_planes(body: bytes, at: int, count: int) -> U64:
    places = body[at]
    at += 1
    table = np.zeros((count, 8), dtype=np.uint8)
    for place in range(places):
        table[:, place], at = _plane(body, at, count)
    return table.view("<u8").reshape(count).astype(np.uint64, copy=False)


def _plane(body: bytes, at: int, count: int) -> tuple[npt.NDArray[np.uint8], int]:
    """One plane, and where the next begins."""
    how, size = _PLANE.unpack_from(body, at)
    at += _PLANE.size
    data = body[at : at + size]
    if how == _ONE:
        return np.full(count, data[0], dtype=np.uint8), at + size
    plane = data if how == _RAW else _inflate(data, count)
    return np.frombuffer(plane, dtype=np.uint8, count=count), at + size


def _inflate(data: bytes, count: int) -> bytes:
    """Never more than was asked for, whatever the bytes say."""
    return zlib.decompressobj(-15).decompress(data, count)
