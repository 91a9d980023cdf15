"""How far a stretch has got: nothing counts as certain too soon, and going back never skips anything."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from nightrake.historian.stamps import Stamps
from nightrake.workers.places import MARGIN_S, OLDER, OLDER_S, Mark, Places

RESEND_S = 30.0


def places(until_s: int, step_s: int = 1) -> Places:
    """A stretch of which the store has acknowledged a hundred inputs a second until then."""
    made = Places(Mark(0.0, 0, Stamps()), RESEND_S)
    for at_s in range(step_s, until_s + 1, step_s):
        made.took(Mark(float(at_s), 100 * at_s, Stamps()), is_end=False)
    return made


@given(until_s=st.integers(0, 200), verified_s=st.one_of(st.none(), st.floats(0.0, 200.0)))
def test_what_is_certain_is_old_and_was_found_again(until_s: int, verified_s: float | None) -> None:
    """No later than half a minute ago, nor than the last probe that was found; and as late as that allows."""
    made = places(until_s)
    made.settle(float(until_s), verified_s)
    bound_s = min(until_s - RESEND_S, until_s if verified_s is None else verified_s)

    assert made.safe.at_s <= max(0.0, bound_s)
    assert made.safe.at_s >= min(bound_s - 2.0, until_s - 1.0)
    assert made.at.seq == 100 * until_s


@given(until_s=st.integers(60, 900), kept_s=st.floats(0.0, 900.0))
def test_a_store_that_forgot_more_gets_all_behind_what_it_kept(until_s: int, kept_s: float) -> None:
    """As far back as places are remembered, and never to a place behind what it may have kept."""
    made = places(until_s)
    for at_s in range(until_s + 1):
        made.settle(float(at_s), None)
    safe = made.safe
    made.go_back()
    assert made.at == made.safe == safe

    went = made.go_back_behind(kept_s)

    assert made.at.seq <= safe.seq
    assert went == (made.at.seq < safe.seq)
    if safe.at_s > kept_s:
        remembered = safe.at_s < OLDER * OLDER_S
        assert made.at.at_s <= kept_s - MARGIN_S or not remembered or made.at.seq == 0
