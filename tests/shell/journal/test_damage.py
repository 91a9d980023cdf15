"""Damaged values that SQLite's own check cannot see: each is passed over, counted and said; the next start comes up."""

from __future__ import annotations

import json
from pathlib import Path

import apsw
import pytest

from nightrake.domain.rows import GENESIS
from nightrake.journal.chain import verify
from nightrake.journal.damage import ROW_DAMAGED
from nightrake.journal.numbers import AHEAD_INPUTS, AHEAD_ROWS
from shell.journal.makers import MONO_NS, Chain, opened, record, until


async def filled(state_dir: Path) -> str:
    """Nine rows, twenty records, a state, a cursor; gives the epoch."""
    async with opened(state_dir) as (store, _):
        store.append(Chain.of(store).rows(9), {"latch:PC1/forward": b"latched"}, [record(s + 1) for s in range(20)])
        store.set_cursor("mqtt", store.epoch, 5, "extra")
        assert await store.wait_durable(9, 5.0)
        return store.epoch


def damage(state_dir: Path, *statements: str) -> None:
    """Change the store's file as no program of ours would."""
    db = apsw.Connection(str(state_dir / "store.db"))
    for statement in statements:
        db.execute(statement)
        assert db.changes() > 0
    db.close()


ROW_4 = {
    "payload": "update journal set payload = x'7b' where seq = 4",
    "payload that is text": "update journal set payload = 'abc' where seq = 4",
    "drive with a line break": "update journal set drive = 'D' || x'0a' where seq = 4",
    "text that is none": "update journal set kind = cast(x'64ff' as text) where seq = 4",
    "time that is text": "update journal set utc_ms = 'zz' where seq = 4",
    "urgent that is text": "update journal set urgent = 'zz' where seq = 4",
    "its own hash": "update journal set hash = x'00' where seq = 4",
}


@pytest.mark.parametrize("what", ROW_4)
@pytest.mark.asyncio
async def test_damaged_row_is_told_as_damaged_under_its_number(tmp_path: Path, what: str) -> None:
    """The others are as they were; what it says is no guess but marked; it is counted once however often it is read."""
    await filled(tmp_path)
    damage(tmp_path, ROW_4[what])
    async with opened(tmp_path) as (store, _):
        rows = await store.rows_after(0, 100)
        again = await store.rows_after(3, 1)
        raw = await store._reader.ask(lambda reader: reader.rows_after(0, 100))
        news = store.damage.news()
        count = store.stats().damaged

    assert [r.seq for r in rows] == list(range(1, 10))
    assert [r.seq for r in rows if (r.kind, r.event) == ("service", ROW_DAMAGED)] == [4]
    assert set(json.loads(rows[3].payload)["says"]) == {"kind", "event", "drive", "direction"}
    assert again == [rows[3]]
    assert [(e.event, e.data["where"]) for e in news] == [("damage_found", "4")]
    assert count == 1
    assert any("row 4 does not fit its own hash" in text for text in verify(raw))


@pytest.mark.parametrize("value", ["'12z'", "-5", "9007199254740992", "x'ff'"])
@pytest.mark.asyncio
async def test_damaged_number_begins_behind_all_that_can_have_been_used(tmp_path: Path, value: str) -> None:
    """No number recurs; from the second start on the store is whole again."""
    epoch = await filled(tmp_path)
    damage(tmp_path, f"update meta set value = {value} where key in ('seq_reserved', 'input_reserved')")
    async with opened(tmp_path) as (store, _):
        assert (store.epoch, store.last_seq) == (epoch, 9)
        assert store.first_free_seq == 9 + AHEAD_ROWS + 1
        assert store.first_free_input_seq == 20 + AHEAD_INPUTS + 1
        assert [e.data["where"] for e in store.damage.news()] == ["seq_reserved"]
        assert store.damage.count == 2
        store.append(Chain.of(store).rows(1), {}, [])
        assert await store.wait_durable(store.first_free_seq, 5.0)

    async with opened(tmp_path) as (store, _):
        assert (store.damage.count, store.first_free_seq) == (0, 9 + AHEAD_ROWS + 2)
        assert verify(await store.rows_after(0, 100)) == []


@pytest.mark.asyncio
async def test_everything_damaged_at_once_still_starts(tmp_path: Path) -> None:
    """Ids, starts of the machine, cursors, keys, stamps: a new life of the store begins, and the states that can be
    read are there."""
    epoch = await filled(tmp_path)
    damage(
        tmp_path,
        "update meta set value = cast(x'ff' as text) where key in ('epoch', 'token', 'home', 'boot_id', 'clean')",
        "update meta set value = '5 a,x b' where key = 'boots'",
        "update cursor set seq = 'q'",
        "insert into judgement values(cast(x'ff' as text), 1, x'00')",
        "update journal set hash = 'zz', utc_ms = 'zz' where seq = 9",
        "update tail set utc_ms = 'zz', kind = cast(x'ff' as text), mono_ns = 'zz' where seq = 20",
        "insert into clock_segment values(77, cast(x'ff' as text), 'zz', 5, 1)",
    )
    async with opened(tmp_path) as (store, _):
        assert (store.opened.copied, store.epoch != epoch, store.opened.was_clean) == (True, True, False)
        assert store.last_hash == GENESIS
        assert store.get_cursor("mqtt") is None
        assert [b.boot_id for b in store.opened.boots][-1] == "boot"
        store.append(Chain.of(store).rows(1), {}, [])
        assert await store.wait_durable(store.first_free_seq, 5.0)
        assert [r.seq for r in await store.tail_after(0, 100)] == list(range(1, 21))
        assert await store.segments() == []
        assert store.damage.count == 3  # the id, the newest hash, the cursor
        row, _ = await store.rows_after(8, 2)
        assert (row.event, row.utc_ms, store.damage.count) == (ROW_DAMAGED, 0, 4)


@pytest.mark.asyncio
async def test_states_and_time_are_read_whatever_else_is_damaged(tmp_path: Path) -> None:
    """What a start asks for before the writer begins."""
    from nightrake.journal.store import Store

    await filled(tmp_path)
    damage(
        tmp_path,
        "insert into judgement values(cast(x'ff' as text), 1, 'text')",
        "update tail set utc_ms = 'zz' where seq = 20",
    )
    store = Store.open(tmp_path, now_utc_ms=0, boot_id="boot", ballast_mb=0)
    try:
        assert store.states()["latch:PC1/forward"] == b"latched"
        assert store.last_utc_ms() > 0
        row = store.last_row_of("PC1", "forward", ("alarm_operated", "shutdown_reset"))
        assert row is not None
        assert row.seq == 9
    finally:
        await store.close()


@pytest.mark.asyncio
async def test_damaged_time_of_the_oldest_record_stops_no_trimming(tmp_path: Path) -> None:
    """The writer lives on, and the record goes with those of its age."""
    await filled(tmp_path)
    damage(tmp_path, "update tail set mono_ns = 'zz' where seq <= 2")
    async with opened(tmp_path, keep_hours=1.0) as (store, heard):
        new = store.first_free_input_seq
        store.append((), {}, [record(new, mono_ns=2 * MONO_NS + 3_600 * 10**9)])
        await until(lambda: store.stats().trimmed == 20)
        assert (await store._reader.ask(lambda reader: reader.tail_span())) == (new, new)
        assert heard.health == []
