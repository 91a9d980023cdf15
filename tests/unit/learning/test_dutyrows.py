"""The order of lowest and highest in rows, and motor starts: against one step at a time, and as bounds of the truth."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from nightrake.learning.dutyrainflow import rainflow
from nightrake.learning.dutyrows import in_order, starts

SERIES = st.lists(st.integers(0, 9), min_size=1, max_size=80)


def one_by_one(low: list[float], high: list[float], before: float) -> list[float]:
    """Nearer end first."""
    out: list[float] = []
    for lo, hi in zip(low, high, strict=True):
        out += [hi, lo] if before >= (lo + hi) / 2 else [lo, hi]
        before = out[-1]
    return out


@given(st.lists(st.tuples(st.integers(-9, 9), st.integers(0, 9)), max_size=30), st.integers(-9, 9))
def test_nearer_end_comes_first(rows: list[tuple[int, int]], before: int) -> None:
    """All rows at once give what one row after the other gives."""
    low, high = [float(a) for a, _ in rows], [float(a + b) for a, b in rows]

    assert in_order(np.array(low), np.array(high), float(before)).tolist() == one_by_one(low, high, float(before))


@given(SERIES, st.integers(1, 12))
def test_rows_never_find_a_larger_cycle_than_there_was(values: list[int], span: int) -> None:
    """The largest range is that of all readings, and there are no more cycles than those have."""
    series = np.array(values, np.float64)
    parts = [series[i : i + span] for i in range(0, len(series), span)]
    rows = rainflow(in_order(np.array([p.min() for p in parts]), np.array([p.max() for p in parts])))
    every = rainflow(series)

    assert rows.size.max(initial=0.0) == every.size.max(initial=0.0)
    assert rows.number.sum() <= every.number.sum() + 0.5  # the order in the first row is a guess


@given(st.lists(st.integers(0, 2), min_size=1, max_size=60), st.integers(1, 10), st.integers(0, 60))
def test_starts_of_rows_are_at_least_proved(states: list[int], span: int, cut: int) -> None:
    """Never more starts than there were, all of them where a row is one reading, the same in slices; 2 = not known."""
    known = [s for s in states if s < 2]
    truth = sum(a == 0 and b == 1 for a, b in pairwise(known))
    parts = [states[i : i + span] for i in range(0, len(states), span)]
    running, stopped = (np.array([what in part for part in parts]) for what in (1, 0))
    count, ran = starts(running, stopped, None)
    first, between = starts(running[:cut], stopped[:cut], None)
    second, end = starts(running[cut:], stopped[cut:], between)

    assert count <= truth
    assert (first + second, end) == (count, ran)
    if span == 1:
        assert count == truth
