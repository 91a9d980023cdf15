"""Alarm figures of any rows, against counts made the slow way, and the watch's own rule of floods."""

from __future__ import annotations

import statistics
from collections import Counter

from hypothesis import given
from hypothesis import strategies as st

from alarmfigures import BEGIN_MS, Hand
from nightrake.alarms.figures import Tally
from nightrake.alarms.figurewindows import Floods, quantile_s
from nightrake.alarms.flood import Flood, flood_after, flood_due_ns

MS = st.integers(0, 6_000_000)
TIMES = st.lists(MS, max_size=60).map(sorted)
EVENTS = st.sampled_from(
    ["raised", "raised_again", "worsened", "acknowledged", "cleared", "latched", "reset", "shelved", "unshelved",
     "suppressed", "suppression_ended", "chattering_began", "unheard_of"]
)  # fmt: skip
LIVES = st.sampled_from(
    ["normal", "unacknowledged", "acknowledged", "cleared unacknowledged", "latched unacknowledged", "x", ""]
)
ROWS = st.lists(
    st.tuples(MS, EVENTS, st.sampled_from("abc"), st.sampled_from(["urgent", "low", "notice", "?"]), LIVES), max_size=40
)


@given(TIMES)
def test_peak_and_periods_as_counted_the_slow_way(times_ms: list[int]) -> None:
    """The most in any ten minutes that end with an alarm; ten minutes from the beginning with more than ten."""
    found = Hand().each([t / 1000 for t in times_ms]).figures(7_200)

    assert found.peak == max((sum(t - 600_000 < u <= t for u in times_ms) for t in times_ms), default=0)
    assert found.periods_over == sum(n > 10 for n in Counter(t // 600_000 for t in times_ms).values())
    assert found.annunciated == len(times_ms) == sum(found.by_priority.values())


@given(TIMES)
def test_floods_are_those_of_the_watch(times_ms: list[int]) -> None:
    """The same moments through the rule by which the watch holds back calls: as many floods, as long."""
    floods, flood, count, total_ns, since_ns = Floods(1), Flood(), 0, 0, 0
    for at_ms in [*times_ms, 10**9]:
        at_ns = at_ms * 1_000_000 + 1  # 0 means 'none' there
        due_ns = flood_due_ns(flood)
        if 0 < due_ns <= at_ns:
            total_ns += due_ns - since_ns
            flood = Flood(flood.times)
        if at_ms == 10**9:
            break
        floods.take(at_ms)
        was = flood.active
        flood = flood_after(flood, at_ns, at_ms)
        if flood.active and not was:
            count, since_ns = count + 1, at_ns

    assert (floods.count, floods.total_s(10**9)) == (count, total_ns / 1e9)


@given(ROWS)
def test_any_rows_give_sound_figures(rows: list[tuple[int, str, str, str, str]]) -> None:
    """Parts are parts, counts add up, whatever the rows say and however the clock goes."""
    hand = Hand()
    for at_ms, event, alarm, priority, life in rows:
        hand.put(at_ms / 1000, event, alarm, priority, life or "unacknowledged")
    found = hand.figures(6_000)

    assert 0 <= found.peak <= found.annunciated
    assert found.periods_over <= found.periods == 10
    assert sum(o.times for o in found.top) == found.annunciated
    assert 0.0 <= found.flood_s <= 6_000
    assert found.standing_most <= 3
    assert (found.median_s or 0) <= (found.p90_s or 0)
    assert found.annunciated + found.notices <= len(rows)


@given(ROWS, st.integers(1, 5_999))
def test_two_halves_hold_what_the_whole_holds(rows: list[tuple[int, str, str, str, str]], cut_s: int) -> None:
    """Annunciations and notices of a period are those of its parts (clock never set back)."""
    hand = Hand()
    for at_ms, event, alarm, priority, life in sorted(rows):
        hand.put(at_ms / 1000, event, alarm, priority, life or "unacknowledged")
    whole, first, second = hand.figures(6_001), hand.figures(cut_s), hand.figures(6_001 - cut_s, from_s=cut_s)

    assert whole.annunciated == first.annunciated + second.annunciated
    assert whole.notices == first.notices + second.notices
    assert whole.acknowledged == first.acknowledged + second.acknowledged
    assert whole.standing_most == max(first.standing_most, second.standing_most)


@given(st.lists(st.integers(0, 500), min_size=1, max_size=50), st.integers(1, 100))
def test_quantile_is_a_nearest_rank(values: list[int], percent: int) -> None:
    """At least so many percent are no larger, fewer are smaller; the median is that of the standard library."""
    found = quantile_s(Counter(values), percent)
    assert found is not None
    if percent == 50:
        assert found == statistics.median(values)
        return
    assert sum(v <= found for v in values) * 100 >= percent * len(values)
    assert sum(v < found for v in values) * 100 < percent * len(values)


def test_a_long_flood_of_rows_is_kept_as_counts() -> None:
    """A hundred thousand annunciations of one alarm hold no list of them."""
    tally = Tally(BEGIN_MS, BEGIN_MS + 10**9)
    row = Hand().put(0, "raised").chain.rows[1]
    for number in range(100_000):
        tally.take(row._replace(utc_ms=BEGIN_MS + number * 1_000))
    found = tally.done(BEGIN_MS + 10**9)

    assert (found.annunciated, found.peak, found.floods) == (100_000, 600, 1)
    assert len(tally._floods._times) <= 600
