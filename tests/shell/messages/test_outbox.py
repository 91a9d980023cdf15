"""The outbox: its three laws, under any order of offers, reads, acknowledgements and lost connections."""

from __future__ import annotations

import random
from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightrake.domain.rows import Row
from nightrake.messages import outbox as outbox_module
from nightrake.messages.ahead import Until, ahead_of, ahead_text
from nightrake.messages.outbox import Outbox
from shell.messages.ledger import row


def caught_up(cursor: int = 0, capacity: int = 5000) -> Outbox:
    """An outbox that has read an empty store."""
    outbox = Outbox(cursor, capacity)
    outbox.load([], 10)
    return outbox


def taken(outbox: Outbox) -> list[int]:
    """Take and acknowledge everything that is here."""
    seqs = []
    while (letter := outbox.take()) is not None:
        seqs.append(letter.seq)
        outbox.ack(letter.seq)
    return seqs


def test_urgent_drive_goes_first_as_a_whole() -> None:
    """A waiting shutdown pulls its drive's earlier rows along, in order, before older rows of other drives."""
    outbox = caught_up()
    for each in (row(1, "PC1"), row(2, "PC2"), row(3, "SC1"), row(4, "PC2", urgent=True), row(5, "PC2")):
        outbox.offer(each, True)

    assert taken(outbox) == [2, 4, 1, 3, 5]


def test_cursor_stays_below_the_oldest_row_not_acknowledged() -> None:
    """Acknowledgements out of order move the cursor only once the gap is closed."""
    outbox = caught_up()
    for seq in (1, 2, 3):
        outbox.offer(row(seq), True)
    for _ in range(3):
        outbox.take()

    assert not outbox.ack(2)
    assert not outbox.ack(3)
    assert outbox.cursor == 0
    assert outbox.ack(1)
    assert outbox.cursor == 3


@given(st.integers(0, 2**32))
def test_lives_that_are_killed_tell_again_only_what_the_disk_did_not_know(seed: int) -> None:
    """Each life goes on from cursor and numbers ahead as last kept: nothing of these comes again, none is left out."""
    chance = random.Random(seed)
    store = [row(seq, f"D{chance.randrange(4)}", urgent=chance.random() < 0.2) for seq in range(1, 61)]
    kept, told = Until(0), Counter[int]()
    flying = unknown = 0
    for _ in range(12):
        outbox = Outbox(kept.seq, ahead=ahead_of(ahead_text(kept.ahead)))
        outbox.load([r for r in store if r.seq > kept.seq], 1000)
        before = {*range(1, kept.seq + 1), *kept.ahead}
        unknown += flying
        acked = 0
        for _ in range(chance.randrange(12)):
            letter = outbox.take()
            if letter is None:
                break
            assert letter.seq not in before
            told[letter.seq] += 1
            if chance.random() < 0.8:
                outbox.ack(letter.seq)
                acked += 1
                if chance.random() < 0.7:
                    kept, acked = Until(outbox.cursor, frozenset(outbox.ahead)), 0
        flying = outbox.in_flight + acked  # what the next life may tell again
    outbox = Outbox(kept.seq, ahead=kept.ahead)
    outbox.load([r for r in store if r.seq > kept.seq], 1000)
    told.update(taken(outbox))

    assert outbox.cursor == len(store)
    assert set(told) == {r.seq for r in store}
    assert told.total() - len(store) <= unknown + flying


def test_what_never_came_to_the_disk_is_not_kept_ahead_for_ever() -> None:
    """Told by the run before without being durable, and lost with it: once everything is told, nothing is ahead."""
    outbox = Outbox(0, ahead=[2, 4])
    outbox.load([row(1), row(3), row(5)], 10)

    assert taken(outbox) == [1, 3, 5]
    assert (outbox.cursor, set(outbox.ahead)) == (5, set())


def test_lost_connection_puts_rows_back_in_their_old_places() -> None:
    """What was in flight goes again before what came later."""
    outbox = caught_up()
    for seq in (1, 2, 3):
        outbox.offer(row(seq), True)
    outbox.take()
    outbox.take()
    outbox.ack(2)
    outbox.land()

    assert taken(outbox) == [1, 3]
    assert outbox.cursor == 3


def test_memory_is_bounded_and_the_rest_comes_from_the_store() -> None:
    """Beyond the capacity rows are left in the store; all are told in the end, none twice."""
    outbox, store = caught_up(capacity=10), [row(seq) for seq in range(1, 101)]
    for each in store:
        outbox.offer(each, True)

    assert outbox.waiting == 10

    told = taken(outbox)
    while outbox.behind:
        limit = outbox.room
        outbox.load([r for r in store if r.seq > outbox.read_to][:limit], limit)
        told += taken(outbox)

    assert told == list(range(1, 101))
    assert outbox.cursor == 100
    assert outbox.empty


