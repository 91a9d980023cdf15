"""Which start of the machine an input came under."""

from __future__ import annotations

from nightrake.journal.boots import MOST, Boot, boots_with, number_of, to_text


def test_each_start_of_the_machine_is_remembered_once_while_inputs_of_it_are_kept() -> None:
    """A restart of the service adds nothing; a start of the machine does; what nothing is kept of any more goes."""
    first = boots_with("", "", "one", 1, 0)
    again = boots_with(to_text(first), "one", "one", 500, 1)
    second = boots_with(to_text(again), "one", "two", 900, 1)
    third = boots_with(to_text(second), "two", "three", 2000, 900)

    assert first == again == (Boot(1, "one"),)
    assert second == (Boot(1, "one"), Boot(900, "two"))
    assert third == (Boot(900, "two"), Boot(2000, "three"))
    assert [number_of(second, seq) for seq in (0, 1, 899, 900, 5000)] == [0, 0, 0, 1, 1]


def test_store_that_kept_none_knows_its_last_one() -> None:
    """A store of an earlier version: all its inputs count as of the last run's start of the machine."""
    assert boots_with("", "one", "one", 500, 3) == (Boot(0, "one"),)
    assert boots_with("", "one", "two", 500, 3) == (Boot(0, "one"), Boot(500, "two"))


def test_starts_are_bounded() -> None:
    """A machine that starts again and again: the text in the store stays short."""
    boots: tuple[Boot, ...] = ()
    for number in range(3 * MOST):
        last = boots[-1].boot_id if boots else ""
        boots = boots_with(to_text(boots), last, f"boot {number}", 1 + number, 1)

    assert len(boots) == MOST
    assert boots[-1] == Boot(3 * MOST, f"boot {3 * MOST - 1}")
