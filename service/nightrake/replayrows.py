"""The journal's rows beside what a replay brings: the same to the last one, or the first difference by name.

Compared is all of a row that comes of the input: what happened, to whom, when, and the payload byte by byte. Rows that
the service writes by itself (started, stopped, gap, clock step, damage) come of no input and are left out.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple, Protocol

from nightrake.domain.rows import Entry, Row, TailRecord, canonical
from nightrake.replaying import Step

PAGE = 2000
"""Rows asked for at a time."""
WORDS = 200
"""Characters of a value shown."""


class Journal(Protocol):
    """Where the rows are (`journal.reader.Reader`)."""

    def rows_after(self, seq: int, limit: int) -> list[Row]:
        """In order, after a number."""
        ...

    def newest_rows(self, limit: int) -> list[Row]:
        """The last ones, in order."""
        ...


class Difference(NamedTuple):
    """Where journal and replay part.

    Attributes:
        input_seq: The input that it comes of. utc_ms: Its stamp. text: What is otherwise, in one sentence.
    """

    input_seq: int
    utc_ms: int
    text: str


class Unreached(NamedTuple):
    """Rows of a period that a replay of it has not held anything against.

    Attributes:
        rows: How many. input_seq, utc_ms: Of the first one. behind: Rows of inputs that are behind all that is kept:
            lost when the service ended, or not on the disk yet.
    """

    rows: int = 0
    input_seq: int = 0
    utc_ms: int = 0
    behind: int = 0


class Told(NamedTuple):
    """A row, or what a replay would make one of."""

    kind: str
    event: str
    drive: str
    direction: str
    urgent: bool
    mono_ns: int
    utc_ms: int
    payload: bytes

    @property
    def words(self) -> str:
        """What it is, shortly."""
        about = " ".join(part for part in (self.drive, self.direction) if part)
        return f"{self.kind} {self.event.replace('_', ' ')}" + (f" ({about})" if about else "")


def told_by(entry: Entry, record: TailRecord) -> Told:
    """What the engine makes of an entry."""
    who = (entry.kind, entry.event, entry.drive, str(entry.direction), entry.urgent)
    return Told(*who, record.mono_ns, record.utc_ms, canonical(entry.data))


def told_in(row: Row) -> Told:
    """What a row says."""
    who = (row.kind, row.event, row.drive, row.direction, bool(row.urgent))
    return Told(*who, row.mono_ns, row.utc_ms, row.payload)


class Beside:
    """Holds each step against the journal.

    Args:
        journal: Its rows. after_input: Only rows of inputs behind this one are meant.
        from_ms, to_ms: The period that is asked for, UTC ms, its end not included; the way to it is held, too.

    Attributes:
        rows: Rows held against the replay. inside: Those of the period, with those that are lost.
        lost: Rows of inputs that were lost when the service ended.
    """

    def __init__(self, journal: Journal, after_input: int, from_ms: int, to_ms: int) -> None:
        self._journal, self._row, self._after = journal, row_before(journal, after_input), after_input
        self._from, self._to = from_ms, to_ms
        self._page: list[Row] = []
        self._feed = self._rows()
        self._next: Row | None = None
        self.rows = self.lost = self.inside = 0

    def take(self, step: Step) -> Difference | None:
        """The next input and what came of it; gives where they part, if they do."""
        record = step.record
        if step.differs:
            return Difference(record.seq, record.utc_ms, f"the state kept before it is otherwise in {step.differs}")
        expected = [told_by(entry, record) for entry in step.entries[0]]
        found: list[Told] = []
        while (row := self._peek(again=len(found) < len(expected))) is not None and row.input_seq <= record.seq:
            self._next = None
            self.inside += self._from <= row.utc_ms < self._to
            if row.input_seq == record.seq:
                found.append(told_in(row))
            elif step.lost[0] <= row.input_seq <= step.lost[1]:
                self.lost += 1
            else:
                return _of_nothing(row)
        self.rows += len(found)
        text = _difference(found, expected)
        return Difference(record.seq, record.utc_ms, text) if text else None

    def finish(self, last_input: int) -> Difference | None:
        """After the last step: a row of an input up to this one that is left over."""
        row = self._peek(again=True)
        return _of_nothing(row) if row is not None and row.input_seq <= last_input else None

    def unreached(self, rows: Iterable[Row], last_input: int, newest_input: int) -> Unreached:
        """Which rows of the period were not held, after the last step.

        Args:
            rows: All of the journal whose stamps lie in the period. last_input: Of the last step.
            newest_input: The last one that is kept.
        """
        found, reached = Unreached(), 0
        for row in rows:
            if row.input_seq > newest_input:
                found = found._replace(behind=found.behind + 1)
            elif self._after < row.input_seq <= last_input:
                reached += 1
            elif row.input_seq > 0:
                first = found if found.rows else Unreached(0, row.input_seq, row.utc_ms, found.behind)
                found = first._replace(rows=first.rows + 1)
        return found._replace(rows=found.rows + max(0, reached - self.inside))

    def _peek(self, *, again: bool) -> Row | None:
        """The next row. again: Ask the journal anew at its end: a running watch may have written more meanwhile."""
        if self._next is None:
            self._next = next(self._feed, None)
        if self._next is None and again:
            self._feed = self._rows()
            self._next = next(self._feed, None)
        return self._next

    def _rows(self) -> Iterator[Row]:
        while page := self._journal.rows_after(self._row, PAGE):
            for row in page:
                self._row = row.seq
                if row.input_seq > self._after:
                    yield row


def row_before(journal: Journal, input_seq: int) -> int:
    """Number of a row at or before all that come of inputs behind one, by halves: input numbers rise with rows'."""
    newest = journal.newest_rows(1)
    low, high = 0, newest[0].seq if newest else 0
    while high - low > PAGE:
        middle = (low + high) // 2
        told = next((row for row in journal.rows_after(middle, PAGE) if row.input_seq > 0), None)
        if told is not None and told.input_seq <= input_seq:
            low = told.seq
        else:
            high = middle
    return low


