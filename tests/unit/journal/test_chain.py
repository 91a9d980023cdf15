"""The hash chain: what breaks it, and what does not."""

from __future__ import annotations

from nightrake.journal.chain import lost_entry, verify
from shell.journal.makers import Chain


def test_a_whole_chain_holds_also_across_burnt_numbers() -> None:
    """Numbers that a crash burnt are missing, but each row still names the one before it."""
    chain = Chain()
    rows = chain.rows(3)
    chain.seq += 16_000
    rows += chain.rows(3)

    assert verify(rows) == []
    assert verify(rows[3:], rows[2].hash) == []


def test_an_empty_journal_holds() -> None:
    """Nothing has happened yet."""
    assert verify([]) == []


def test_a_changed_row_is_named() -> None:
    """Each column is part of the hash."""
    rows = Chain().rows(3)
    for change in (
        {"payload": b"{}"},
        {"utc_ms": 1},
        {"event": "x"},
        {"drive": "PC2"},
        {"urgent": True},
        {"epoch": "e2"},
        {"clock_trusted": False},
        {"mono_ns": 1},
        {"hash": bytes(32)},
    ):
        broken = verify([rows[0], rows[1]._replace(**change), rows[2]])
        assert broken
        assert broken[0].startswith("journal row 2 ")


def test_a_row_taken_out_moved_or_cut_off_at_the_front_is_noticed() -> None:
    """Order and completeness are part of the chain; a cut end shows only against the head told elsewhere."""
    rows = Chain().rows(4)

    assert verify([rows[0], *rows[2:]]) != []
    assert verify([rows[0], rows[2], rows[1], rows[3]]) != []
    assert verify(rows[1:]) != []
    assert verify(rows[:2]) == []


def test_rows_given_up_are_told_by_a_later_row() -> None:
    """A gap is forgiven when rows tell of every number in it, and only then."""
    chain = Chain()
    rows = chain.rows(10)
    first, second = lost_entry(3, 4), lost_entry(5, 6)
    tells = [chain.row(kind=e.kind, event=e.event, **e.data) for e in (first, second)]
    cut = rows[:2] + rows[6:]

    assert verify(cut) != []
    assert verify([*cut, tells[0]]) != []
    assert verify([*cut, *tells]) == []


def test_a_telling_row_does_not_excuse_a_changed_one() -> None:
    """A row swapped for another under the same number leaves no gap that could be told."""
    chain = Chain()
    rows = chain.rows(3)
    other = Chain(seq=2, last_hash=bytes(31) + b"x").row()
    tell = chain.row(kind="service", event="rows_lost", first_seq=1, last_seq=9)
    assert verify([rows[0], other, rows[2], tell]) != []

    nonsense = chain.row(kind="service", event="rows_lost", first_seq="?")
    assert verify([rows[0], rows[2], nonsense]) != []