def test_full_outbox_still_takes_urgent_rows_of_drives_with_nothing_left_behind() -> None:
    """A shutdown finds room and goes first, unless rows of its own drive are still in the store."""
    outbox = caught_up(capacity=2)
    for seq in (1, 2, 3):
        outbox.offer(row(seq, "PC1"), True)

    assert outbox.offer(row(4, "PC2", urgent=True), True)
    assert not outbox.offer(row(5, "PC1", urgent=True), True)
    letter = outbox.take()
    assert letter is not None
    assert letter.seq == 4


def test_row_not_on_disk_is_taken_while_the_store_is_behind() -> None:
    """A dead disk silences nobody: a row that no store can give back is kept here, and counts once when it comes."""
    outbox = Outbox(0)
    assert outbox.offer(row(7), False)
    assert taken(outbox) == [7]
    assert outbox.cursor == 0

    outbox.load([row(5), row(6)], 10)

    assert taken(outbox) == [5, 6]
    assert outbox.cursor == 7


def test_reading_goes_on_until_what_was_offered_meanwhile_is_read() -> None:
    """A short answer of the store ends catching up only when nothing newer is known to be on disk."""
    outbox = Outbox(0)
    outbox.offer(row(2), True)
    outbox.load([row(1)], 10)
    assert outbox.behind

    outbox.load([row(2)], 10)

    assert not outbox.behind
    assert taken(outbox) == [1, 2]


@pytest.mark.parametrize("from_memory", [True, False])
def test_rewind_tells_again_and_keeps_what_is_not_on_disk(from_memory: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """Everything after the confirmed row comes again, from memory if it is all there; late answers do no harm."""
    if not from_memory:
        monkeypatch.setattr(outbox_module, "TOLD", 0)
    outbox, store = caught_up(), [row(seq) for seq in (1, 2, 3)]
    for each in store:
        outbox.offer(each, True)
    outbox.offer(row(4), False)
    for seq in (1, 2, 3):
        outbox.take()
        outbox.ack(seq)
    outbox.confirm(1)

    outbox.rewind(1)
    cursor, behind = outbox.cursor, outbox.behind
    assert not outbox.ack(3)
    if behind:
        outbox.load(store[1:], 10)

    assert cursor == 1
    assert behind is not from_memory
    assert sorted(taken(outbox)) == [2, 3, 4]
    assert outbox.cursor == 4
    assert outbox.empty


rows_strategy = st.lists(
    st.tuples(st.sampled_from(["", "A", "B", "C"]), st.booleans(), st.booleans()), min_size=1, max_size=60
)


@given(rows_strategy, st.integers(0, 2**32), st.integers(2, 30))
def test_any_history_tells_every_row_in_order_per_drive(
    rows: list[tuple[str, bool, bool]], seed: int, capacity: int
) -> None:
    """Each row is told, the first tellings of a drive are in order and the cursor is right, whatever happens."""
    chance, outbox = random.Random(seed), Outbox(0, capacity)
    history = [(row(n, drive, urgent=urgent), durable) for n, (drive, urgent, durable) in enumerate(rows, 1)]
    disk: list[Row] = []
    told: list[Row] = []
    flying: list[int] = []
    acked: set[int] = set()
    confirmed = 0
    while history or not outbox.empty:
        act = chance.randrange(5)
        if act == 0 and history:
            each, durable = history.pop(0)
            disk.append(each)  # undurable here: slow to be told of, on disk by the time anybody reads
            outbox.offer(each, durable)
        elif act == 1 and outbox.behind and outbox.room:
            limit = min(outbox.room, chance.randint(1, 5))
            outbox.load([r for r in disk if r.seq > outbox.read_to][:limit], limit)
        elif act == 2 and (letter := outbox.take()) is not None:
            told.append(letter.row)
            flying.append(letter.seq)
        elif act == 3 and flying:
            seq = flying.pop(chance.randrange(len(flying)))
            outbox.ack(seq)
            acked.add(seq)
        elif act == 4 and chance.random() < 0.2:
            flying.clear()
            if chance.random() < 0.5:
                outbox.land()
            else:
                outbox.rewind(confirmed)
                acked = {seq for seq in acked if seq <= confirmed}
        elif act == 4 and chance.random() < 0.2:
            confirmed = outbox.cursor
            outbox.confirm(confirmed)
        assert all(seq in acked for seq in range(1, outbox.cursor + 1))
        assert outbox.waiting <= capacity + 1000

    assert {r.seq for r in told} == set(range(1, len(rows) + 1))
    assert outbox.cursor == len(rows)
    for drive in {r.drive for r in told}:
        firsts = list(dict.fromkeys(r.seq for r in told if r.drive == drive))
        if all(durable for _, _, durable in rows):
            assert firsts == sorted(firsts)
