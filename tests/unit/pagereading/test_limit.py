"""For how long one question may be worked on."""

from __future__ import annotations

from nightrake.pagereading.limit import SHARED_S, Limit


def test_a_question_is_cut_short_only_while_others_wait() -> None:
    """Alone it has all its time; with others half a second, and that it always has."""
    now_s, others = 100.0, False
    limit = Limit(lambda: now_s, lambda: others)
    over = []
    for now_s, others in ((100.0 + SHARED_S / 2, True), (102.0, False), (102.0, True), (104.1, False)):  # noqa: B007
        over.append(limit.is_over(4.0))
    limit.begin()
    over.append(limit.is_over(4.0))

    assert over == [False, False, True, True, False]


def test_a_part_that_must_not_be_left_out_has_its_own_time() -> None:
    """However long the rest took."""
    now_s = 0.0
    limit = Limit(lambda: now_s, lambda: True)
    now_s = 50.0

    assert limit.is_over(4.0)
    assert not limit.anew().is_over(4.0)
