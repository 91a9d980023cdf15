"""Reading beside a running watch: bounded slices, bounded time, errors of our own."""

from __future__ import annotations

import asyncio
from pathlib import Path

import apsw
import pytest

from nightrake.errors import StoreError
from nightrake.journal import reader as reader_module
from nightrake.journal import readthread
from nightrake.journal.reader import Reader, read_all
from shell.journal.makers import MONO_NS, UTC_MS, Chain, opened, record, until


@pytest.mark.asyncio
async def test_a_reader_sees_what_is_durable_while_the_watch_writes(tmp_path: Path) -> None:
    """Slices follow one another without gap or repeat, each within its limit."""
    async with opened(tmp_path) as (store, _):
        chain = Chain.of(store)
        rows = chain.rows(6000)
        store.append(rows, {}, [record(seq) for seq in range(1, 1201)])
        assert await store.wait_durable(6000, 5.0)
        reader = Reader(tmp_path / "store.db")
        try:
            assert list(read_all(reader.rows_after, lambda r: r.seq)) == rows
            assert len(reader.rows_after(0, 10**9)) == reader_module.SLICE
            assert [r.seq for r in reader.rows_after(10, 3)] == [11, 12, 13]
            assert [r.seq for r in reader.rows_after(10, 30, until=12)] == [11, 12]
            assert reader.rows_after(0, -1) == []
            assert reader.newest_rows(2) == rows[-2:]
            assert reader.newest_rows(2, drive="PC1") == rows[-2:]
            assert reader.newest_rows(2, drive="PC2") == []
            assert reader.count_tail() == 1200
            assert reader.tail_span() == (1, 1200)
        finally:
            reader.close()


@pytest.mark.asyncio
async def test_what_a_replay_needs_is_found(tmp_path: Path) -> None:
    """Clock segments in order, the snapshot before an input, refused lines newest first."""
    async with opened(tmp_path) as (store, _):
        store.put_segment("boot", MONO_NS, UTC_MS, False)
        store.put_segment("boot", MONO_NS + 1, UTC_MS - 3_600_000, True)
        store.put_snapshot(10, UTC_MS, b"ten")
        store.put_snapshot(20, UTC_MS, b"twenty")
        store.put_dead_letter(UTC_MS, "first", "why")
        store.put_dead_letter(UTC_MS, "second", "why")
    reader = Reader(tmp_path / "store.db")
    try:
        assert reader.segments() == [("boot", MONO_NS, UTC_MS, False), ("boot", MONO_NS + 1, UTC_MS - 3_600_000, True)]
        assert reader.snapshot_before(19) == (10, UTC_MS, b"ten")
        assert reader.snapshot_before(9) is None
        assert reader.dead_letters(5) == [(UTC_MS, "second", "why"), (UTC_MS, "first", "why")]
        assert reader.tail_span() == (0, 0)
    finally:
        reader.close()


def test_no_store_and_another_schema_are_told_in_a_sentence(tmp_path: Path) -> None:
    """A reader makes no file, and reads no schema that it does not know."""
    with pytest.raises(StoreError, match="no readable store"):
        Reader(tmp_path / "store.db")
    assert not (tmp_path / "store.db").exists()
    db = apsw.Connection(str(tmp_path / "other.db"))
    db.execute("create table theirs(x)")
    db.close()
    with pytest.raises(StoreError, match="has store schema 0"):
        Reader(tmp_path / "other.db")
    (tmp_path / "bad.db").write_bytes(b"no database at all " * 500)
    with pytest.raises(StoreError, match="cannot be read"):
        Reader(tmp_path / "bad.db")


@pytest.mark.asyncio
async def test_an_answer_that_takes_too_long_is_cut_off(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No reading transaction stays open long enough to hold the log."""
    async with opened(tmp_path) as (store, _):
        store.append((), {}, [record(seq) for seq in range(1, 20_001)])
        await until(lambda: store.stats().tail_rows == 20_000)
        reader = Reader(tmp_path / "store.db")
        monkeypatch.setattr(reader_module, "QUERY_S", -1.0)
        with pytest.raises(StoreError, match="ask for less"):
            reader._ask("select sum(length(a.payload)) from tail a, tail b")
        monkeypatch.setattr(reader_module, "QUERY_S", 2.0)
        assert reader.count_tail() == 20_000
        reader.close()


@pytest.mark.asyncio
async def test_a_failed_answer_does_not_end_the_reading(tmp_path: Path) -> None:
    """The next question opens the store anew."""
    async with opened(tmp_path) as (store, _):
        store.append(Chain.of(store).rows(1), {}, [])
        assert await store.wait_durable(1, 5.0)
        with pytest.raises(StoreError, match="cannot be read"):
            await store._reader.ask(lambda r: r._ask("select nonsense"))

        assert len(await store.rows_after(0, 10)) == 1


@pytest.mark.asyncio
async def test_questions_that_nobody_waits_for_any_more_harm_nobody(tmp_path: Path) -> None:
    """A cancelled question is answered into the void, and too many at once are refused."""
    async with opened(tmp_path) as (store, _):
        asking = [asyncio.ensure_future(store.rows_after(0, 1)) for _ in range(readthread.WAITING // 2)]
        await asyncio.sleep(0)
        for task in asking:
            task.cancel()
        assert await asyncio.gather(*asking, return_exceptions=True)
        assert await store.rows_after(0, 1) == []


@pytest.mark.asyncio
async def test_question_that_fails_is_its_askers_own(tmp_path: Path) -> None:
    """A number that no row can have fails for whoever asked; the next question is answered as ever."""
    async with opened(tmp_path) as (store, _):
        store.append(Chain.of(store).rows(3), {}, [])
        assert await store.wait_durable(3, 5.0)

        with pytest.raises(OverflowError):
            await store.rows_after(10**30, 10)

        assert [r.seq for r in await store.rows_after(1, 10)] == [2, 3]
