"""Which records go together into one block of history. Pure.

A cut is everything between two input numbers, over all PLCs. Within it a block is what came from one PLC under one read
plan, the same settings, one start of the machine and one run of the clock: UTC that jumps against the monotonic clock
begins another.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

from nightrake.domain.rows import TailRecord

HOUR_MS = 3_600_000
HOUR_NS = HOUR_MS * 1_000_000
SLACK_MS = 60_000
"""A scan that was stamped this little before its cut's hour stays with it."""
STEP_NS = 500_000_000
"""UTC that moves this far against the monotonic clock from one record to the next has jumped (`clock.STEP_MS`)."""
MOST_RECORDS = 120_000
"""Of one cut: some fifty megabytes while it is made. A large, fast site makes more of them in an hour."""
MOST_PAYLOAD = 24 * 1024 * 1024
"""Bytes of payload in one cut: what the write-ahead log grows by at the very most."""
MOST_SEQ = 2**48


class Piece(NamedTuple):
    """Records of one block to be.

    Attributes:
        records: Of one endpoint and layout, in order. boot_id: Start of the machine. digest: Settings in force.
    """

    records: list[TailRecord]
    boot_id: str
    digest: str


class Marks(NamedTuple):
    """What changes at input numbers.

    Attributes:
        at: Numbers, rising. what: What holds from there on. before: What holds before the first of them.
    """

    at: Sequence[int]
    what: Sequence[str]
    before: str = ""

    def of(self, seq: int) -> str:
        """What holds at an input."""
        found = bisect_right(self.at, seq)
        return self.what[found - 1] if found else self.before


def is_sound(record: TailRecord) -> bool:
    """Whether a record's columns are of the types that they should be: the store may be damaged."""
    seq, kind, endpoint, layout, mono_ns, utc_ms, payload = record
    return (
        type(seq) is type(mono_ns) is type(utc_ms) is int
        and 0 <= seq < MOST_SEQ
        and type(kind) is type(endpoint) is type(layout) is str
        and type(payload) is bytes
    )


def ends_cut(first: TailRecord, record: TailRecord) -> bool:
    """Whether a record belongs to the cut after the one that `first` began: another hour, or another boot."""
    hour_ms = first.utc_ms - first.utc_ms % HOUR_MS
    within = hour_ms - SLACK_MS <= record.utc_ms < hour_ms + HOUR_MS
    return not within or not 0 <= record.mono_ns - first.mono_ns + SLACK_MS * 1_000_000 <= 2 * HOUR_NS


def pieces(records: Iterable[TailRecord], boots: Marks, digests: Marks) -> Iterator[Piece]:
    """The records of a cut, in order, put together by block; blocks in order of their first records.

    Args:
        records: Sound ones. boots: Input number -> boot id. digests: Input number -> settings digest.
    """
    found: list[Piece] = []
    open_now: dict[tuple[str, str], tuple[Piece, TailRecord]] = {}
    for record in records:
        key = record.endpoint, record.layout
        boot_id, digest = boots.of(record.seq), digests.of(record.seq)
        mine = open_now.get(key)
        if mine is not None:
            piece, last = mine
            stepped_ns = (record.utc_ms - last.utc_ms) * 1_000_000 - (record.mono_ns - last.mono_ns)
            joins = (piece.boot_id, piece.digest) == (boot_id, digest) and record.mono_ns >= last.mono_ns
            if joins and abs(stepped_ns) < STEP_NS:
                piece.records.append(record)
                open_now[key] = piece, record
                continue
        piece = Piece([record], boot_id, digest)
        found.append(piece)
        open_now[key] = piece, record
    return iter(found)
