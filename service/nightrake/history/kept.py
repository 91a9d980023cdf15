"""Counts and single hours as bytes, and back. Pure."""

from __future__ import annotations

import json
import zlib
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from nightrake.history.histogram import Histogram
from nightrake.history.rowcolumns import RowFault, decode, encode
from nightrake.history.rows import Table
from nightrake.history.summaries import Entry

MOST_BYTES = 64 * 1024 * 1024
"""Of one day's counts, written out, at most."""


class HourBytes(NamedTuple):
    """One hour as it is kept while its day is not over: see `pack_hour`."""

    minutes: Table
    hour: Table
    entries: tuple[Entry, ...]


def pack_entries(rows: Sequence[tuple[int, Entry]]) -> bytes:
    """Counts as bytes, each with the row (hour of the day, or 0) that it belongs to."""
    names = sorted({e.basis for _, e in rows})
    head = [[at, names.index(e.basis), *e[1:3], e.steps.shift, e.steps.lo, e.steps.hi] for at, e in rows]
    columns: Table = {
        "head": np.array(head, np.int64).reshape(-1),
        "size": np.array([len(e.steps.bins) for _, e in rows], np.int32),
        "gap": _joined([np.diff(e.steps.bins, prepend=0) for _, e in rows]),
        "count": _joined([e.steps.counts for _, e in rows]),
    }
    return zlib.compress(json.dumps(names).encode() + b"\n" + encode(columns), 6)


def _joined(parts: Sequence[np.typing.NDArray[np.int64]]) -> np.typing.NDArray[np.int64]:
    return np.concatenate([np.empty(0, np.int64), *parts])


def unpack_entries(blob: bytes) -> list[tuple[int, Entry]]:
    """What `pack_entries` made bytes of.

    Raises:
        RowFault: The bytes are damaged.
    """
    try:
        names_text, _, rest = zlib.decompressobj().decompress(blob, MOST_BYTES).partition(b"\n")
        names = json.loads(names_text)
        columns = decode(rest)
        found, at = [], 0
        for head, size in zip(columns["head"].reshape(-1, 7).tolist(), columns["size"].tolist(), strict=True):
            which, basis, side, running, shift, lo, hi = head
            part = slice(at, at + size)
            steps = Histogram(shift, np.cumsum(columns["gap"][part]), columns["count"][part].copy(), lo, hi)
            found.append((which, Entry(names[basis], side, running, steps)))
            at += size
        return found
    except (zlib.error, ValueError, KeyError, IndexError) as error:
        raise RowFault(f"counts of a summary cannot be read ({error})") from error


def pack_hour(minutes: Table, hour: Table, entries: Sequence[Entry]) -> bytes:
    """One hour's rows and counts as bytes."""
    parts = (encode(minutes), encode(hour), pack_entries([(0, e) for e in entries]))
    return b"".join(len(p).to_bytes(4, "little") for p in parts) + b"".join(parts)


def unpack_hour(blob: bytes) -> HourBytes:
    """What `pack_hour` made bytes of.

    Raises:
        RowFault: The bytes are damaged.
    """
    sizes = [int.from_bytes(blob[i : i + 4], "little") for i in (0, 4, 8)]
    at, parts = 12, []
    for size in sizes:
        parts.append(blob[at : at + size])
        at += size
    if at != len(blob):
        raise RowFault("an hour of a summary is cut")
    return HourBytes(decode(parts[0]), decode(parts[1]), tuple(e for _, e in unpack_entries(parts[2])))
