"""Retained states are renewed once in each period, spread over it; a delay is made up gently."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

import pytest

from nightrake.messages.states import Renewal

TICK_NS = 100_000_000
PERIOD_NS = 10_000_000_000


@pytest.mark.parametrize("count", [1, 6, 100, 101, 2_000])
def test_each_is_renewed_once_in_a_period_and_all_are_spread_over_it(count: int) -> None:
    """Few or two thousand: the same period for each, to a tick; no tick gets more than its share and one."""
    drives, renewal = [f"D{n}" for n in range(count)], Renewal()
    at: dict[str, list[int]] = {d: [] for d in drives}
    shares = []
    for tick in range(501):
        share = renewal.due(drives, 10**12 + tick * TICK_NS, PERIOD_NS)
        shares.append(len(share))
        for drive in share:
            at[drive].append(tick)

    assert {len(ticks) for ticks in at.values()} <= {4, 5}
    assert all(99 <= b - a <= 101 for ticks in at.values() for a, b in pairwise(ticks))
    assert max(shares) <= count // 100 + 1
    assert Counter(len(ticks) for ticks in at.values())[5] >= count - 1


def test_after_a_standstill_nobody_is_flooded() -> None:
    """Two thousand drives after four seconds without a tick: made up at three times the pace at most."""
    drives, renewal = [f"D{n}" for n in range(2_000)], Renewal()
    now_ns = 10**12
    renewal.due(drives, now_ns, PERIOD_NS)
    now_ns += 40 * TICK_NS
    first = len(renewal.due(drives, now_ns, PERIOD_NS))
    rest = []
    for _ in range(60):
        now_ns += TICK_NS
        rest.append(len(renewal.due(drives, now_ns, PERIOD_NS)))

    assert first <= 3 * 20 * 40 + 1
    assert max(rest) <= 3 * 20 + 1
    assert first + sum(rest) >= 2_000


def test_new_drives_join_the_next_round_and_a_new_period_holds_at_once() -> None:
    """After a reload each drive has its turn again; a site without drives renews nothing."""
    renewal = Renewal()
    assert [renewal.due([], 10**12 + n * TICK_NS, PERIOD_NS) for n in range(300)] == [[]] * 300
    seen: Counter[str] = Counter()
    for n in range(300, 521):
        seen.update(renewal.due(["A", "B"], 10**12 + n * TICK_NS, PERIOD_NS))

    assert seen == {"A": 2, "B": 2}