def _of_nothing(row: Row) -> Difference:
    text = f"the journal's row {row.seq} ({told_in(row).words}) comes of an input of which the replay brings nothing"
    return Difference(row.input_seq, row.utc_ms, text)


def _difference(journal: Sequence[Told], replay: Sequence[Told]) -> str:
    """In one sentence; "" = they are the same."""
    for number, (row, entry) in enumerate(zip(journal, replay, strict=False), 1):
        if row != entry:
            which = f"entry {number} of {max(len(journal), len(replay))}"
            if row[:4] != entry[:4]:
                return f"{which} is '{row.words}' in the journal and '{entry.words}' in the replay"
            return f"{which}, {row.words}: {_part(row, entry)}"
    if len(journal) > len(replay):
        return f"the journal has '{journal[len(replay)].words}', which the replay does not bring"
    if len(replay) > len(journal):
        return f"the replay brings '{replay[len(journal)].words}', which the journal does not have"
    return ""


def _part(row: Told, entry: Told) -> str:
    for name in ("urgent", "mono_ns", "utc_ms"):
        was, now = getattr(row, name), getattr(entry, name)
        if was != now:
            return f"{name} is {was} in the journal and {now} in the replay"
    try:
        was, now = json.loads(row.payload), json.loads(entry.payload)
        keys = [k for k in sorted({*was, *now}) if was.get(k) != now.get(k)]
    except (ValueError, AttributeError, TypeError):
        keys = []
    if not keys:
        return "the payload's bytes differ"
    shown = [json.dumps(payload.get(keys[0]))[:WORDS] for payload in (was, now)]
    return f"{keys[0]} is {shown[0]} in the journal and {shown[1]} in the replay"
