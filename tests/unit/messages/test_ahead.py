"""Numbers told ahead of the cursor, as text in the store and back."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightrake.messages.ahead import MOST, ahead_of, ahead_text

NUMBERS = st.frozensets(st.integers(1, 2**53) | st.integers(1, 900), max_size=200)


@given(NUMBERS)
def test_text_and_back_keeps_all(numbers: frozenset[int]) -> None:
    """All of them, as long as they are not too many; never one that was not given."""
    assert ahead_of(ahead_text(numbers)) == numbers


def test_of_too_many_the_lowest_are_kept() -> None:
    """They are what the cursor comes to first."""
    numbers = range(7, 7 + 3 * MOST, 2)
    assert ahead_of(ahead_text(numbers)) == frozenset(numbers[:MOST])


def test_runs_are_short() -> None:
    """What was told in one go takes a few characters."""
    assert ahead_text([*range(100, 200), 7, 300, 301]) == "7,100-199,300-301"
    assert ahead_text([]) == ""


WRONG = "x|1,|,1|1-|-1|5-2|1-999999|1-2-3|1 2|1,x|\u0661|1-4000,5000-9000|1.5".split("|")


@pytest.mark.parametrize("text", [*WRONG, "9" * 99, "1," * 10_000])
def test_text_of_another_says_nothing(text: str) -> None:
    """Then all is told again, which loses nothing; no text takes memory or time."""
    assert ahead_of(text) == frozenset()
