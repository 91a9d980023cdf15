"""What waits for the next commit, bounded, and the statements of the commit itself."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import chain, islice
from typing import Any

import apsw

from nightrake.crashpoint import reach
from nightrake.domain.rows import Row, TailRecord

MAX_TAIL = 20_000
"""Tail records that may wait while the disk is away: half a minute of 63 PLCs at 10 Hz. Then the oldest go, counted."""
MAX_ROWS = 10_000
"""Journal rows that may wait; losing one is reported."""
TAIL_SLICE = 2_000
"""Tail records in one transaction at most: after an outage no commit takes long, and a small quota holds it."""
MAX_EXTRA = 2_000
"""Layouts, settings, segments, snapshots and dead letters that may wait."""

INSERT_TAIL = f"insert or ignore into tail({', '.join(TailRecord._fields)}) values(?,?,?,?,?,?,?)"
TOGETHER = 16
"""Tail records in one statement: each statement gives the interpreter away and waits for it again, and it is an alarm's
commit that takes them along."""
INSERT_TOGETHER = INSERT_TAIL + ",(?,?,?,?,?,?,?)" * (TOGETHER - 1)
# A number never recurs, so one that is there already is the same row: a commit that failed late was kept after all.
INSERT_ROW = f"insert or ignore into journal({', '.join(Row._fields)}) values(?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)"
INSERT_STATE = "insert or replace into judgement(key, input_seq, payload) values(?, ?, ?)"
INSERT_CURSOR = "insert or replace into cursor(name, epoch, seq, extra) values(?, ?, ?, ?)"
INSERT_META = "insert or replace into meta(key, value) values(?, ?)"

Extra = tuple[str, tuple[Any, ...]]
"""A statement and its bindings."""


@dataclass(slots=True)
class Batch:
    """One transaction's worth.

    Attributes:
        rows, tail: To insert, in order of numbers.
        states: Judgement key -> (input seq, payload). cursors: Destination -> (epoch, seq, extra).
        extra: Statements for layouts, settings, segments, snapshots and dead letters.
        lost_rows: First and last number of each run of rows given up. lost_tail: Tail records given up.
        high_seq, high_input: Highest numbers seen, lost ones included; 0 = none.
    """

    rows: deque[Row] = field(default_factory=deque)
    tail: deque[TailRecord] = field(default_factory=deque)
    states: dict[str, tuple[int, bytes]] = field(default_factory=dict)
    cursors: dict[str, tuple[str, int, str]] = field(default_factory=dict)
    extra: deque[Extra] = field(default_factory=deque)
    lost_rows: list[tuple[int, int]] = field(default_factory=list)
    lost_tail: int = 0
    high_seq: int = 0
    high_input: int = 0

    def has_events(self) -> bool:
        """Whether anything but tail records waits."""
        return bool(self.rows or self.states or self.cursors or self.extra)

    def __bool__(self) -> bool:
        return bool(self.tail) or self.has_events()

    def add(self, rows: Sequence[Row], states: Mapping[str, bytes], tail: Sequence[TailRecord]) -> None:
        """Put rows, their states and tail records behind what waits, within the bounds."""
        if tail:
            self.tail.extend(tail)
            self.high_input = tail[-1].seq
        if rows:
            self.rows.extend(rows)
            self.high_seq = rows[-1].seq
        for key, payload in states.items():
            self.states[key] = (tail[-1].seq if tail else 0, payload)
        self._keep_bounds()

    def put_behind(self, newer: Batch) -> None:
        """Append what came after this batch, within the bounds; of rows and tail nothing is left over there."""
        self.rows.extend(newer.rows)
        self.tail.extend(newer.tail)
        self.states.update(newer.states)
        self.cursors.update(newer.cursors)
        self.extra.extend(newer.extra)
        self.lost_tail += newer.lost_tail
        self.lost_rows += newer.lost_rows
        self.high_seq = max(self.high_seq, newer.high_seq)
        self.high_input = max(self.high_input, newer.high_input)
        newer.rows.clear()
        newer.tail.clear()
        self._keep_bounds()

    def _keep_bounds(self) -> None:
        """The oldest go first, and tail records long before rows: their bound is reached in half a minute."""
        while len(self.tail) > MAX_TAIL:
            self.tail.popleft()
            self.lost_tail += 1
        if len(self.rows) > MAX_ROWS:
            gone = [self.rows.popleft().seq for _ in range(len(self.rows) - MAX_ROWS)]
            self.lost_rows.append((gone[0], gone[-1]))
        while len(self.extra) > MAX_EXTRA:
            self.extra.popleft()

    def write(self, db: apsw.Connection, meta: Mapping[str, Any], tail_count: int) -> None:
        """Write everything in one transaction, of the tail only the oldest records if there are very many.

        Args:
            db: The writing connection.
            meta: To be kept in `meta` in the same transaction.
            tail_count: So many tail records; 0 leaves them waiting: a scarce disk is for events.

        Raises:
            apsw.Error: Nothing was written.
        """
        reach("before-begin")
        db.execute("begin immediate")
        try:
            self._write_tail(db, tail_count)
            reach("mid-commit")
            db.executemany(INSERT_ROW, self.rows)
            reach("before-states")
            db.executemany(INSERT_STATE, ((k, seq, payload) for k, (seq, payload) in self.states.items()))
            reach("before-cursor")
            db.executemany(INSERT_CURSOR, ((name, *cursor) for name, cursor in self.cursors.items()))
            for statement, bindings in self.extra:
                db.execute(statement, bindings)
            db.executemany(INSERT_META, meta.items())
            reach("before-commit")
            db.execute("commit")
        except BaseException:
            rollback(db)
            raise
        reach("after-commit")

    def _write_tail(self, db: apsw.Connection, count: int) -> None:
        tail = iter(islice(self.tail, count))
        while len(some := tuple(islice(tail, TOGETHER))) == TOGETHER:
            db.execute(INSERT_TOGETHER, tuple(chain.from_iterable(some)))
        db.executemany(INSERT_TAIL, some)

    def write_states(self, db: apsw.Connection, meta: Mapping[str, Any]) -> None:
        """Write states and cursors only, in one transaction, and forget them: there is no room for rows.

        Raises:
            apsw.Error: Nothing was written.
        """
        db.execute("begin immediate")
        try:
            db.executemany(INSERT_STATE, ((k, seq, payload) for k, (seq, payload) in self.states.items()))
            db.executemany(INSERT_CURSOR, ((name, *cursor) for name, cursor in self.cursors.items()))
            db.executemany(INSERT_META, meta.items())
            db.execute("commit")
        except BaseException:
            rollback(db)
            raise
        self.states.clear()
        self.cursors.clear()

    def clear(self, tail_count: int) -> None:
        """Forget what `write` has written."""
        self.rows.clear()
        self.states.clear()
        self.cursors.clear()
        self.extra.clear()
        for _ in range(tail_count):
            self.tail.popleft()


class Inbox:
    """Where the event loop puts what the writer's thread takes. The lock is held for microseconds, never over I/O.

    Attributes:
        wake: Set when something waits that is not to wait for the next tail period.
        closing: Set when the writer is to finish.
    """

    def __init__(self) -> None:
        self.wake = threading.Event()
        self.closing = threading.Event()
        self._guard = threading.Lock()
        self._batch, self._taken = Batch(), Batch()

    def add(self, rows: Sequence[Row], states: Mapping[str, bytes], tail: Sequence[TailRecord]) -> None:
        """See `Batch.add`."""
        with self._guard:
            self._batch.add(rows, states, tail)
        if rows or states:
            self.wake.set()

    def add_cursor(self, name: str, epoch: str, seq: int, extra: str) -> None:
        """The latest cursor of a destination; earlier ones that still wait are forgotten."""
        with self._guard:
            self._batch.cursors[name] = (epoch, seq, extra)
        self.wake.set()

    def add_extra(self, extras: Iterable[Extra]) -> None:
        """Statements that go with the next commit."""
        with self._guard:
            self._batch.extra.extend(extras)
        self.wake.set()

    def take(self) -> Batch:
        """Take everything; the writer's part."""
        with self._guard:
            self._taken, self._batch = self._batch, Batch()
            return self._taken

    def waiting(self) -> tuple[int, int]:
        """Journal rows and tail records that the writer has not put behind its own yet."""
        with self._guard:
            batch, taken = self._batch, self._taken
        return len(batch.rows) + len(taken.rows), len(batch.tail) + len(taken.tail)


def rollback(db: apsw.Connection) -> None:
    """Undo an open transaction; SQLite has done so by itself after an I/O error."""
    try:
        if db.in_transaction:
            db.execute("rollback")
    except apsw.Error:
        # What matters is the error that brought us here; the connection is clean again at the next begin.
        return
