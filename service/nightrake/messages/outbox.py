"""The order in which journal rows are told, and how far they have been: no I/O, no clock.

Three laws:

- Rows of one drive go in order of their numbers. (Rows without a drive are a line of their own.)
- A drive with an urgent row waiting goes before all others, with everything that waits before that row.
- The cursor is the highest number at and below which every row was acknowledged. (An acknowledgement is no proof of
  delivery: `rewind` tells again what came after the last row known to be delivered.)

Rows reach the outbox straight from the engine (`offer`) while everything older is here or acknowledged. When it is
full, or at start, the rows between are read from the store (`load`), and `behind` says so.
"""

from __future__ import annotations

import heapq
from bisect import insort
from collections import deque
from collections.abc import Iterable, Sequence, Set
from typing import NamedTuple

from nightrake.domain.rows import Row

CAPACITY = 5000
"""Rows kept in memory at most (about 1 kB each); what comes after stays in the store until there is room."""
URGENT_EXTRA = 1000
"""Further room that only urgent rows and rows not yet on disk may take."""
TOLD = 2000
"""Rows acknowledged but not yet known to be delivered, kept so that a rewind needs no disk; beyond, it reads them."""


class Letter(NamedTuple):
    """A row waiting to be told. Ordered by number."""

    seq: int
    row: Row
    durable: bool


