"""From the hot tail into history: what is due is read in slices, packed, and kept as one cut.

Due is what lies in an hour that is over, or as many records as fit into memory well, or anything older than asked for.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import NamedTuple

import apsw

from nightrake.crashpoint import reach
from nightrake.domain.rows import TailRecord
from nightrake.history.cutting import MOST_PAYLOAD, MOST_RECORDS, Marks, Piece, ends_cut, is_sound, pieces
from nightrake.history.pack import pack
from nightrake.keptsettings import BUILT
from nightrake.longterm.cut import Beside, Cut, Sealed
from nightrake.longterm.tail import SLICE, Tail, digest_in
from nightrake.longterm.writing import Writing

Summarise = Callable[[apsw.Connection, Sealed], None]
GONE = "given up before it was sealed, or a number that was never used"
DAMAGED = "damaged in the store"
LOOKED_AT = 20
"""Records read at a time to find the first that is sound."""


class Gathered(NamedTuple):
    """Records for one cut.

    Attributes:
        records: Sound ones, in order. last_seq: Number of the last one read, sound or not.
        missing: (first, last, why) of what is not there.
    """

    records: list[TailRecord]
    last_seq: int
    missing: list[tuple[int, int, str]]


class Sealing:
    """Seals cut by cut.

    Args:
        tail: Where from. writing: Where to; begun.
        seal_s: What is older than this is sealed although its hour is not over; 0 = by the hour.
    """

    def __init__(self, tail: Tail, writing: Writing, seal_s: float = 0.0) -> None:
        self._tail, self._writing = tail, writing
        self._seal_ns = int(seal_s * 1e9)
        self._layouts: set[str] = set()

    def behind_s(self) -> float:
        """How old the oldest record is that is not sealed, against the newest, seconds."""
        first, newest = self._first(), self._tail.newest()
        if first is None or newest is None:
            return 0.0
        return max(0.0, (newest[1] - first.mono_ns) / 1e9, (newest[2] - first.utc_ms) / 1e3)

    def _first(self) -> TailRecord | None:
        seq = self._writing.sealed
        while found := self._tail.after(seq, LOOKED_AT):
            for record in found:
                if is_sound(record):
                    return record
            seq = found[-1].seq
        return None

    def is_due(self) -> bool:
        """Whether there is anything to seal now."""
        first, newest = self._first(), self._tail.newest()
        if first is None or newest is None:
            return False
        seq, mono_ns, utc_ms = newest
        if seq - self._writing.sealed >= MOST_RECORDS or ends_cut(
            first, first._replace(mono_ns=mono_ns, utc_ms=utc_ms)
        ):
            return True
        return bool(self._seal_ns) and mono_ns - first.mono_ns >= self._seal_ns

    def seal(self, now_utc_ms: int, summarise: Summarise | None = None) -> int:
        """Seal one cut of what there is, due or not.

        Args:
            now_utc_ms: For the record. summarise: See `Writing.write`.

        Returns:
            Records sealed; 0 = there was nothing.

        Raises:
            StoreError: The store cannot be read. apsw.Error: The disk does not take it; nothing is lost.
        """
        writing = self._writing
        found = self._gather()
        if found.last_seq <= writing.sealed:
            return 0
        reach("before-seal")
        snapshots = list(self._snapshots(found.last_seq))
        boots = self._tail.boots()
        digests = self._digests(found.records, snapshots)
        blocks = [_sealed(piece) for piece in pieces(found.records, Marks(*_columns(boots)), digests)]
        writing.know(self._beside(found.records, boots))
        cut = Cut(
            first_seq=writing.sealed + 1,
            last_seq=found.last_seq,
            blocks=blocks,
            periods=self._periods(digests, blocks),
            snapshots=snapshots,
            missing=found.missing,
        )
        writing.write(cut, now_utc_ms, summarise)
        return len(found.records)

    def _gather(self) -> Gathered:
        records: list[TailRecord] = []
        missing: list[tuple[int, int, str]] = []
        seq, size = self._writing.sealed, 0
        oldest = self._tail.span()[0]
        if seq and oldest > seq + 1:
            missing.append((seq + 1, oldest - 1, GONE))
        while len(records) < MOST_RECORDS and size < MOST_PAYLOAD:
            found = self._tail.after(seq, min(SLICE, MOST_RECORDS - len(records)))
            for record in found:
                if not is_sound(record):
                    missing.append((record.seq, record.seq, DAMAGED))
                elif records and (ends_cut(records[0], record) or size >= MOST_PAYLOAD):
                    return Gathered(records, seq, missing)
                else:
                    records.append(record)
                    size += len(record.payload)
                seq = record.seq
            if not found:
                break
        return Gathered(records, seq, missing)

    def _snapshots(self, last_seq: int) -> Iterator[tuple[int, int, str, bytes]]:
        for seq, utc_ms in self._tail.snapshots(self._writing.newest_snapshot()):
            payload = self._tail.snapshot(seq) if seq <= last_seq else None
            if payload is not None:
                yield seq, utc_ms, digest_in(payload), payload

    def _digests(self, records: Sequence[TailRecord], snapshots: Sequence[tuple[int, int, str, bytes]]) -> Marks:
        """Settings in force: a snapshot tells them for what came after it, a reload from its own record on."""
        told = [(seq + 1, digest) for seq, _, digest, _ in snapshots if digest]
        told += [(r.seq, r.payload.decode(errors="replace")) for r in records if r.kind == "settings"]
        told.sort()
        before = self._writing.digest_at(self._writing.sealed + 1)
        return Marks([seq for seq, _ in told], [digest for _, digest in told], before or (told[0][1] if told else ""))

    def _periods(self, digests: Marks, blocks: Sequence[Sealed]) -> list[tuple[int, str]]:
        """Where the settings change, the beginning of everything included."""
        periods, now = [], self._writing.digest_at(self._writing.sealed + 1)
        firsts = [block.packed.first.seq for block in blocks[:1]]
        for seq in (*firsts, *digests.at):
            digest = digests.of(seq)
            if digest and digest != now:
                periods.append((seq, digest))
                now = digest
        return periods

    def _beside(self, records: Sequence[TailRecord], boots: Sequence[tuple[int, str]]) -> Beside:
        tail, layouts = self._tail, dict[str, str]()
        for layout in {r.layout for r in records if r.layout} - self._layouts:
            content = tail.layout(layout)
            if content is not None:
                layouts[layout] = content
        self._layouts |= layouts.keys()
        kept = {key: (utc_ms, content) for key, utc_ms, content in tail.settings()}
        settings = [
            (digest, utc_ms, content, kept.get(digest + BUILT, (0, ""))[1])
            for digest, (utc_ms, content) in kept.items()
            if not digest.endswith(BUILT)
        ]
        return Beside(layouts, settings, tail.segments(), boots)


def _columns(pairs: Sequence[tuple[int, str]]) -> tuple[list[int], list[str]]:
    return [first for first, _ in pairs], [second for _, second in pairs]


def _sealed(piece: Piece) -> Sealed:
    stamps = [record.utc_ms for record in piece.records]
    return Sealed(pack(piece.records), piece.boot_id, piece.digest, min(stamps), max(stamps))
