"""Handing over, durability, cursors, what a restart finds."""

from __future__ import annotations

from pathlib import Path

import pytest

from nightrake.domain.rows import GENESIS
from nightrake.errors import StoreError
from nightrake.journal.chain import verify
from nightrake.journal.store import Store
from shell.journal.makers import MONO_NS, UTC_MS, Chain, Heard, opened, record, until


@pytest.mark.asyncio
async def test_rows_states_and_tail_come_back_as_they_were_handed_over(tmp_path: Path) -> None:
    """Row, judgement state and tail record are the same after a restart, and the numbers go on without a gap."""
    async with opened(tmp_path) as (store, heard):
        assert (store.last_seq, store.last_hash, store.first_free_seq) == (0, GENESIS, 1)
        chain = Chain.of(store)
        first, second = chain.row(event="shutdown_operated"), chain.row(torque_nm=1.5)
        store.append([first, second], {"drive:PC1": b"state"}, [record(1), record(2)])
        assert await store.wait_durable(2, 5.0)
        assert heard.durable == [2]
        assert await store.rows_after(0, 10) == [first, second]
        assert await store.rows_after(1, 10) == [second]
        assert await store.tail_after(1, 10) == [record(2)]

    again = Store.open(tmp_path, now_utc_ms=UTC_MS, boot_id="boot")
    try:
        assert again.states() == {"drive:PC1": b"state"}
        assert (again.last_seq, again.last_hash) == (2, second.hash)
        assert (again.first_free_seq, again.first_free_input_seq) == (3, 3)
        assert again.epoch == first.epoch
        assert (again.opened.new, again.opened.was_clean, again.opened.copied) == (False, True, False)
    finally:
        await again.close()


@pytest.mark.asyncio
async def test_rows_wake_the_writer_at_once_and_one_commit_tells_once(tmp_path: Path) -> None:
    """A row is durable long before the next tail period, and many rows of one commit make one call."""
    async with opened(tmp_path) as (store, heard):
        chain = Chain.of(store)
        store.append(chain.rows(500), {}, [])
        assert await store.wait_durable(500, 5.0)

        assert heard.durable == [500]
        assert store.stats().commits == 1


@pytest.mark.asyncio
async def test_tail_alone_is_committed_in_groups(tmp_path: Path) -> None:
    """Tail records wait for the next tail period and share its commit."""
    async with opened(tmp_path) as (store, _):
        for seq in range(1, 101):
            store.append((), {}, (record(seq),))
        await until(lambda: store.stats().tail_rows == 100)

        assert store.stats().commits <= 2
        assert [r.seq for r in await store.tail_after(0, 1000)] == list(range(1, 101))


@pytest.mark.asyncio
async def test_waiting_for_a_row_that_never_comes_ends(tmp_path: Path) -> None:
    """Waiting is bounded, and leaves nothing behind when it is given up."""
    async with opened(tmp_path) as (store, _):
        assert not await store.wait_durable(1, 0.05)
        store.append(Chain.of(store).rows(1), {}, [])
        assert await store.wait_durable(1, 5.0)


@pytest.mark.asyncio
async def test_the_latest_cursor_is_kept(tmp_path: Path) -> None:
    """Of many cursors the last one is there, now and after a restart; an unknown destination has none."""
    async with opened(tmp_path) as (store, _):
        for seq in range(1, 200):
            store.set_cursor("mqtt", store.epoch, seq, f"x{seq}")
        assert store.get_cursor("mqtt") == (store.epoch, 199, "x199")
        assert store.get_cursor("forward") is None

    async with opened(tmp_path) as (store, _):
        assert store.get_cursor("mqtt") == (store.epoch, 199, "x199")


@pytest.mark.asyncio
async def test_layouts_settings_segments_and_snapshots_are_kept(tmp_path: Path) -> None:
    """What a replay needs comes back: read plan, settings, newest snapshot."""
    async with opened(tmp_path) as (store, _):
        store.put_layout("L1", "plan")
        store.put_layout("L1", "another text under the same id is ignored")
        store.put_settings("D1", UTC_MS, "settings")
        store.put_segment("boot", MONO_NS, UTC_MS, True)
        store.put_snapshot(1, UTC_MS, b"one")
        store.put_snapshot(9, UTC_MS, b"nine")
        store.put_dead_letter(UTC_MS, "line", "refused")
        store.append(Chain.of(store).rows(1), {}, [])
        assert await store.wait_durable(1, 5.0)
        assert await store.layout("L1") == "plan"
        assert await store.settings("D1") == "settings"
        assert await store.layout("L2") is None

    again = Store.open(tmp_path, now_utc_ms=UTC_MS)
    try:
        assert again.latest_snapshot() == (9, UTC_MS, b"nine")
    finally:
        await again.close()


