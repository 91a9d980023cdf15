"""Several series side by side: every reading once, in its own moment's row, whatever the slices and the clock do."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from nightrake.history.lanes import TURN_MS, Chunk, Piece, side_by_side

HOUR_MS = 3_600_000


def piece(stamps: list[int], values: list[float] | None = None) -> Piece:
    """A slice with one column; by default the values are the stamps."""
    column = np.array(stamps if values is None else values, np.float64)
    return Piece(np.array(stamps, np.int64), (column,))


def rows(chunks: Iterator[Chunk], lanes: int) -> list[tuple[int, ...]]:
    """Stamp and values of each row, -1 where there is none."""
    found: list[tuple[int, ...]] = []
    for chunk in chunks:
        columns = [
            chunk.column(i, 0, -1.0) if chunk.lanes[i][1].columns else np.full(len(chunk.utc_ms), -1.0)
            for i in range(lanes)
        ]
        found += [(int(utc), *(int(v) for v in values)) for utc, *values in zip(chunk.utc_ms, *columns, strict=True)]
    return found


def test_readings_of_one_moment_stand_in_one_row() -> None:
    """A fast and a slow series, cut into slices at different places."""
    fast = iter([piece([0, 250, 500]), piece([750, 1000]), piece([1250])])
    slow = iter([piece([0, 1000]), piece([2000])])
    assert rows(side_by_side([fast, slow]), 2) == [
        (0, 0, 0),
        (250, 250, -1),
        (500, 500, -1),
        (750, 750, -1),
        (1000, 1000, 1000),
        (1250, 1250, -1),
        (2000, -1, 2000),
    ]


def test_series_without_readings_leaves_its_column_empty() -> None:
    """None at all, or only empty slices."""
    nothing: Iterator[Piece] = iter([])
    assert rows(side_by_side([iter([piece([1, 2])]), nothing, iter([piece([])])]), 3) == [
        (1, 1, -1, -1),
        (2, 2, -1, -1),
    ]
    assert rows(side_by_side([nothing]), 1) == []


def test_clock_that_is_set_back_puts_nothing_to_another_moment() -> None:
    """Two hours on, one back: what was read before stands before, in rows of its own."""
    first, second = [0, 1000, 2 * HOUR_MS], [HOUR_MS, HOUR_MS + 1000, 2 * HOUR_MS]
    one = iter([piece([*first, *second], [10, 11, 12, 20, 21, 22])])
    other = iter([piece(first, [30, 31, 32]), piece(second, [40, 41, 42])])
    assert rows(side_by_side([one, other]), 2) == [
        (0, 10, 30),
        (1000, 11, 31),
        (2 * HOUR_MS, 12, 32),
        (HOUR_MS, 20, 40),
        (HOUR_MS + 1000, 21, 41),
        (2 * HOUR_MS, 22, 42),
    ]


def test_stamps_that_recur_are_told_apart() -> None:
    """A clock that is slewed back by some ms: two readings under one stamp are two rows, each with its neighbour."""
    one, other = iter([piece([5, 7, 7], [1, 2, 3])]), iter([piece([5, 7, 7], [4, 5, 6])])
    assert rows(side_by_side([one, other]), 2) == [(5, 1, 4), (7, 2, 5), (7, 3, 6)]


slices = st.lists(st.lists(st.integers(0, 400), max_size=6), max_size=6)


@given(st.lists(slices, min_size=1, max_size=3), st.booleans())
def test_every_reading_comes_out_once(series: list[list[list[int]]], far: bool) -> None:
    """Whatever the order of stamps: nothing is lost or doubled, each value stands beside its own stamp."""
    scale = TURN_MS // 50 if far else 1
    given_ = [[[s * scale for s in part] for part in parts] for parts in series]
    found = rows(side_by_side([iter([piece(part) for part in parts]) for parts in given_]), len(series))
    for lane, parts in enumerate(given_):
        mine = [row for row in found if row[1 + lane] >= 0]
        assert sorted(row[1 + lane] for row in mine) == sorted(s for part in parts for s in part)
        assert all(row[0] == row[1 + lane] for row in mine)


@given(st.lists(st.lists(st.integers(0, 10_000), unique=True, max_size=30), min_size=1, max_size=3), st.integers(1, 9))
def test_rising_series_give_rising_rows(series: list[list[int]], size: int) -> None:
    """With clocks that only rise there is one row for each moment, in order, however the series are cut."""
    parts = [[sorted(s)[i : i + size] for i in range(0, len(s), size)] for s in series]
    found = rows(side_by_side([iter([piece(part) for part in some]) for some in parts]), len(series))
    assert [row[0] for row in found] == sorted({stamp for s in series for stamp in s})
