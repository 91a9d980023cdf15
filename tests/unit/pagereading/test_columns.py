"""Columns of a chart beside a slow count of what lies in each; tiles are bounded and grow old."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from clocks import ManualClock
from nightrake.history.screen import Picture
from nightrake.pagereading.columns import (
    FRESH_S,
    MOST,
    STEPS,
    Columns,
    Tiles,
    Worth,
    blank,
    columns_of,
    joined,
    step_for,
    tile_for,
)
from nightrake.pagereading.history import plain

MS = st.integers(0, 4_000_000_000_000)


@given(begin=MS, span=st.integers(1, 10**11), most=st.integers(2, 2_000))
def test_step_covers_the_span_and_no_narrower_one_would(begin: int, span: int, most: int) -> None:
    """The span lies in at most so many whole columns; the step before in the list would need more."""
    step = step_for(begin, begin + span, most)
    assert -(-(begin + span) // step) - begin // step <= most
    narrower = [one for one in STEPS if one < step]
    if narrower and step in STEPS:
        assert -(-(begin + span) // narrower[-1]) - begin // narrower[-1] > most


def test_tile_is_a_day_or_one_column() -> None:
    """Of seconds 250 columns; of half hours a day; of weeks one."""
    assert [tile_for(ms) for ms in (1_000, 1_800_000, 86_400_000, 7 * 86_400_000)] == [250, 48, 1, 1]


@given(st.lists(st.tuples(st.integers(-50, 450), st.booleans(), st.booleans()), max_size=60))
def test_shares_of_readings_are_those_of_a_slow_count(readings: list[tuple[int, bool, bool]]) -> None:
    """Share without a value, and of those with one that outside the calibrated span, column by column."""
    worth = Worth(1_000, 40, 10)
    utc_ms = np.array([1_000 + at for at, _, _ in readings], np.int64)
    bad = np.array([b for _, b, _ in readings], np.bool_)
    limit = np.array([m and not b for _, b, m in readings], np.bool_)
    worth.add_readings(utc_ms, bad, limit)
    shares = worth.shares()
    for column in range(10):
        mine = [(b, m and not b) for at, b, m in readings if column * 40 <= at < column * 40 + 40]
        held = [m for b, m in mine if not b]
        assert _same(shares[0][column], sum(b for b, _ in mine) / len(mine) if mine else np.nan)
        assert _same(shares[1][column], sum(held) / len(held) if held else np.nan)


def test_row_that_is_longer_than_a_column_counts_in_each_by_its_part() -> None:
    """A minute of 60 readings, 6 of them bad, over columns of 10 s; a column beyond it has none."""
    worth = Worth(0, 10_000, 8)
    worth.add_rows(np.array([0]), 60_000, np.array([60.0]), np.array([6.0]), np.array([27.0]))
    bad, limit = worth.shares()
    assert np.allclose(bad[:6], 0.1)
    assert np.allclose(limit[:6], 0.5)
    assert np.isnan(bad[6:]).all()


def test_row_that_begins_before_the_columns_counts_in_the_first() -> None:
    """Nothing is put before the first column or behind the last."""
    worth = Worth(60_000, 60_000, 2)
    worth.add_rows(np.array([30_000, 150_000]), 60_000, np.array([4.0, 4.0]), np.array([4.0, 0.0]), np.zeros(2))
    assert worth.shares()[0].tolist() == [1.0, 0.0]


def _same(one: float, other: float) -> bool:
    return bool(np.isclose(one, other, equal_nan=True))


def _tile(count: int, value: float) -> Columns:
    picture = Picture(0, count, count)
    picture.add_readings(np.arange(count), np.full(count, value))
    return columns_of(picture, None, Worth(0, 1, count), ("a note",))


def test_joined_and_cut_are_the_same_again() -> None:
    """Columns side by side, each in its place, notes told once."""
    whole = joined([_tile(3, 1.0), blank(2), _tile(4, 2.0)])
    assert np.array_equal(whole.mean, [1, 1, 1, np.nan, np.nan, 2, 2, 2, 2], equal_nan=True)
    assert whole.part(2, 6).mean.tolist()[0] == 1.0
    assert whole.notes == ("a note",)


def test_tiles_grow_old(manual_clock: ManualClock) -> None:
    """A tile is at hand for ten minutes, then it is read anew."""
    tiles = Tiles(lambda: manual_clock.mono_ns() / 1e9)
    tiles.put(("a", 1), _tile(3, 7.0))
    manual_clock.advance(FRESH_S - 1.0)
    assert (found := tiles.get(("a", 1))) is not None
    assert found.mean.tolist() == [7.0] * 3
    manual_clock.advance(2.0)
    assert tiles.get(("a", 1)) is None
    assert tiles.get(("a", 2)) is None


def test_tiles_are_bounded_and_the_least_used_goes() -> None:
    """However many are put, no more columns are at hand than may be; what was just used stays."""
    tiles, size = Tiles(lambda: 0.0), 250
    for number in range(MOST // size):
        tiles.put((number,), _tile(size, 1.0))
    assert tiles.get((0,)) is not None
    for number in range(MOST // size, MOST // size + 100):
        tiles.put((number,), _tile(size, 1.0))
    assert tiles.size <= MOST
    assert tiles.get((0,)) is not None
    assert tiles.get((1,)) is None
    tiles.put((0,), _tile(10, 1.0))
    assert tiles.size <= MOST - 240


def test_numbers_for_json() -> None:
    """Rounded to the decimals of a kind, or to six figures; what is no number is none."""
    assert plain(np.array([1.25, np.nan, np.inf, -3.04]), 1) == [1.2, None, None, -3.0]
    assert plain(np.array([123456.789, 0.000123456789, 0.0, np.nan]), None) == [123457.0, 0.000123457, 0.0, None]
