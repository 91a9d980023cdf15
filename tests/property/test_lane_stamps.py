"""Two lanes write the same series: whatever the clock did, no stamp is given twice, and each lane's rise."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from nightrake.historian.split import AHEAD_MS, BACK_MS, Extent, Going, split_of
from nightrake.historian.stamps import DAY_MS, Stamps

BEGIN_MS = 1_790_000_000_000
STEPS = st.lists(
    st.tuples(
        st.sampled_from(("a", "b", "c")),
        st.one_of(
            st.just(250), st.integers(10, 60_000), st.integers(-7_000, -1), st.sampled_from((-3_600_000, 2 * DAY_MS))
        ),
    ),
    min_size=1,
    max_size=60,
)
"""Which series comes next, and how far the clock went on, or back."""


def walk(steps: list[tuple[str, int]], begin_ms: int) -> list[tuple[str, int]]:
    """Series and time of each sample."""
    found, utc_ms = [], begin_ms
    for series, step_ms in steps:
        utc_ms += step_ms
        found.append((series, utc_ms))
    return found


def extent_of(samples: list[tuple[str, int]], used_ms: int = 0) -> Extent:
    """As the process finds it: each series is a PLC here."""
    going = Going(used_ms)
    for series, utc_ms in samples:
        going.take(series, utc_ms, utc_ms)
    return going.extent()


@given(before=STEPS, backlog=STEPS, live=STEPS)
def test_no_stamp_is_given_by_both_lanes(
    before: list[tuple[str, int]], backlog: list[tuple[str, int]], live: list[tuple[str, int]]
) -> None:
    """What came before the split, the backlog's, the live lane's: all different in each series, rising in each lane."""
    safe = Stamps()
    past = walk(before, BEGIN_MS)
    used = [(s, safe.take(s, ms)) for s, ms in past]
    old = walk(backlog, past[-1][1])
    split = split_of(safe, extent_of(old, safe.highest_ms), old[-1][1])
    lane = Stamps.of(safe.kept)
    used += [(s, lane.take(s, ms)) for s, ms in old]
    going_on = lane if split.hold else split.stamps
    new = [(s, going_on.take(s, ms)) for s, ms in walk(live, old[-1][1])]

    if all(abs(step) < 3_600_000 for _, step in (*before, *backlog, *live)):
        assert len({*used, *new}) == len(used) + len(new)
        for series in "abc":
            mine = [ms for s, ms in new if s == series]
            assert mine == sorted(set(mine))
    elif not split.hold:
        assert not {*used} & {*new}


@given(backlog=st.lists(st.tuples(st.sampled_from(("a", "b")), st.integers(10, 5_000)), min_size=1, max_size=60))
def test_clock_that_only_goes_on_holds_nobody_and_moves_nothing(backlog: list[tuple[str, int]]) -> None:
    """Both lanes' samples have their own time, but for the live lane's within a millisecond of the split."""
    old = walk(backlog, BEGIN_MS)
    split = split_of(Stamps(), extent_of(old), old[-1][1])
    lane = Stamps()

    assert not split.hold
    assert [lane.take(s, ms) for s, ms in old] == [ms for _, ms in old] or len(set(old)) < len(old)
    assert split.stamps.take("a", old[-1][1] + 250) == old[-1][1] + 250


def test_clock_that_was_moved_far_makes_the_live_lane_wait() -> None:
    """Back by more than some seconds, or ahead of now, or by days: no bound can be given."""
    safe = Stamps()
    safe.take("a", BEGIN_MS)
    fine = Extent(BEGIN_MS + 250, BEGIN_MS + 60_000, 0, 0)
    now_ms = BEGIN_MS + 60_000

    assert not split_of(safe, fine, now_ms).hold
    assert not split_of(safe, fine._replace(back_ms=BACK_MS), now_ms).hold
    assert split_of(safe, fine._replace(back_ms=BACK_MS + 1), now_ms).hold
    assert split_of(safe, fine._replace(high_ms=now_ms + AHEAD_MS + 1), now_ms).hold
    assert split_of(safe, fine._replace(again=AHEAD_MS + 1), now_ms).hold
    assert split_of(safe, fine._replace(low_ms=BEGIN_MS - DAY_MS - 1), now_ms).hold
    assert split_of(safe, Extent(0, 0, 0, 0), now_ms).stamps.highest_ms == BEGIN_MS


@given(steps=STEPS, extra=st.integers(-5, 5_000))
def test_taking_several_at_once_is_taking_each(steps: list[tuple[str, int]], extra: int) -> None:
    """The short way gives the same stamps, or leaves everything as it was."""
    one, all_ = Stamps(), Stamps()
    utc_ms = BEGIN_MS
    for series, step_ms in steps:
        utc_ms += step_ms
        wanted = {s: one.take(s, utc_ms) for s in {series, "d"}}
        if all_.take_all({series, "d"}, utc_ms):
            assert set(wanted.values()) == {utc_ms}
        else:
            assert {s: all_.take(s, utc_ms) for s in wanted} == wanted
    assert one.kept == all_.kept
