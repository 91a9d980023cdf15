"""What lies where in the payloads of one PLC's scans: most have one of a few shapes. Pure, with numpy.

A scan's payload (`domain.tailcodec`) is its blocks one after the other: block number (2 bytes), outcome (1), how long
before the scan's end (8), length of the data (2) and of what was said of it (2), data, what was said. Two scans have
one shape when all but the times and the data agree. Whatever has no shape, damaged payloads and inputs of other kinds,
is kept whole.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

I64 = npt.NDArray[np.int64]
Bytes = npt.NDArray[np.uint8]

HEAD = struct.Struct("<HBqHH")
"""Of one block within a payload: block, outcome, ns before the scan's end, data bytes, bytes of what was said."""
MOST_DATA = 250
"""Bytes of one reply at most: 125 registers, or 2 000 bits. Source: Modbus Application Protocol V1.1b3, 6.1 to 6.4."""
MOST_SHAPES = 200
"""In one block of history; scans of any further shape are kept whole."""


class Part(NamedTuple):
    """One block within a payload.

    Attributes:
        block: Its number in the read plan. got: What came of it (`domain.inputs.Got`).
        size: Bytes of its data. said: What was said of it (`BlockReply.detail`), as bytes.
        at: Where its head begins in the payload.
    """

    block: int
    got: int
    size: int
    said: bytes
    at: int

    @property
    def data_at(self) -> int:
        """Where its data begin in the payload."""
        return self.at + HEAD.size


class Shape(NamedTuple):
    """What payloads have in common.

    Attributes:
        kind: Of the tail records. parts: The blocks of a scan; None = the payload is kept whole.
    """

    kind: str
    parts: tuple[Part, ...] | None

    @property
    def length(self) -> int:
        """Bytes of such a payload; 0 where it is kept whole."""
        last = self.parts[-1] if self.parts else None
        return last.data_at + last.size + len(last.said) if last else 0

    def part(self, block: int) -> Part | None:
        """Where a block lies, if such scans have read it."""
        return next((p for p in self.parts or () if p.block == block), None)


class Group(NamedTuple):
    """Payloads of one shape.

    Attributes:
        shape: Theirs. rows: Which they are, rising. table: Their bytes, one row for each; empty where kept whole.
    """

    shape: Shape
    rows: I64
    table: Bytes


def shape_of(payload: bytes) -> tuple[Part, ...] | None:
    """The blocks of one scan's payload; None when it is no whole scan, or one that columns cannot hold."""
    at, parts, seen = 0, [], set[int]()
    while at < len(payload):
        if at + HEAD.size > len(payload):
            return None
        block, got, _, size, said_size = HEAD.unpack_from(payload, at)
        end = at + HEAD.size + size + said_size
        if end > len(payload) or size > MOST_DATA or block in seen:
            return None
        seen.add(block)
        parts.append(Part(block, got, size, payload[end - said_size : end], at))
        at = end
    return tuple(parts)


def place(parts: Sequence[tuple[int, int, int, bytes]]) -> tuple[Part, ...]:
    """Parts of which all but the places are known, each where it must lie."""
    placed, at = [], 0
    for block, got, size, said in parts:
        placed.append(Part(block, got, size, said, at))
        at += HEAD.size + size + len(said)
    return tuple(placed)


def grouped(kinds: Sequence[str], payloads: Sequence[bytes]) -> list[Group]:
    """All payloads by shape; every row stands in exactly one group."""
    groups: list[Group] = []
    scan = np.array([kind == "scan" for kind in kinds], dtype=bool)
    lengths = np.fromiter(map(len, payloads), dtype=np.int64, count=len(payloads))
    whole = [np.flatnonzero(~scan)]
    for length in np.unique(lengths[scan]).tolist():
        rows = np.flatnonzero(scan & (lengths == length))
        if len(groups) >= MOST_SHAPES:
            whole.append(rows)
            continue
        found, left = _of_one_length(payloads, rows, length, MOST_SHAPES - len(groups))
        groups += found
        whole.append(left)
    return groups + _kept_whole(kinds, np.sort(np.concatenate(whole)))


def _kept_whole(kinds: Sequence[str], rows: I64) -> list[Group]:
    by_kind: dict[str, list[int]] = {}
    for row in rows.tolist():
        by_kind.setdefault(kinds[row], []).append(row)
    none = np.empty((0, 0), dtype=np.uint8)
    return [Group(Shape(kind, None), np.array(mine, dtype=np.int64), none) for kind, mine in by_kind.items()]


def _of_one_length(payloads: Sequence[bytes], rows: I64, length: int, most: int) -> tuple[list[Group], I64]:
    """Payloads of one length by shape, at most so many shapes; and the rows that have none of them."""
    joined = b"".join([payloads[row] for row in rows.tolist()])
    table = np.frombuffer(joined, dtype=np.uint8).reshape(len(rows), length)
    groups: list[Group] = []
    odd: list[I64] = []
    tries = 0
    while len(rows) and tries < most:
        tries += 1
        first = table[0]
        parts = shape_of(first.tobytes())
        if parts is None:
            odd.append(rows[:1])
            rows, table = rows[1:], table[1:]
            continue
        fixed = _fixed(parts, length)
        same = (table[:, fixed] == first[fixed]).all(axis=1)
        groups.append(Group(Shape("scan", parts), rows[same], table[same]))
        rows, table = rows[~same], table[~same]
    return groups, np.concatenate([*odd, rows])


def _fixed(parts: Sequence[Part], length: int) -> I64:
    """Which bytes of a payload make its shape."""
    fixed = np.ones(length, dtype=bool)
    for part in parts:
        fixed[part.at + 3 : part.at + 11] = False
        fixed[part.data_at : part.data_at + part.size] = False
    return np.flatnonzero(fixed)