@pytest.mark.asyncio
async def test_snapshots_that_no_tail_follows_go(tmp_path: Path) -> None:
    """The newest snapshot before the oldest tail record is the last one needed."""
    async with opened(tmp_path) as (store, _):
        store.append((), {}, [record(50), record(60)])
        for seq in (10, 20, 55):
            store.put_snapshot(seq, UTC_MS, b"s")
        await until(lambda: store.stats().tail_rows == 2)
        store.put_snapshot(70, UTC_MS, b"s")
        store.append(Chain.of(store).rows(1), {}, [])
        assert await store.wait_durable(1, 5.0)

        assert await store._reader.ask(lambda r: [s[0] for s in r.snapshots()]) == [20, 55, 70]


@pytest.mark.asyncio
async def test_clock_set_back_an_hour_overwrites_nothing_and_keeps_the_order(tmp_path: Path) -> None:
    """Order is by number: rows and records stamped an hour earlier stand behind those before them."""
    hour_ms = 3_600_000
    async with opened(tmp_path) as (store, _):
        chain = Chain.of(store)
        rows = [chain.row(utc_ms=UTC_MS + i) for i in range(5)]
        rows += [chain.row(utc_ms=UTC_MS - hour_ms + i) for i in range(5)]
        tail = [record(1 + i, utc_ms=UTC_MS + i) for i in range(5)]
        tail += [record(6 + i, utc_ms=UTC_MS - hour_ms + i) for i in range(5)]
        store.append(rows, {}, tail)
        assert await store.wait_durable(10, 5.0)

        assert await store.rows_after(0, 100) == rows
        assert await store.tail_after(0, 100) == tail
        assert verify(await store.rows_after(0, 100)) == []


@pytest.mark.asyncio
async def test_closing_commits_what_waits(tmp_path: Path) -> None:
    """Nothing handed over just before the stop is lost, and the log is folded into the file."""
    async with opened(tmp_path) as (store, _):
        rows = Chain.of(store).rows(3)
        store.append(rows, {}, [record(1)])
        assert await store.close() == 0

    assert not (tmp_path / "store.db-wal").exists()
    async with opened(tmp_path) as (store, _):
        assert await store.rows_after(0, 10) == rows
        assert len(await store.tail_after(0, 10)) == 1


@pytest.mark.asyncio
async def test_closing_twice_or_without_a_start_is_fine(tmp_path: Path) -> None:
    """A start that failed further on still marks the stop as clean and frees the lock."""
    store = Store.open(tmp_path, now_utc_ms=UTC_MS)
    assert await store.close() == 0
    assert await store.close() == 0

    async with opened(tmp_path) as (store, _):
        assert store.opened.was_clean
        assert store.first_free_seq == 1


@pytest.mark.asyncio
async def test_the_connection_is_the_writers_after_the_start(tmp_path: Path) -> None:
    """Reading past the writer would be two threads on one connection: refused with a sentence."""
    async with opened(tmp_path) as (store, _):
        with pytest.raises(StoreError, match="writer owns the connection"):
            store.states()


@pytest.mark.asyncio
async def test_reading_after_the_close_is_refused(tmp_path: Path) -> None:
    """A late reader gets an error of ours, not a hang."""
    async with opened(tmp_path) as (store, _):
        await store.close()
        with pytest.raises(StoreError, match="closed"):
            await store.rows_after(0, 1)


@pytest.mark.asyncio
async def test_last_sign_of_life_is_the_newest_record(tmp_path: Path) -> None:
    """The gap of missed time is measured from the newest tail record or row."""
    async with opened(tmp_path) as (store, _):
        store.append([Chain.of(store).row(utc_ms=UTC_MS + 5)], {}, [record(1, utc_ms=UTC_MS + 7)])

    again = Store.open(tmp_path, now_utc_ms=UTC_MS)
    try:
        assert again.last_utc_ms() == UTC_MS + 7
    finally:
        await again.close()


