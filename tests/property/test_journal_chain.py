"""The chain and the store under any content: what was kept is what comes back, and no change goes unnoticed."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightrake.domain.rows import Row, TailRecord, chain_hash
from nightrake.journal.chain import verify
from nightrake.journal.store import Store

INTS = st.integers(-(2**63), 2**63 - 1)
TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=20)
FIELDS = st.tuples(
    TEXT, TEXT, TEXT, TEXT, st.booleans(), st.integers(0, 99), INTS, TEXT, INTS, INTS, st.booleans(), st.binary()
)


def rows_of(fields: list[tuple[object, ...]], seqs: list[int], epoch: str) -> list[Row]:
    """A chain over any content, under rising numbers."""
    rows: list[Row] = []
    previous = bytes(32)
    for seq, values in zip(seqs, fields, strict=True):
        row = Row._make((epoch, seq, *values, previous, b""))
        row = row._replace(hash=chain_hash(previous, row))
        rows.append(row)
        previous = row.hash
    return rows


@given(st.lists(FIELDS, min_size=1, max_size=8), st.data())
def test_any_change_to_any_row_breaks_the_chain(fields: list[tuple[object, ...]], data: st.DataObject) -> None:
    """Drop, change or swap: every manipulation but cutting the end is noticed."""
    rows = rows_of(fields, list(range(1, len(fields) + 1)), "e")
    assert verify(rows) == []
    at = data.draw(st.integers(0, len(rows) - 1))
    changed = list(rows)
    changed[at] = rows[at]._replace(payload=rows[at].payload + b" ")
    assert verify(changed) != []
    if at < len(rows) - 1:
        assert verify(rows[:at] + rows[at + 1 :]) != []
        assert verify([*rows[:at], rows[at + 1], rows[at], *rows[at + 2 :]]) != []


@pytest.mark.asyncio
@settings(max_examples=25)
@given(
    st.lists(FIELDS, max_size=6),
    st.sets(st.integers(1, 2**62), min_size=6, max_size=6),
    st.lists(st.tuples(TEXT, TEXT, TEXT, INTS, INTS, st.binary(max_size=300)), max_size=6),
)
async def test_any_row_and_record_survives_the_store(
    fields: list[tuple[object, ...]], seqs: set[int], records: list[tuple[str, str, str, int, int, bytes]]
) -> None:
    """Record -> store -> record, bit for bit, through a restart."""
    with tempfile.TemporaryDirectory() as folder:
        store = Store.open(Path(folder), now_utc_ms=0, ballast_mb=0)
        rows = rows_of(fields, sorted(seqs)[: len(fields)], store.epoch)
        tail = [TailRecord(i + 1, *values) for i, values in enumerate(records)]
        store.append(rows, {"k": b"\x00v"}, tail)
        await store.close()
        store = Store.open(Path(folder), now_utc_ms=0, ballast_mb=0)
        try:
            assert store.states() == {"k": b"\x00v"}
            assert await store.rows_after(0, 100) == rows
            assert await store.tail_after(0, 100) == tail
        finally:
            await store.close()
