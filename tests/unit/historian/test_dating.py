"""What a clock without a date has stamped is dated by the monotonic clock."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from nightrake.historian.dating import Dating

S = 1_000_000_000
NOW = 1_790_000_000_000
EARLY = [("a", 100 * S, 300_000, False), ("a", 160 * S, NOW, True), ("b", 5 * S, NOW + 900_000, True)]
BOOTS = [(1, "a"), (50, "b")]


def test_stamp_of_1970_is_dated_by_what_came_after() -> None:
    """Forty seconds before the clock was set; what came after it, and under a right clock, keeps its own stamp."""
    dating = Dating(EARLY, BOOTS)

    assert dating.utc_of_input(7, 120 * S, 320_000) == NOW - 40_000
    assert dating.utc_of("a", 120 * S, 320_000) == NOW - 40_000
    assert dating.utc_of_input(8, 161 * S, NOW + 1003) == NOW + 1003
    assert dating.utc_of_input(50, 6 * S, NOW + 901_000) == NOW + 901_000
    assert dating.is_dated("a")


def test_clock_that_loses_its_time_is_dated_by_what_came_before() -> None:
    """Nothing right comes after: the last right clock says when it was; if one comes, that one does."""
    lost = [("a", 0, NOW, True), ("a", 60 * S, NOW + 61_000, False)]

    assert Dating(lost, BOOTS).utc_of("a", 80 * S, NOW + 90_000) == NOW + 80_000
    again = [*lost, ("a", 100 * S, NOW + 100_400, True)]
    assert Dating(again, BOOTS).utc_of("a", 80 * S, NOW + 90_000) == NOW + 80_400


def test_time_is_not_made_up() -> None:
    """A machine that never had a date while it ran: nobody knows. Without any segment stamps are taken as they are."""
    dating = Dating([("a", 0, 0, False), ("b", 0, NOW, True)], BOOTS)

    assert dating.utc_of_input(3, 5 * S, 5_000) is None
    assert not dating.is_dated("a")
    assert dating.is_dated("b")
    assert dating.is_dated("unheard of")
    assert Dating([], []).utc_of_input(3, 5 * S, 5_000) == 5_000
    assert dating.utc_of("unheard of", 1, 2) == 2


@given(
    wrong=st.lists(st.tuples(st.integers(1, 3000), st.integers(-(10**12), 10**12)), max_size=6),
    right_s=st.integers(0, 3000),
    at_s=st.integers(0, 4000),
)
def test_wrong_clocks_in_any_number_change_no_date(wrong: list[tuple[int, int]], right_s: int, at_s: int) -> None:
    """However UTC jumped about while it could not be believed, the true time comes out of one moment of trust."""
    segments = [("a", (right_s + s) * S, offset_ms, False) for s, offset_ms in wrong]
    segments += [("a", 0, 1, False), ("a", right_s * S, NOW + right_s * 1000, True)]
    dated = Dating(segments, [(1, "a")]).utc_of("a", at_s * S, -1)

    assert dated in (NOW + at_s * 1000, -1)
    if at_s < right_s or any(right_s + s <= at_s for s, _ in wrong):
        assert dated == NOW + at_s * 1000
