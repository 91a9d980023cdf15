"""Checking a whole journal row by row: hash chain, numbers, and heads that were published over MQTT. Pure.

The chain shows whatever was changed, taken out or moved between two rows. It cannot show that the end was cut off, or
that everything from some row on was written anew: for that the watch publishes number and hash of its newest row now
and then, and whoever kept those messages can hold the journal against them.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import NamedTuple

from nightrake.domain.rows import GENESIS, Row, chain_hash
from nightrake.journal.archive import Segment
from nightrake.journal.chain import ROWS_LOST
from nightrake.journal.search import has_form

KEPT = 100
"""Of what is wrong, and of gaps that no later row has told of yet, so many are kept; the rest is counted."""


class Head(NamedTuple):
    """The newest row as it was published: number, hash, life of the journal, and when by the message."""

    seq: int
    hash: bytes
    epoch: str
    told: str


Heads = Mapping[int, Mapping[bytes, Head]]
"""By number; of one number there may be several, since a journal may have been begun anew."""


class Wrong(NamedTuple):
    """The first row at which something is wrong, and a sentence."""

    seq: int
    text: str


class Numbers(NamedTuple):
    """Numbers that are not there, and the row that says why: skipped by a start, or given up for want of a disk; row 0:
    the oldest archive was given up."""

    first: int
    last: int
    row: int
    lost: bool


class Audited(NamedTuple):
    """What came out.

    Attributes:
        rows, first_seq, last_seq: Of the journal. epochs: lives of it, in order; starts of the watch.
        missing: Numbers that are missing with a reason told (the first `KEPT`), and how many there are in all.
        heads: Published heads that fit. wrong: what does not, the lowest row first (the first `KEPT`), and how much.
    """

    rows: int
    first_seq: int
    last_seq: int
    epochs: tuple[str, ...]
    starts: int
    missing: tuple[Numbers, ...]
    missing_count: int
    heads: int
    wrong: tuple[Wrong, ...]
    wrong_count: int


class _Gap(NamedTuple):
    """Numbers that are missing before a row. broken: the chain does not go on over them."""

    first: int
    last: int
    before: int
    broken: bool


class Audit:
    """Takes rows in order, gives `Audited`.

    Args:
        heads: As published; {} = none were kept.
    """

    def __init__(self, heads: Heads) -> None:
        self._heads = heads
        self._fit = 0
        self._unseen = dict.fromkeys(sorted(heads))
        self._rows = self._starts = self._first_seq = self._last_seq = 0
        self._last_hash = GENESIS
        self._epochs: dict[str, None] = {}
        self._told: list[Numbers] = []
        self._gaps: list[_Gap] = []
        self._missing: list[Numbers] = []
        self._missing_count = 0
        self._wrong: list[Wrong] = []
        self._wrong_count = 0

    def take(self, row: Row) -> None:
        """The next row, as the file has it."""
        self._first_seq = self._first_seq or row.seq
        self._rows += 1
        self._unseen.pop(row.seq, None)
        if not has_form(row):
            self._bad(row.seq, f"journal row {row.seq} has not the form of a row: it was damaged or changed")
            self._last_seq, self._last_hash = row.seq, row.hash
            return
        self._epochs[row.epoch] = None
        if chain_hash(row.prev_hash, row) != row.hash:
            self._bad(row.seq, f"journal row {row.seq} does not fit its own hash: it was changed")
        elif row.prev_hash != self._last_hash or row.seq != self._last_seq + 1:
            self._gaps.append(_Gap(self._last_seq + 1, row.seq - 1, row.seq, row.prev_hash != self._last_hash))
        self._hold_against_heads(row)
        self._last_seq, self._last_hash = row.seq, row.hash
        if row.kind == "service":
            self._note_told(row)
        if len(self._gaps) > KEPT:
            self._judge(self._gaps.pop(0))

    def pass_over(self, segment: Segment) -> None:
        """A segment whose file was given up: its rows are gone, and its record says what was before and after them."""
        if segment.prev_hash != self._last_hash or segment.first_seq != self._last_seq + 1:
            broken = segment.prev_hash != self._last_hash
            self._gaps.append(_Gap(self._last_seq + 1, segment.first_seq - 1, segment.first_seq, broken))
        self._missing_count += 1
        self._missing += [Numbers(segment.first_seq, segment.last_seq, 0, lost=True)][: KEPT - len(self._missing)]
        self._unseen = {s: n for s, n in self._unseen.items() if not segment.first_seq <= s <= segment.last_seq}
        self._epochs[segment.epoch] = None
        self._last_seq, self._last_hash = segment.last_seq, segment.hash

    def _hold_against_heads(self, row: Row) -> None:
        for head in self._heads.get(row.seq, {}).values():
            if head.hash == row.hash:
                self._fit += 1
                continue
            life = "" if head.epoch == row.epoch else f", in another life of the journal ({head.epoch})"
            self._bad(row.seq, f"journal row {row.seq} is not the one whose hash was published at {head.told}{life}")

    def _note_told(self, row: Row) -> None:
        """A start tells which numbers were skipped; another row, which rows were given up."""
        self._starts += row.event == "started"
        read = {"started": _skipped, ROWS_LOST: _lost}.get(row.event)
        try:
            run = read(json.loads(row.payload)) if read is not None else None
        except (ValueError, KeyError, TypeError, RecursionError):
            return
        if run is None or run[0] > run[1]:
            return
        told = Numbers(*run, row.seq, row.event == ROWS_LOST)
        self._told = [*self._told, told][-10 * KEPT :]
        still = [gap for gap in self._gaps if not self._is_told(gap)]
        self._gaps = still

    def _is_told(self, gap: _Gap) -> bool:
        """Whether the told runs hold every number of a gap. Rows that were given up break the chain, skips do not."""
        if gap.first > gap.last:
            return False
        at, used = gap.first, list[Numbers]()
        for run in sorted(self._told):
            if run.first <= at <= run.last:
                at = run.last + 1
                used.append(run)
        if at <= gap.last or (gap.broken and not any(run.lost for run in used)):
            return False
        self._missing_count += len(used)
        self._missing += used[: KEPT - len(self._missing)]
        return True

    def _judge(self, gap: _Gap) -> None:
        """A gap of which no row tells."""
        before = f"on row {gap.first - 1}" if gap.first > 1 else "on the journal's beginning"
        if gap.broken:
            text = f"journal row {gap.before} does not follow {before}: rows were changed, moved or taken out there"
        else:
            span = f"number {gap.first} is" if gap.first == gap.last else f"numbers {gap.first} to {gap.last} are"
            text = f"journal row {gap.before}: {span} missing before it, and no start row says that they were skipped"
        self._bad(gap.before, text)

    def _bad(self, seq: int, text: str) -> None:
        self._wrong_count += 1
        if len(self._wrong) < KEPT or seq < self._wrong[-1].seq:
            self._wrong = sorted((*self._wrong, Wrong(seq, text)))[:KEPT]

    def done(self) -> Audited:
        """What it all adds up to."""
        for gap in self._gaps:
            self._judge(gap)
        for seq in self._unseen:
            for head in self._heads[seq].values():
                self._absent(head)
        return Audited(
            self._rows,
            self._first_seq,
            self._last_seq,
            tuple(self._epochs),
            self._starts,
            tuple(self._missing),
            self._missing_count,
            self._fit,
            tuple(self._wrong),
            self._wrong_count,
        )

    def _absent(self, head: Head) -> None:
        if head.seq > self._last_seq:
            ends = f"ends with row {self._last_seq}" if self._rows else "holds no row"
            text = f"the journal {ends}, but row {head.seq} was published at {head.told}: its end was cut off"
            self._bad(self._last_seq + 1, text)
        else:
            self._bad(head.seq, f"journal row {head.seq} is missing, but it was published at {head.told}")


_Run = tuple[int, int]


def _skipped(data: Mapping[str, object]) -> _Run | None:
    run = data["numbers_skipped"]
    return (int(run[0]), int(run[1])) if isinstance(run, list) and len(run) == 2 else None


def _lost(data: Mapping[str, object]) -> _Run | None:
    first, last = data["first_seq"], data["last_seq"]
    return (first, last) if isinstance(first, int) and isinstance(last, int) else None
