"""Journal rows as trip records need them: onward from a number, and back from a trip, past files that are damaged."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Protocol

from nightrake.domain.rows import Row
from nightrake.errors import StoreError
from nightrake.history.trips import Trip, at_of, belongs, between_ms

ROWS = 5000
"""Looked at in one answer."""
BACK = 20
"""Answers looked at before a trip: 100,000 rows at most."""
MOST = 50_000
"""Rows in one part at most; a plant that writes more in half an hour has another trouble."""


class Rows(Protocol):
    """The journal, as it is used here (`journal.reader.Reader`)."""

    def rows_after(self, seq: int, limit: int, *, until: int | None = None) -> list[Row]:
        """Rows after a number, in order."""
        ...

    def newest_rows(self, limit: int, *, drive: str = "") -> list[Row]:
        """The last rows."""
        ...


def slices(rows: Rows, after: int, until: int | None = None) -> Iterator[tuple[list[Row], int]]:
    """Rows after a number, slice by slice, each with the number up to which all was looked at.

    Archived rows whose file is damaged are passed over: the journal's own check tells them.

    Raises:
        StoreError: They cannot be read now.
    """
    while True:
        try:
            found = rows.rows_after(after, ROWS, until=until)
        except StoreError as fault:
            last = getattr(fault, "last_seq", None)
            if not isinstance(last, int) or last <= after:
                raise
            found, after = [], last
        else:
            if not found:
                return
            after = found[-1].seq
        yield found, after


def before(rows: Rows, trip: Trip, before_ms: int) -> list[Row]:
    """Rows of a record before the one that began it.

    Args:
        before_ms: How long before it the record begins.
    """
    found: list[Row] = []
    end = trip.row - 1
    for _ in range(BACK):
        if end <= 0:
            break
        some = [row for part, _ in slices(rows, max(0, end - ROWS), end) for row in part]
        inside = [row for row in some if -before_ms <= between_ms(trip.at, at_of(row))]
        found = [*(row for row in inside if belongs(row, trip)), *found]
        end = max(0, end - ROWS)
        if some and not inside:
            break
    return found


def since(rows: Rows, trip: Trip, after: int, until: int, ends_ms: int | None) -> Iterator[Row]:
    """Rows of a record after a number, the first `MOST` of them.

    Args:
        until: Last number. ends_ms: How long after its trip the record ends, None = it is open.
    """
    left = MOST
    for part, _ in slices(rows, after, until):
        for row in part:
            if left and belongs(row, trip) and (ends_ms is None or between_ms(trip.at, at_of(row)) <= ends_ms):
                left -= 1
                yield row
