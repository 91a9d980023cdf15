"""Tail records of one PLC, some minutes up to an hour of them, to columns. Pure, with numpy.

    head      what all have in common: shapes, columns that never change, where the clocks stood
    columns   number of the shape, UTC, monotonic time beside UTC, input number; for each block of the read plan how
              long before the scan's end its reply was there, and each register (two bytes of bits) of its data

`unpack` gives every record back as it was, bit for bit.
"""

from __future__ import annotations

import json
import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from nightrake.domain.rows import TailRecord
from nightrake.history.columns import U64, pack_column
from nightrake.history.shapes import Group, Part, grouped

FORMAT = 1
SHAPE, UTC, BESIDE, SEQ, LENGTH, WHOLE = range(6)
"""Columns that every block of history has: number of the shape; UTC, ms; monotonic ns less UTC; input number; length of
each payload that is kept whole, and these payloads themselves."""
OF_BLOCKS = 8
PER_BLOCK = 128
"""Column numbers for each block of a read plan: first the reply's time, then words, at last a single odd byte."""
ODD_BYTE = 127
MS_NS = np.uint64(1_000_000)


def column_of(block: int, place: int) -> int:
    """Number of a column of a read plan's block. place: 0 = reply time; 1.. = words; `ODD_BYTE`."""
    return OF_BLOCKS + PER_BLOCK * block + place


@dataclass(frozen=True, slots=True)
class Packed:
    """One block of history.

    Attributes:
        endpoint, layout: PLC and read plan of its scans; "" for inputs of other kinds.
        head: See the module. columns: Number -> bytes.
        count: Records. first, last: The ends, without their payloads.
    """

    endpoint: str
    layout: str
    head: bytes
    columns: dict[int, bytes]
    count: int
    first: TailRecord
    last: TailRecord


def pack(records: Sequence[TailRecord]) -> Packed:
    """Columns of tail records.

    Args:
        records: At least one, all of one endpoint and layout.
    """
    first, last, count = records[0], records[-1], len(records)
    kinds, payloads = [r.kind for r in records], [r.payload for r in records]
    seq = np.fromiter((r.seq for r in records), dtype=np.int64, count=count).view(np.uint64)
    utc = np.fromiter((r.utc_ms for r in records), dtype=np.int64, count=count).view(np.uint64)
    mono = np.fromiter((r.mono_ns for r in records), dtype=np.int64, count=count).view(np.uint64)
    beside = mono - utc * MS_NS  # wraps around, as does the way back
    least = np.uint64(int(beside.view(np.int64).min()) % 2**64)
    groups = grouped(kinds, payloads)
    made = _Columns()
    made.add(SHAPE, _shape_numbers(groups, count), steps=True)
    made.add(UTC, utc, steps=True)
    made.add(BESIDE, beside - least, steps=False)
    made.add(SEQ, seq, steps=True)
    _add_blocks(made, groups, count)
    _add_whole(made, groups, payloads)
    head = {
        "format": FORMAT,
        "endpoint": first.endpoint,
        "layout": first.layout,
        "count": count,
        "beside": int(least),
        "shapes": [[g.shape.kind, None if g.shape.parts is None else _plain(g.shape.parts)] for g in groups],
        "constant": {str(number): value for number, value in made.constant.items()},
    }
    text = json.dumps(head, separators=(",", ":")).encode()
    ends = [r._replace(payload=b"") for r in (first, last)]
    return Packed(first.endpoint, first.layout, zlib.compress(text, 9), made.columns, count, *ends)


def _plain(parts: Sequence[Part]) -> list[list[Any]]:
    return [[p.block, p.got, p.size, p.said.decode("latin-1")] for p in parts]


class _Columns:
    """Columns in the making; one that holds the same number throughout is kept as that number."""

    def __init__(self) -> None:
        self.columns: dict[int, bytes] = {}
        self.constant: dict[int, int] = {}

    def add(self, number: int, values: U64, *, steps: bool) -> None:
        if not len(values):
            return
        first = values[0]
        if (values == first).all():
            self.constant[number] = int(first)
        else:
            self.columns[number] = pack_column(values, steps=steps)


def _shape_numbers(groups: Sequence[Group], count: int) -> U64:
    numbers = np.zeros(count, dtype=np.uint64)
    for number, group in enumerate(groups):
        numbers[group.rows] = number
    return numbers


def _add_blocks(made: _Columns, groups: Sequence[Group], count: int) -> None:
    """For each block of the read plan the reply times and data of all scans that have read it."""
    blocks = sorted({part.block for group in groups for part in group.shape.parts or ()})
    for block in blocks:
        mine = [(group, part) for group in groups if (part := group.shape.part(block)) is not None]
        made.add(column_of(block, 0), _gathered([(g, p.at + 3) for g, p in mine], "<u8", count), steps=False)
        for word in range(max(part.size for _, part in mine) // 2):
            held = [(g, p.data_at + 2 * word) for g, p in mine if p.size >= 2 * word + 2]
            made.add(column_of(block, 1 + word), _gathered(held, ">u2", count), steps=True)
        odd = [(g, p.data_at + p.size - 1) for g, p in mine if p.size % 2]
        made.add(column_of(block, ODD_BYTE), _gathered(odd, "u1", count), steps=True)


def _gathered(places: Sequence[tuple[Group, int]], what: str, count: int) -> U64:
    """Numbers from some groups' payloads, in the order of their rows.

    Args:
        places: Groups, and where the number lies in their payloads. what: Its type. count: Rows in all.
    """
    if len(places) == 1:
        return _numbers(*places[0], what)
    has, values = np.zeros(count, dtype=bool), np.zeros(count, dtype=np.uint64)
    for group, at in places:
        has[group.rows] = True
        values[group.rows] = _numbers(group, at, what)
    return values[has]


def _numbers(group: Group, at: int, what: str) -> U64:
    wide = np.dtype(what).itemsize
    return np.ascontiguousarray(group.table[:, at : at + wide]).view(what).reshape(-1).astype(np.uint64)


def _add_whole(made: _Columns, groups: Sequence[Group], payloads: Sequence[bytes]) -> None:
    rows = sorted(row for group in groups if group.shape.parts is None for row in group.rows.tolist())
    if not rows:
        return
    kept = [payloads[row] for row in rows]
    lengths = np.fromiter(map(len, kept), dtype=np.uint64, count=len(kept))
    made.add(LENGTH, lengths, steps=False)
    data = zlib.compress(b"".join(kept), 6)
    made.columns[WHOLE] = struct.pack("<I", zlib.crc32(data)) + data
