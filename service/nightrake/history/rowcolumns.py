"""Columns of summaries as bytes, and back: read one without opening the others. Pure.

    blob = length of the names (2) | crc32 of names and numbers (4) | names | numbers | columns
    names = of the columns, a blank between; numbers = for each: kind (1) | count (4) | how (1) | bytes (4) | crc32 (4)

A column of one number is that number. Torques of a few hundred different counts are a list of these and the place of
each in it. Others are kept byte plane by byte plane, a plane as it is where deflate would not make much of it (the low
bytes of means): that is small enough, and quick to read.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np

from nightrake.history.rows import Column, Table

_KINDS = tuple(np.dtype(k) for k in ("<f4", "<f8", "<i4", "<i8"))
_ONE, _WHOLE, _PLANES, _LISTED = 0, 1, 2, 3
_SIZE = struct.Struct("<HI")
_HEAD = struct.Struct("<BIBII")
MOST = 4_000_000
"""Numbers in one column at most: damage must not ask for all memory."""
_PLANE = struct.Struct("<I")
_WORTH = 0.4
"""A plane that deflate does not make smaller than this stays as it is."""
_FEW = 0.6
"""A column with fewer different numbers than this share of all is listed."""


class RowFault(ValueError):
    """The bytes are no columns of a summary."""


class _Place(NamedTuple):
    kind: np.dtype[Any]
    length: int
    how: int
    data: bytes


def encode(table: Mapping[str, Column]) -> bytes:
    """The bytes of columns; a name has no blank in it."""
    numbers, bodies = [], []
    for column in table.values():
        kind = _KINDS.index(column.dtype.newbyteorder("<"))
        how, body = _squeezed(np.ascontiguousarray(column, _KINDS[kind]))
        numbers.append(_HEAD.pack(kind, len(column), how, len(body), zlib.crc32(body)))
        bodies.append(body)
    names = " ".join(table).encode()
    head = names + b"".join(numbers)
    return _SIZE.pack(len(names), zlib.crc32(head)) + head + b"".join(bodies)


def decode(blob: bytes, wanted: Collection[str] | None = None) -> Table:
    """Columns out of their bytes.

    Args:
        wanted: Their names; None = all. One that is not there is left out.

    Raises:
        RowFault: The bytes are damaged.
    """
    with _faults():
        return {name: _decoded([place])[0] for name, place in _places(blob, wanted)}


def decode_days(blobs: Sequence[bytes], wanted: Collection[str]) -> dict[str, Column]:
    """Columns of many days at a time, which is much quicker than one by one.

    Args:
        blobs: One for each day, all with columns of one length.
        wanted: See `decode`; a column that not every day has is left out.

    Returns:
        For each column a row for each day.

    Raises:
        RowFault: The bytes of a day are damaged.
    """
    with _faults():
        found: dict[str, list[_Place]] = {}
        for blob in blobs:
            for name, place in _places(blob, wanted):
                found.setdefault(name, []).append(place)
        return {name: _decoded(places) for name, places in found.items() if len(places) == len(blobs)}


@contextmanager
def _faults() -> Iterator[None]:
    try:
        yield
    except RowFault:
        raise
    except (struct.error, zlib.error, ValueError, IndexError, KeyError) as error:
        raise RowFault(f"a summary cannot be read ({error})") from error


def _places(blob: bytes, wanted: Collection[str] | None) -> Iterator[tuple[str, _Place]]:
    """The columns in some bytes, each looked at for damage when it is taken."""
    size, crc = _SIZE.unpack_from(blob)
    names, numbers = _named(blob[_SIZE.size : _SIZE.size + size])
    at = _SIZE.size + size + numbers.size
    if zlib.crc32(blob[_SIZE.size : at]) != crc:
        raise RowFault("a summary's head does not fit its check sum")
    values = numbers.unpack_from(blob, _SIZE.size + size)
    for i, name in enumerate(names):
        kind, count, how, length, crc = values[5 * i : 5 * i + 5]
        if wanted is None or name in wanted:
            data = blob[at : at + length]
            if zlib.crc32(data) != crc or count > MOST:
                raise RowFault("a column of a summary does not fit its check sum")
            yield name, _Place(_KINDS[kind], count, how, data)
        at += length


@lru_cache(maxsize=64)
def _named(names: bytes) -> tuple[list[str], struct.Struct]:
    found = names.decode().split()
    return found, struct.Struct("<" + _HEAD.format.lstrip("<") * len(found))


def _squeezed(column: Column) -> tuple[int, bytes]:
    data = column.tobytes()
    width = column.dtype.itemsize
    if not len(column):
        return _WHOLE, zlib.compress(b"")
    if data == data[:width] * len(column):
        return _ONE, data[:width]
    ways = [(_PLANES, _planes(column)), (_WHOLE, zlib.compress(data, 6))]
    bits = column.view(np.uint32 if width == 4 else np.uint64)
    different, place = np.unique(bits, return_inverse=True)
    if len(different) < min(_FEW * len(column), 2**16):
        listed = zlib.compress(np.diff(different, prepend=different[:0].dtype.type(0)).tobytes(), 6)
        ways.append((_LISTED, _PLANE.pack(len(listed)) + listed + _planes(place.astype("<u2"))))
    return min(ways, key=lambda way: len(way[1]))


def _planes(column: Column) -> bytes:
    """Plane by plane: one byte where all are the same, as they are, or squeezed; the lengths tell which."""
    planes = []
    for plane in column.view(np.uint8).reshape(-1, column.dtype.itemsize).T:
        plain = plane.tobytes()
        small = plain[:1] if plain == plain[:1] * len(plain) else zlib.compress(plain, 6)
        planes.append(small if len(small) < _WORTH * len(plain) else plain)
    return b"".join(_PLANE.pack(len(p)) for p in planes) + b"".join(planes)


def _decoded(places: Sequence[_Place]) -> Column:
    """One column of some days, a row for each."""
    first = places[0]
    if any((p.length, p.kind) != (first.length, first.kind) for p in places):
        raise RowFault("days of a summary do not have the same length")
    out = np.empty((len(places), first.length), first.kind)
    for how in {p.how for p in places} if first.length else ():
        mine = [i for i, p in enumerate(places) if p.how == how]
        some = [places[i].data for i in mine]
        if how == _ONE:
            out[mine] = np.frombuffer(b"".join(some), first.kind)[:, None]
        else:
            out[mine] = _WAYS[how](some, first.kind, first.length)
    return out


def _from_whole(some: Sequence[bytes], kind: np.dtype[Any], count: int) -> Column:
    return np.frombuffer(b"".join([_inflate(d, count * kind.itemsize) for d in some]), kind).reshape(-1, count)


def _from_planes(some: Sequence[bytes], kind: np.dtype[Any], count: int) -> Column:
    width, planes = kind.itemsize, []
    lengths = struct.Struct(f"<{width}I")
    for data in some:
        at = lengths.size
        for size in lengths.unpack_from(data):
            plane = data[at : at + size]
            at += size
            planes.append(plane if size == count else plane * count if size == 1 else _inflate(plane, count))
    table = np.frombuffer(b"".join(planes), np.uint8).reshape(len(some), width, count)
    return np.ascontiguousarray(table.transpose(0, 2, 1)).view(kind).reshape(len(some), count)


def _from_listed(some: Sequence[bytes], kind: np.dtype[Any], count: int) -> Column:
    lists, places = [], []
    for data in some:
        (size,) = _PLANE.unpack_from(data)
        lists.append(_inflate(data[_PLANE.size : _PLANE.size + size], kind.itemsize << 16))
        places.append(data[_PLANE.size + size :])
    bits = np.dtype(f"<u{kind.itemsize}")
    lengths = np.array([len(one) // kind.itemsize for one in lists])
    begins = np.cumsum(lengths) - lengths
    summed = np.cumsum(np.frombuffer(b"".join(lists), bits), dtype=bits)
    # Each list begins anew: what all lists before it add up to is taken away again (modulo the size of a number).
    summed -= np.repeat(np.where(begins > 0, summed[begins - 1], bits.type(0)), lengths)
    where = _from_planes(places, _LISTED_AT, count)
    if (where.max(axis=1, initial=0) >= lengths).any():
        raise RowFault("a column of a summary names numbers that are not there")
    found: Column = summed.view(kind).take(where + begins[:, None])
    return found


_LISTED_AT = np.dtype("<u2")
_WAYS = {_WHOLE: _from_whole, _PLANES: _from_planes, _LISTED: _from_listed}


def _inflate(data: bytes, size: int) -> bytes:
    """The bytes of a plane; what is inflated has passed its check sum, so that it is ours."""
    plain = zlib.decompress(data, bufsize=size)
    if len(plain) > size:
        raise RowFault("a column of a summary is longer than it says")
    return plain