class Outbox:
    """See the module.

    Args:
        cursor: Where the last run had got to. capacity: Rows in memory at most.
        ahead: Numbers above the cursor that it had told, too.
    """

    def __init__(self, cursor: int, capacity: int = CAPACITY, ahead: Iterable[int] = ()) -> None:
        self._capacity = capacity
        self._durable_to = cursor
        self.newest = cursor
        """Highest number seen."""
        self.lost = 0
        """Rows not on disk that found no room at all: only a dead disk and a dead broker together bring this about."""
        self._begin(cursor)
        self._acked.update(seq for seq in ahead if seq > cursor)

    def _begin(self, cursor: int) -> None:
        self.cursor = cursor
        self.behind = True
        """There may be rows in the store after `read_to` that are not here."""
        self.read_to = cursor
        """Every row up to here is here or was acknowledged."""
        self._order: deque[int] = deque()  # rows after cursor and up to read_to, in order
        self._acked: set[int] = set()
        self._lanes: dict[str, list[Letter]] = {}
        self._first: list[tuple[int, str]] = []  # heap of (number of a lane's first row, lane); entries may be outdated
        self._urgent: list[tuple[int, str]] = []  # heap of (number of an urgent row, lane); entries may be outdated
        self._flying: dict[int, Letter] = {}
        self._here: set[int] = set()  # waiting or in flight
        self._told: dict[int, Letter] = {}  # acknowledged, not yet confirmed
        self._left_out = 0  # highest number that found no room in it
        self._unread: set[str] = set()  # drives with rows passed over while behind
        self._unread_unknown = True  # at start nobody knows whose rows the store holds

    # --- coming in ----------------------------------------------------------------------------------------------------

    def offer(self, row: Row, durable: bool) -> bool:
        """Take a row from the engine.

        Returns:
            False when it was left to be read from the store later.
        """
        self.newest = max(self.newest, row.seq)
        if durable:
            self._durable_to = max(self._durable_to, row.seq)
        if row.seq <= self.read_to or row.seq in self._here:
            return True
        if not self.behind and self.waiting < self._capacity:
            self.read_to = row.seq
            self._order.append(row.seq)
            self._put(Letter(row.seq, row, durable))
            return True
        self.behind = True
        ahead = not durable or (row.urgent and not self._unread_unknown and row.drive not in self._unread)
        if ahead and self.waiting < self._capacity + URGENT_EXTRA:
            self._put(Letter(row.seq, row, durable))
            return True
        if not durable:
            self.lost += 1
        self._unread.add(row.drive)
        return False

    @property
    def room(self) -> int:
        """How many rows `load` may bring now."""
        return max(0, self._capacity - self.waiting)

    def load(self, rows: Sequence[Row], limit: int) -> None:
        """Take rows from the store: those after `read_to`, in order.

        Args:
            rows: What the store gave. limit: How many were asked for; fewer means that it held no more.
        """
        for row in rows:
            if row.seq <= self.read_to:
                continue
            self.read_to = row.seq
            self.newest = max(self.newest, row.seq)
            self._order.append(row.seq)
            if row.seq not in self._here and row.seq not in self._acked:
                self._put(Letter(row.seq, row, True))
        if len(rows) < limit and self._durable_to <= self.read_to:
            self.behind = False
            self._unread.clear()
            self._unread_unknown = False
            ahead = sorted(s for s in self._here | self._acked if s > self.read_to)  # told before the disk had them
            self._order.extend(ahead)
            self.read_to = max(self.read_to, ahead[-1] if ahead else 0)
            self._acked.intersection_update(self._order)  # what a run before told and the disk never had is in no order
        self._move_cursor()

    def _put(self, letter: Letter) -> None:
        lane = self._lanes.setdefault(letter.row.drive, [])
        insort(lane, letter)
        self._here.add(letter.seq)
        if lane[0] is letter:
            heapq.heappush(self._first, (letter.seq, letter.row.drive))
        if letter.row.urgent:
            heapq.heappush(self._urgent, (letter.seq, letter.row.drive))

    # --- going out ----------------------------------------------------------------------------------------------------

    def take(self) -> Letter | None:
        """The row to be told next, which is now in flight; None when nothing waits."""
        drive = self._next_drive()
        if drive is None:
            return None
        lane = self._lanes[drive]
        letter = lane.pop(0)
        if lane:
            heapq.heappush(self._first, (lane[0].seq, drive))
        else:
            del self._lanes[drive]
        self._flying[letter.seq] = letter
        return letter

    def _next_drive(self) -> str | None:
        while self._urgent:
            seq, drive = self._urgent[0]
            if seq in self._here and seq not in self._flying:
                return drive
            heapq.heappop(self._urgent)
        while self._first:
            seq, drive = self._first[0]
            lane = self._lanes.get(drive)
            if lane and lane[0].seq == seq:
                return drive
            heapq.heappop(self._first)
        return None

    def ack(self, seq: int) -> bool:
        """The broker has acknowledged a row. Returns whether the cursor moved."""
        letter = self._flying.pop(seq, None)
        if letter is None:
            return False
        if len(self._told) < TOLD:
            self._told[seq] = letter
        else:
            self._left_out = max(self._left_out, seq)
        self._here.discard(seq)
        self._acked.add(seq)
        return self._move_cursor()

    def _move_cursor(self) -> bool:
        before = self.cursor
        while self._order and self._order[0] in self._acked:
            self.cursor = self._order.popleft()
            self._acked.discard(self.cursor)
        if not self._order and not self.behind:
            self.cursor = max(self.cursor, self.read_to)
        return self.cursor > before

    def land(self) -> None:
        """The connection is gone: everything in flight waits again, in its old place."""
        flying, self._flying = self._flying, {}
        for letter in flying.values():
            self._put(letter)

    def confirm(self, seq: int) -> None:
        """Rows up to `seq`, a former cursor, are known to be delivered: they will not be asked for again."""
        self._told = {s: letter for s, letter in self._told.items() if s > seq}

    def rewind(self, seq: int) -> None:
        """Tell everything after `seq` again: from memory, or else from the store.

        Args:
            seq: As last given to `confirm`, or the cursor at start.
        """
        self.land()
        if self._left_out <= seq:
            told, self._told = self._told, {}
            self.cursor = min(seq, self.cursor)
            self._acked.difference_update(told)
            self._order = deque(sorted({*self._order, *(s for s in told if s <= self.read_to)}))
            kept = list(told.values())
        else:
            kept = [letter for lane in self._lanes.values() for letter in lane if not letter.durable]
            self._begin(min(seq, self.cursor))
        for letter in kept:
            self._put(letter)

    # --- looking ------------------------------------------------------------------------------------------------------

    @property
    def waiting(self) -> int:
        """Rows here that are not in flight."""
        return len(self._here) - len(self._flying)

    @property
    def ahead(self) -> Set[int]:
        """Numbers above the cursor that were acknowledged."""
        return self._acked

    @property
    def in_flight(self) -> int:
        """Rows published and not yet acknowledged."""
        return len(self._flying)

    @property
    def empty(self) -> bool:
        """Nothing waits, nothing is in flight, nothing is left in the store."""
        return not self._here and not self.behind

    @property
    def urgent(self) -> bool:
        """Whether an urgent row waits here."""
        self._next_drive()  # drops outdated entries
        return bool(self._urgent)

    def holds(self, drive: str) -> bool:
        """Whether a row of this drive waits here."""
        return drive in self._lanes
