"""What waits for a commit is bounded, in the right order of sacrifice."""

from __future__ import annotations

import pytest

from nightrake.journal import batch as batch_module
from nightrake.journal.batch import Batch, Inbox
from shell.journal.makers import Chain, record


@pytest.fixture(autouse=True)
def _small(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(batch_module, "MAX_TAIL", 10)
    monkeypatch.setattr(batch_module, "MAX_ROWS", 5)
    monkeypatch.setattr(batch_module, "MAX_EXTRA", 3)


def test_oldest_tail_records_go_first_and_are_counted() -> None:
    """Rows are untouched while the tail overflows."""
    batch = Batch()
    for seq in range(1, 16):
        batch.add((), {}, [record(seq)])
    batch.add(Chain().rows(5), {}, ())

    assert [r.seq for r in batch.tail] == list(range(6, 16))
    assert (batch.lost_tail, batch.lost_rows, len(batch.rows)) == (5, [], 5)


def test_rows_given_up_are_named_also_over_two_batches() -> None:
    """The runs of lost numbers and the highest numbers seen survive joining."""
    chain = Chain()
    older, newer = Batch(), Batch()
    older.add(chain.rows(7), {"k": b"1"}, [record(1)])
    newer.add(chain.rows(4), {"k": b"2"}, [record(2)])
    older.put_behind(newer)

    assert older.lost_rows == [(1, 2), (3, 6)]
    assert [r.seq for r in older.rows] == [7, 8, 9, 10, 11]
    assert older.states == {"k": (2, b"2")}
    assert (older.high_seq, older.high_input) == (11, 2)


def test_nothing_waits_after_clearing() -> None:
    """What was written is forgotten, what was not written stays."""
    batch = Batch()
    batch.add(Chain().rows(1), {"k": b"1"}, [record(1), record(2)])
    batch.clear(1)
    assert not batch.has_events()
    assert [r.seq for r in batch.tail] == [2]
    batch.clear(1)

    assert not batch


def test_inbox_wakes_for_rows_and_not_for_tail() -> None:
    """Scans wait for the next period; whatever somebody may wait for does not."""
    inbox = Inbox()
    inbox.add((), {}, [record(1)])
    assert not inbox.wake.is_set()
    assert inbox.waiting() == (0, 1)
    inbox.add(Chain().rows(1), {}, ())
    assert inbox.wake.is_set()
    inbox.add_cursor("mqtt", "e", 1, "")
    inbox.add_cursor("mqtt", "e", 2, "")
    inbox.add_extra([("x", ())] * 2)
    taken = inbox.take()

    assert taken.cursors == {"mqtt": ("e", 2, "")}
    assert len(taken.extra) == 2
    assert not inbox.take()


def test_what_was_taken_waits_until_it_is_with_the_rest() -> None:
    """Between the two it is on no disk either: nobody may read that nothing waits."""
    inbox, batch = Inbox(), Batch()
    inbox.add(Chain().rows(2), {}, [record(1)])
    taken = inbox.take()
    inbox.add((), {}, [record(2)])
    between = inbox.waiting()
    batch.put_behind(taken)

    assert between == (2, 2)
    assert inbox.waiting() == (0, 1)
    assert (len(batch.rows), len(batch.tail)) == (2, 1)


def test_extras_are_bounded() -> None:
    """Statements that wait behind a dead disk do not gather without end."""
    older, newer = Batch(), Batch()
    newer.extra.extend([(f"{i}", ()) for i in range(9)])
    older.put_behind(newer)

    assert [s for s, _ in older.extra] == ["6", "7", "8"]