@pytest.mark.asyncio
async def test_old_tail_goes_by_the_monotonic_clock_of_this_run(tmp_path: Path) -> None:
    """Records past retention go, in slices; a clock set forward by ten years deletes nothing of this run."""
    hour_ns = 3_600_000_000_000
    async with opened(tmp_path, keep_hours=1.0) as (store, _):
        store.append((), {}, [record(seq) for seq in range(1, 5001)])
        store.append((), {}, [record(5001, utc_ms=UTC_MS + 10 * 365 * 86_400_000)])
        await until(lambda: store.stats().db_bytes > 0 and store.stats().tail_rows == 5001)
        commits = store.stats().commits
        store.append((), {}, [record(5002, mono_ns=MONO_NS + hour_ns // 2)])
        await until(lambda: store.stats().commits > commits)
        assert store.stats().trimmed == 0
        store.append((), {}, [record(5003, mono_ns=MONO_NS + hour_ns + hour_ns // 4)])
        await until(lambda: store.stats().trimmed == 5001)

        assert [r.seq for r in await store.tail_after(0, 10)] == [5002, 5003]


@pytest.mark.asyncio
async def test_tail_of_earlier_runs_goes_by_the_time_for_which_the_machine_ran(tmp_path: Path) -> None:
    """A start under a clock that is ten years ahead deletes nothing that is not old, also after starts of the machine.

    Three starts of the machine; the first run is followed by a second one under the same.
    """
    hour_ns, ahead_ms = 3_600_000_000_000, UTC_MS + 10 * 365 * 86_400_000
    async with opened(tmp_path, boot_id="one") as (store, _):
        store.append((), {}, [record(1, mono_ns=hour_ns), record(2, mono_ns=2 * hour_ns)])
    async with opened(tmp_path, boot_id="one", keep_hours=1.4) as (store, _):
        first = store.first_free_input_seq
        store.append((), {}, [record(first, mono_ns=int(2.5 * hour_ns), utc_ms=ahead_ms)])
        await until(lambda: store.stats().trimmed == 1)  # the first: an hour and a half old
        assert [r.seq for r in await store.tail_after(0, 10)] == [2, first]
    async with opened(tmp_path, boot_id="two", keep_hours=1.4) as (store, _):
        second = store.first_free_input_seq
        store.append((), {}, [record(second, mono_ns=hour_ns // 2, utc_ms=ahead_ms)])
        await until(lambda: store.stats().tail_rows == 1 and store.stats().db_bytes > 0)
        assert (store.stats().trimmed, [b.boot_id for b in store.opened.boots]) == (0, ["one", "two"])
    async with opened(tmp_path, boot_id="three", keep_hours=1.4) as (store, _):
        third = store.first_free_input_seq
        store.append((), {}, [record(third, mono_ns=hour_ns // 2, utc_ms=5)])
        await until(lambda: store.stats().trimmed == 1)  # the second: half an hour of its own, and two halves since

        assert [r.seq for r in await store.tail_after(0, 10)] == [first, second, third]


@pytest.mark.asyncio
async def test_figures_tell_how_keeping_goes(tmp_path: Path) -> None:
    """Commits, what they held and how long they took are counted."""
    async with opened(tmp_path) as (store, _):
        store.append(Chain.of(store).rows(2), {"k": b"v"}, [record(1)])
        assert await store.wait_durable(2, 5.0)
        await until(lambda: store.stats().log_bytes > 0)

        stats = store.stats().as_dict()
        assert (stats["up"], stats["durable_seq"], stats["queued"], stats["rows"], stats["tail_rows"]) == (
            True,
            2,
            0,
            2,
            1,
        )
        assert stats["commit_p99_ms"] >= stats["commit_last_ms"] > 0 or stats["commits"] > 1
        assert stats["db_bytes"] > 0


@pytest.mark.asyncio
async def test_a_store_on_its_own_knows_no_callbacks(tmp_path: Path) -> None:
    """Health counts as up at the start and is not told until it changes."""
    async with opened(tmp_path) as (store, heard):
        store.append(Chain.of(store).rows(1), {}, [])
        assert await store.wait_durable(1, 5.0)

        assert store.health
        assert heard.health == []
        assert isinstance(heard, Heard)
