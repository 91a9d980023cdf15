"""When the PLCs of a site are asked: spread over the period, neighbours together."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from nightrake.field.schedule import TOGETHER_NS, first_turn_ns

MS = 1_000_000
BEGIN_NS = 1_234_567_891


def turns(count: int, period_ns: int, begin_ns: int = BEGIN_NS) -> list[int]:
    """When each PLC of a site is asked first."""
    return [first_turn_ns(begin_ns, period_ns, index, count) for index in range(count)]


@given(st.integers(1, 300), st.sampled_from([50, 100, 250, 1000]), st.integers(0, 10**15))
def test_they_are_spread_over_the_whole_period(count: int, period_ms: int, begin_ns: int) -> None:
    """In order, within one period, and none further from its even share than those who wake together may be."""
    found = turns(count, period_ms * MS, begin_ns)

    assert found == sorted(found)
    for index, turn_ns in enumerate(found):
        assert 0 <= begin_ns + period_ms * MS * index / count - turn_ns < TOGETHER_NS


def test_large_site_is_woken_for_three_at_most() -> None:
    """63 PLCs at 10 Hz, as in the benchmark of 504 drives: 26 wakes in a period instead of 63."""
    together = Counter(turns(63, 100 * MS))

    assert max(together.values()) == 3
    assert len(together) <= 26


def test_small_site_has_a_turn_for_each() -> None:
    """25 PLCs at 10 Hz, 200 drives: none waits for another."""
    assert all(b > a for a, b in pairwise(turns(25, 100 * MS)))
