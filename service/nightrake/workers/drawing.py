"""A stretch of the record as lines, chunk by chunk, by the settings that were in force: what the live lane has left."""

from __future__ import annotations

import struct
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from nightrake.domain.cleantext import clean
from nightrake.domain.rows import TailRecord
from nightrake.domain.site import SiteSpec
from nightrake.errors import StoreError
from nightrake.historian.dating import Dating
from nightrake.historian.samplelines import SampleLines
from nightrake.historian.stamps import Stamps
from nightrake.longterm.reading import History
from nightrake.longterm.sql import Slow
from nightrake.workers.extent import skip_of

WRONG = (ValueError, TypeError, LookupError, ArithmeticError, AttributeError, struct.error)
"""What taking a damaged record apart can end with."""
RECORDS = 20_000
"""In one chunk at most, where they make few lines."""
MEMO = 256
"""Values of a point kept at hand: more than the watch does, for this process is soon gone."""
TRIES, TRY_S = 3, 1.0
"""So often a part that cannot be read is read again before it is passed over."""
SLOW_TRIES = 60
"""For want of time alone nothing is passed over: so often it is read again, and then the process ends, and is begun
anew later and later."""


@dataclass
class Chunk:
    """Some records' lines.

    Attributes:
        seq: Number of the last record in it. lines: In order. stamps: As they stand behind it.
        undated: Records that nobody can date. damaged: (what, why) -> numbers that are passed over.
    """

    seq: int
    stamps: Stamps
    lines: list[str] = field(default_factory=list)
    undated: int = 0
    damaged: dict[tuple[str, str], list[int]] = field(default_factory=dict)


class Drawing:
    """Draws chunks out of a stretch.

    Args:
        state_dir: Folder of the store. to_seq: The stretch's last input number. dating: Says when things really were.
        site: By what is drawn where the settings of then are not kept. most_lines: Of a chunk, about.
    """

    def __init__(self, state_dir: Path, to_seq: int, dating: Dating, site: SiteSpec, most_lines: int) -> None:
        self._dir = state_dir
        self._history = History(state_dir)
        self._to_seq = to_seq
        self._dating = dating
        self._most_lines = most_lines
        self._lines = SampleLines(site, memo=MEMO)
        self._digest = ""
        self._unknown: set[str] = set()
        self._records: Iterator[TailRecord] = iter(())
        self._at = Chunk(to_seq, Stamps())

    def begin(self, seq: int, stamps: Stamps) -> None:
        """Go on behind a record, from stamps as they stood there."""
        self._at = Chunk(seq, stamps.copy())
        self._records = self._history.records(seq + 1, self._to_seq)
        then = self._history.settings_at(seq + 1)
        if then is not None:
            self._take(then.digest)

    def _take(self, digest: str) -> None:
        then = self._history.settings_of(digest) if digest != self._digest else None
        if then is not None:
            self._digest = digest
            self._lines = SampleLines(then.site, self._lines, MEMO)

    def chunk(self) -> Chunk | None:
        """The next chunk; None at the end."""
        at = Chunk(self._at.seq, self._at.stamps)
        if at.seq >= self._to_seq:
            return None
        tries = slow = 0
        while tries < TRIES:
            try:
                self._fill(at)
            except StoreError as error:
                is_slow = isinstance(error, Slow)
                slow, tries = slow + is_slow, tries + (not is_slow)
                if slow >= SLOW_TRIES:
                    raise
                if tries < TRIES:
                    time.sleep(TRY_S)
                else:
                    self._pass_over(at, error)
                self._records = self._history.records(at.seq + 1, self._to_seq)
                continue
            break
        self._at = at
        return Chunk(at.seq, at.stamps.copy(), at.lines, at.undated, at.damaged)

    def _fill(self, at: Chunk) -> None:
        for drawn, record in enumerate(self._records, 1):
            if record.kind == "scan":
                try:
                    self._one(record, at)
                except WRONG as error:
                    _add(at, "hot tail record", error, record.seq)
            elif record.kind == "settings":
                self._take(record.payload.decode(errors="replace"))
            at.seq = record.seq
            if len(at.lines) >= self._most_lines or drawn >= RECORDS:
                return
        at.seq = self._to_seq

    def _one(self, record: TailRecord, at: Chunk) -> None:
        if not self._lines.knows(record.layout):
            plan = None if record.layout in self._unknown else self._history.layout(record.layout)
            if plan is None:
                self._unknown.add(record.layout)
                raise ValueError(f"its read plan {record.layout} is missing or damaged")
            self._lines.learn(plan)
        utc_ms = self._dating.utc_of_input(record.seq, record.mono_ns, record.utc_ms)
        if utc_ms is None:
            at.undated += 1
        else:
            at.lines += self._lines.of(record, utc_ms, at.stamps)

    def _pass_over(self, at: Chunk, error: StoreError) -> None:
        """A sealed part that cannot be read is left out whole, and told."""
        last = skip_of(self._dir, at.seq)
        if last <= at.seq:
            raise error
        _add(at, f"sealed part of the record, from input {at.seq + 1} to", error, last)
        at.seq = min(last, self._to_seq)

    def close(self) -> None:
        """Close the files."""
        self._history.close()


def _add(at: Chunk, what: str, why: Exception, seq: int) -> None:
    words = clean(f"{type(why).__name__}: {why}".replace(f"scan {seq}: ", ""), 200)
    at.damaged.setdefault((what, words), []).append(seq)
