"""Numbers never recur, whatever the order of use, commits, failures, crashes and clean stops."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from nightrake.journal.batch import MAX_ROWS
from nightrake.journal.numbers import AHEAD_ROWS, Numbers

STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("use"), st.integers(1, 3000)),
        st.tuples(st.sampled_from(["commit", "fail", "crash", "stop"]), st.just(0)),
    ),
    max_size=60,
)


def begin(meta: dict[str, int], kept: int) -> Numbers:
    """Start a run: what is due is committed before the first number is used."""
    numbers = Numbers("n", meta.get("n", 0), kept, AHEAD_ROWS)
    due = numbers.due()
    meta.update(due)
    numbers.committed(due)
    return numbers


@given(STEPS)
def test_no_number_that_left_the_process_recurs(steps: list[tuple[str, int]]) -> None:
    """A model of the disk holds `meta` and the highest committed number; only reserved numbers are told."""
    meta: dict[str, int] = {}
    committed, told, numbers = 0, 0, begin({}, 0)
    numbers = begin(meta, committed)
    next_seq = numbers.first_free
    for step, count in steps:
        if step == "use":
            next_seq += count
            told = max(told, min(next_seq - 1, numbers.reserved))
            numbers.use(next_seq - 1)
        elif step == "commit":
            due = numbers.due()
            meta.update(due)
            numbers.committed(due)
            committed = told = next_seq - 1
        elif step == "fail":
            assert numbers.due() == numbers.due()
        else:
            if step == "stop":
                meta.update(numbers.given_back())
            numbers = begin(meta, committed)
            assert numbers.first_free > told
            assert numbers.first_free > committed
            next_seq = numbers.first_free


@given(st.lists(st.integers(1, AHEAD_ROWS // 4), max_size=20))
def test_after_each_commit_more_is_set_aside_than_may_wait(uses: list[int]) -> None:
    """Right after a commit as many rows as the queue holds can be told undurably."""
    meta: dict[str, int] = {}
    numbers = begin(meta, 0)
    used = 0
    for count in uses:
        used += count
        numbers.use(used)
        due = numbers.due()
        meta.update(due)
        numbers.committed(due)
        assert numbers.reserved - used >= MAX_ROWS
        assert meta["n"] == numbers.reserved


def test_a_clean_stop_gives_back_what_was_not_used() -> None:
    """The next run goes on with the very next number."""
    meta: dict[str, int] = {}
    numbers = begin(meta, 0)
    numbers.use(7)
    meta.update(numbers.given_back())

    assert begin(meta, 7).first_free == 8


def test_an_epoch_nobody_knows_frees_all_numbers_until_the_first_commit() -> None:
    """On a full disk nothing is set aside; the first commit that goes through sets numbers aside again."""
    numbers = Numbers("n", 100, 90, AHEAD_ROWS)
    numbers.unshared()
    assert numbers.reserved > 2**60
    numbers.use(150)
    due = numbers.due()
    assert due == {"n": 150 + AHEAD_ROWS}
    numbers.committed(due)

    assert numbers.reserved == 150 + AHEAD_ROWS
