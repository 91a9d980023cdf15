"""Thinning for a picture: nothing extreme is hidden, whatever the span, the columns and the kind of history."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightrake.history.rows import DAY_MS, HOUR_MS, MINUTE_MS, Grain
from nightrake.history.screen import Picture, grain_for

values = st.floats(-1e6, 1e6)


@given(
    readings=st.lists(st.tuples(st.integers(-500, 10_500), st.one_of(values, st.just(float("nan")))), max_size=60),
    columns=st.integers(1, 40),
    cut=st.integers(0, 60),
)
def test_no_reading_within_the_span_is_hidden(readings: list[tuple[int, float]], columns: int, cut: int) -> None:
    """Each reading lies between low and high of the column of its time; the columns' ends are readings of theirs."""
    picture = Picture(0, 10_000, columns)
    for part in (readings[:cut], readings[cut:]):
        picture.add_readings(np.array([t for t, _ in part], np.int64), np.array([v for _, v in part]))
    found = picture.columns()

    inside = [(t, v) for t, v in readings if 0 <= t < 10_000 and v == v]
    for column in range(columns):
        mine = [v for t, v in inside if t * columns // 10_000 == column]
        if not mine:
            assert np.isnan(found.low[column])
            assert found.n[column] == 0
            continue
        assert (found.low[column], found.high[column]) == (min(mine), max(mine))
        assert found.n[column] == len(mine)
        assert found.mean[column] == pytest.approx(np.mean(mine), abs=1e-6)
        assert found.low[column] <= found.mean[column] <= found.high[column]


@given(
    rows=st.lists(st.tuples(st.integers(-3, 30), values, st.floats(0.0, 1e5), st.integers(1, 60)), max_size=25),
    columns=st.integers(1, 400),
    offset_ms=st.integers(0, MINUTE_MS),
)
def test_row_of_a_summary_shows_its_extremes_wherever_it_may_have_had_them(
    rows: list[tuple[int, float, float, int]], columns: int, offset_ms: int
) -> None:
    """Also where rows and columns do not meet: every column that a row reaches into spans the row's extremes."""
    span_ms = 20 * MINUTE_MS + 7
    begin = np.array([minute * MINUTE_MS for minute, *_ in rows], np.int64)
    low = np.array([v for _, v, _, _ in rows])
    high = low + np.array([r for _, _, r, _ in rows])
    n = np.array([float(k) for *_, k in rows])
    picture = Picture(offset_ms, offset_ms + span_ms, columns)
    picture.add_rows(begin, MINUTE_MS, low, (low + high) / 2, high, n)
    found = picture.columns()

    edges = offset_ms + np.arange(columns + 1) * span_ms / columns
    inside = (begin + MINUTE_MS > offset_ms) & (begin < offset_ms + span_ms)
    for i in np.flatnonzero(inside):
        reached = (edges[1:] > begin[i] + 1) & (edges[:-1] < begin[i] + MINUTE_MS - 1)
        assert (found.low[reached] <= low[i]).all()
        assert (found.high[reached] >= high[i]).all()
    if inside.any():
        assert np.nanmax(found.high) == high[inside].max()
        assert np.nanmin(found.low) == low[inside].min()
    assert found.n.sum() == pytest.approx(n[inside].sum())


@pytest.mark.parametrize(
    ("span_ms", "columns", "expected"),
    [
        (10 * MINUTE_MS, 800, None),
        (800 * MINUTE_MS, 800, Grain.MINUTE),
        (799 * MINUTE_MS, 800, None),
        (30 * DAY_MS, 800, Grain.MINUTE),
        (800 * HOUR_MS, 800, Grain.HOUR),
        (3_650 * DAY_MS, 800, Grain.DAY),
    ],
)
def test_coarsest_history_within_a_column_is_taken(span_ms: int, columns: int, expected: Grain | None) -> None:
    """Few rows to read, and still a row in each column."""
    kept = {None: 0, Grain.MINUTE: 0, Grain.HOUR: 0, Grain.DAY: 0}

    assert grain_for(5 * DAY_MS, 5 * DAY_MS + span_ms, columns, kept) is expected


def test_history_that_is_gone_is_replaced_by_a_coarser_one() -> None:
    """Of a time whose readings are gone the minutes are drawn, and of one whose minutes are gone the hours."""
    kept = {None: 900 * DAY_MS, Grain.MINUTE: 500 * DAY_MS, Grain.HOUR: 0, Grain.DAY: 0}

    assert grain_for(950 * DAY_MS, 950 * DAY_MS + 1_000, 800, kept) is None
    assert grain_for(600 * DAY_MS, 600 * DAY_MS + 1_000, 800, kept) is Grain.MINUTE
    assert grain_for(400 * DAY_MS, 400 * DAY_MS + 1_000, 800, kept) is Grain.HOUR
    assert grain_for(600 * DAY_MS, 1_000 * DAY_MS, 2, {None: 900 * DAY_MS, Grain.MINUTE: 500 * DAY_MS}) is Grain.MINUTE
    assert grain_for(100 * DAY_MS, 200 * DAY_MS, 800, {None: 900 * DAY_MS}) is None


@pytest.mark.parametrize(("begin", "end", "columns"), [(5, 5, 10), (5, 4, 10), (0, 10, 0), (0, 10, 100_001)])
def test_picture_without_span_or_columns_is_refused(begin: int, end: int, columns: int) -> None:
    """A wrong question is a sentence, no division by zero."""
    with pytest.raises(ValueError, match=r"span|columns"):
        Picture(begin, end, columns)


def test_finer_rows_that_begin_within_the_first_row_of_coarser_ones_lack_nothing() -> None:
    """A drive that began to run at five past: by minutes, not by the hour; and not by the day where it began later."""
    begin = 100 * DAY_MS
    span, by_minutes = (begin, begin + 2 * HOUR_MS), begin + 5 * MINUTE_MS
    kept: dict[Grain | None, int] = {Grain.MINUTE: by_minutes, Grain.HOUR: begin, Grain.DAY: begin}
    assert grain_for(*span, 24, kept) is Grain.MINUTE
    kept |= {Grain.MINUTE: by_minutes + HOUR_MS}
    assert grain_for(*span, 24, kept) is Grain.HOUR, "an hour's minutes are no longer kept"
    later: dict[Grain | None, int] = {grain: at + 3 * HOUR_MS for grain, at in kept.items()} | {Grain.DAY: begin}
    assert grain_for(begin, begin + 6 * HOUR_MS, 72, later) is Grain.MINUTE
