"""Where a replay begins to read the journal, and which rows of a period it has not held anything against."""

from __future__ import annotations

from bisect import bisect_right

from hypothesis import given
from hypothesis import strategies as st

from nightrake.domain.rows import Row
from nightrake.replayrows import PAGE, Beside, Unreached, row_before

FROM_MS, TO_MS = 1_000, 2_000


def row(seq: int, input_seq: int, utc_ms: int = FROM_MS) -> Row:
    """A row of an input; 0 = of none."""
    return Row("e", seq, "drive", "reset", "D", "", False, 1, input_seq, "b", 1, utc_ms, True, b"{}", b"", b"")


class Book:
    """A journal in memory."""

    def __init__(self, rows: list[Row]) -> None:
        self._rows, self._numbers = rows, [one.seq for one in rows]
        self.asked = 0

    def rows_after(self, seq: int, limit: int) -> list[Row]:
        """See `replayrows.Journal`."""
        self.asked += 1
        begin = bisect_right(self._numbers, seq)
        return self._rows[begin : begin + limit]

    def newest_rows(self, limit: int) -> list[Row]:
        """Likewise."""
        return self._rows[-limit:]


@given(
    steps=st.lists(st.tuples(st.integers(1, 5_000), st.integers(0, 3)), min_size=1, max_size=40),
    own=st.integers(1, 9),
    wanted=st.integers(0, 140),
)
def test_no_row_of_a_later_input_lies_before_where_reading_begins(
    steps: list[tuple[int, int]], own: int, wanted: int
) -> None:
    """Whatever numbers were burnt, and however many rows come of no input; in few questions, and near enough."""
    rows, seq, number = list[Row](), 0, 1
    for burnt, further in steps:
        seq += burnt
        number += further
        for i in range(100):
            seq += 1
            rows.append(row(seq, 0 if i % own == 0 else number))
    book = Book(rows)
    begin = row_before(book, wanted)
    assert all(one.seq > begin for one in rows if one.input_seq > wanted)
    assert book.asked <= 20
    behind = [one for one in rows if one.seq > begin and 0 < one.input_seq <= wanted]
    if own > 1:
        assert len(behind) <= PAGE


def test_rows_outside_what_was_replayed_are_counted() -> None:
    """Of inputs before the first and behind the last; those of no input, and those not on the disk yet, are apart."""
    rows = [row(1, 3), row(2, 4), row(3, 0), row(4, 11), row(5, 21), row(6, 99), row(7, 12)]
    beside = Beside(Book(rows), 10, FROM_MS, TO_MS)
    beside.inside = 2
    assert beside.unreached(rows, 20, 50) == Unreached(3, 3, FROM_MS, 1)
    beside.inside = 1  # one within what was replayed was never held
    assert beside.unreached(rows[3:4] + rows[6:], 20, 50).rows == 1
    beside.inside = 2
    assert beside.unreached(rows[3:4] + rows[6:], 20, 50) == Unreached()
