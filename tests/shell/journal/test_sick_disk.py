"""A disk that hangs, fails or is full: the loop goes on, nothing is lost silently, and it recovers by itself."""

from __future__ import annotations

import asyncio
import os
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import apsw
import pytest

from nightrake.journal import batch as batch_module
from nightrake.journal import writer as writer_module
from nightrake.journal.chain import lost_entry, verify
from nightrake.journal.opening import LOG_KEPT_BYTES
from nightrake.journal.reader import Reader
from nightrake.journal.store import Store
from shell.journal.makers import UTC_MS, Chain, opened, record, until
from shell.journal.sickdisk import SickDisk, sick_disk


@pytest.fixture
def disk() -> Iterator[SickDisk]:
    """A disk that is well until told otherwise."""
    with sick_disk() as made:
        yield made


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Retries and housekeeping come ten times as often."""
    monkeypatch.setattr(writer_module, "RETRY_S", 0.1)
    monkeypatch.setattr(writer_module, "HOUSE_PERIOD_S", 0.1)


@pytest.mark.asyncio
async def test_disk_that_hangs_does_not_touch_the_loop(tmp_path: Path, disk: SickDisk) -> None:
    """While a sync hangs the loop turns, rows wait, and they are durable once it comes back."""
    async with opened(tmp_path, vfs=disk.name) as (store, heard):
        chain = Chain.of(store)
        disk.go.clear()
        longest_s, end_s, seq = 0.0, time.monotonic() + 1.0, 0
        while time.monotonic() < end_s:
            begin_s = time.perf_counter()
            seq += 1
            store.append(chain.rows(1), {"k": b"%d" % seq}, [record(seq)])
            store.set_cursor("mqtt", store.epoch, seq)
            longest_s = max(longest_s, time.perf_counter() - begin_s)
            await asyncio.sleep(0.001)
        assert disk.waiting.is_set()
        assert heard.durable == []
        assert longest_s < 5.0  # whoever waited for this disk would wait for ever
        disk.go.set()

        assert await store.wait_durable(seq, 5.0)
        assert [r.seq for r in await store.rows_after(0, 5000)] == list(range(1, seq + 1))


@pytest.mark.asyncio
async def test_closing_with_a_hung_disk_ends_and_says_what_is_left(
    tmp_path: Path, disk: SickDisk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The stop waits for a bounded time; the lock stays with the thread that still holds the file."""
    monkeypatch.setattr("nightrake.journal.store.CLOSE_S", 0.2)
    async with opened(tmp_path, vfs=disk.name) as (store, _):
        disk.go.clear()
        store.append(Chain.of(store).rows(2), {}, [])
        await until(disk.waiting.is_set)
        begin_s = time.monotonic()
        assert await store.close() == 2
        assert time.monotonic() - begin_s < 10.0
        disk.go.set()
    await until(lambda: store._writer.close(0.0))
    store._lock.close()


@pytest.mark.parametrize("error", [apsw.IOError, apsw.FullError, apsw.ReadOnlyError])
@pytest.mark.usefixtures("quick")
@pytest.mark.asyncio
async def test_failing_disk_is_told_once_and_recovers(tmp_path: Path, disk: SickDisk, error: type[apsw.Error]) -> None:
    """Down is told once, whatever the number of failures; up once; every row is there in the end, in order."""
    async with opened(tmp_path, vfs=disk.name) as (store, heard):
        chain = Chain.of(store)
        store.append(chain.rows(1), {}, [record(1)])
        assert await store.wait_durable(1, 5.0)
        disk.error = error
        store.append(chain.rows(3), {"k": b"v"}, [record(2)])
        await until(lambda: store.stats().errors >= 3 and len(heard.health) > 0)
        store.append(chain.rows(1), {}, [record(3)])
        assert [up for up, _ in heard.health] == [False]
        assert heard.health[0][1] == store.stats().detail != ""
        assert not store.health
        assert heard.durable == [1]
        disk.error = None

        assert await store.wait_durable(5, 5.0)
        await until(lambda: len(heard.health) == 2)
        assert heard.health[1] == (True, "")
        rows = await store.rows_after(0, 100)
        assert [r.seq for r in rows] == [1, 2, 3, 4, 5]
        assert verify(rows) == []
        assert [r.seq for r in await store.tail_after(0, 100)] == [1, 2, 3]


@pytest.mark.usefixtures("quick")
@pytest.mark.asyncio
async def test_failing_disk_is_left_in_peace_between_tries(tmp_path: Path, disk: SickDisk) -> None:
    """Rows that keep coming do not hammer a disk that is away."""
    async with opened(tmp_path, vfs=disk.name) as (store, _):
        chain = Chain.of(store)
        disk.error = apsw.IOError
        begin_s = time.monotonic()
        async with asyncio.timeout(10.0):
            while time.monotonic() < begin_s + 0.5 or store.stats().errors < 2:
                store.append(chain.rows(1), {}, [])
                await asyncio.sleep(0.002)
        errors, took_s = store.stats().errors, time.monotonic() - begin_s
        assert errors <= 2 * took_s / writer_module.RETRY_S
        disk.error = None


@pytest.mark.usefixtures("quick")
@pytest.mark.asyncio
async def test_rows_beyond_the_bound_are_given_up_last_and_reported(
    tmp_path: Path, disk: SickDisk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Oldest tail records go first, counted; a lost row is told, and the chain shows it unless a row tells of it."""
    monkeypatch.setattr(batch_module, "MAX_TAIL", 50)
    monkeypatch.setattr(batch_module, "MAX_ROWS", 20)
    async with opened(tmp_path, vfs=disk.name) as (store, heard):
        chain = Chain.of(store)
        disk.error = apsw.IOError
        for seq in range(1, 101):
            store.append((), {}, [record(seq)])
        await until(lambda: store.stats().lost_tail == 50)
        assert heard.lost == []
        store.append(chain.rows(25), {}, [])
        await until(lambda: heard.lost == [(1, 5)])
        assert not await store.wait_durable(3, 5.0)
        disk.error = None
        assert await store.wait_durable(25, 5.0)

        rows = await store.rows_after(0, 100)
        assert [r.seq for r in rows] == list(range(6, 26))
        assert len(verify(rows)) == 1
        entry = lost_entry(*heard.lost[0])
        rows.append(chain.row(kind=entry.kind, event=entry.event, **entry.data))
        assert verify(rows) == []
        assert store.stats().lost_rows == 5
        assert [r.seq for r in await store.tail_after(0, 100)] == list(range(51, 101))


@pytest.mark.usefixtures("quick")
@pytest.mark.asyncio
async def test_number_reservations_outlive_a_failed_commit(tmp_path: Path, disk: SickDisk) -> None:
    """What was set aside is on disk, or not claimed: a failed renewal is written by the next commit."""
    async with opened(tmp_path, vfs=disk.name) as (store, _):
        chain = Chain.of(store)
        before = store.reserved_seq
        disk.error = apsw.IOError
        store.append(chain.rows(6_000), {}, [])
        await until(lambda: store.stats().errors >= 2)
        assert store.reserved_seq == before
        disk.error = None
        assert await store.wait_durable(6_000, 5.0)

        assert store.reserved_seq > before + 5_000


@pytest.mark.usefixtures("quick")
@pytest.mark.asyncio
async def test_a_full_quota_gives_up_the_oldest_tail_and_keeps_every_row(tmp_path: Path) -> None:
    """The file never passes its quota; rows keep coming to disk, the newest tail records too."""
    async with opened(tmp_path, quota_mb=8) as (store, heard):
        chain, seq, kept = Chain.of(store), 0, 0
        while seq < 20_000:
            batch = [record(seq + i + 1, size=1000) for i in range(500)]
            seq += 500
            kept += 1
            store.append(chain.rows(1), {}, batch)
            assert await store.wait_durable(kept, 5.0)
        await until(lambda: store.stats().queued_tail == 0)

        assert (tmp_path / "store.db").stat().st_size <= 8 * 1024 * 1024
        assert [r.seq for r in await store.rows_after(0, 1000)] == list(range(1, kept + 1))
        first, last = await store._reader.ask(lambda r: r.tail_span())
        assert last == seq
        assert first > 10_000
        assert heard.lost == []


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 64 MiB of its own; mounting one takes root, so others get a folder and a quota instead."""
    place = tmp_path / "disk"
    place.mkdir()
    if os.geteuid() != 0:
        yield place
        return
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=64m", "nightrake-test", str(place)], check=True, timeout=10)
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True, timeout=10)


def folded(path: Path) -> bool:
    """Fold the log back into the file; whether all of it is."""
    db = apsw.Connection(str(path))
    try:
        db.execute("select count(*) from meta").fetchall()  # before its first reading it knows of no log
        in_log, done = db.wal_checkpoint(mode=apsw.SQLITE_CHECKPOINT_PASSIVE)
    except apsw.BusyError:  # the writer is folding it
        return False
    finally:
        db.close()
    return in_log == done


def fill(place: Path) -> None:
    """Leave nothing of the disk to anybody else."""
    with (place / "filler").open("wb", buffering=0) as file:
        try:
            while True:
                file.write(bytes(65536))
        except OSError:
            return


@pytest.mark.usefixtures("quick")
@pytest.mark.asyncio
async def test_full_disk_keeps_events_and_recovers_by_itself(small_disk: Path) -> None:
    """Another program fills the disk: events still come to disk, then wait; all is there when space returns."""
    state = small_disk / "state"
    mounted = os.geteuid() == 0
    async with opened(state, ballast_mb=8, quota_mb=16 if mounted else 8) as (store, heard):
        chain = Chain.of(store)
        await until((state / "ballast").exists)
        seq = 0
        for _ in range(10):
            store.append((), {}, [record(seq + i + 1, size=1000) for i in range(1000)])
            seq += 1000
        await until(lambda: store.stats().queued_tail == 0)
        if mounted:
            # With the log not folded back the file would have to grow, and only space from outside could help.
            await until(lambda: folded(state / "store.db"))
            fill(small_disk)
        told = 0
        for told in range(1, 41):
            store.append(chain.rows(1), {}, [record(seq + i + 1, size=1000) for i in range(1000)])
            seq += 1000
            assert await store.wait_durable(told, 5.0), store.stats()
        if mounted:
            assert not (state / "ballast").exists()
            fill(small_disk)
            await until(lambda: store.stats().queued == 0)
            (small_disk / "filler").unlink()
        store.append(chain.rows(1), {}, [record(seq + 1)])
        assert await store.wait_durable(told + 1, 5.0)
        await until(lambda: store.health and store.stats().queued_tail == 0)
        await until((state / "ballast").exists)

        rows = await store.rows_after(0, 1000)
        assert [r.seq for r in rows] == list(range(1, told + 2))
        assert verify(rows) == []
        assert (await store._reader.ask(lambda r: r.tail_span()))[1] == seq + 1
        assert heard.lost == []


@pytest.mark.usefixtures("quick")
@pytest.mark.asyncio
async def test_watch_starts_on_a_full_disk_under_an_epoch_of_its_own(tmp_path: Path, disk: SickDisk) -> None:
    """Numbers that cannot be set aside may be told under a new epoch only; it is kept once there is room."""
    async with opened(tmp_path) as (store, _):
        old = store.epoch
    disk.error = apsw.FullError
    async with opened(tmp_path, vfs=disk.name) as (store, _):
        assert store.opened.unwritable
        assert store.epoch != old
        news = store.epoch
        store.append(Chain.of(store).rows(1), {}, [])
        assert not await store.wait_durable(1, 0.3)
        disk.error = None
        assert await store.wait_durable(1, 5.0)

    async with opened(tmp_path) as (store, _):
        assert store.epoch == news
        assert store.first_free_seq == 2


@pytest.mark.usefixtures("quick")
@pytest.mark.asyncio
async def test_ballast_makes_room_for_a_start(tmp_path: Path, disk: SickDisk) -> None:
    """A full disk at start gives up the ballast before anything else."""
    async with opened(tmp_path, ballast_mb=1) as (store, _):
        await until((tmp_path / "ballast").exists)
    disk.error = apsw.FullError
    store = Store.open(tmp_path, now_utc_ms=UTC_MS, vfs=disk.name)
    disk.error = None
    await store.close()

    assert not (tmp_path / "ballast").exists()


@pytest.mark.usefixtures("quick")
@pytest.mark.asyncio
async def test_watch_starts_on_a_disk_without_a_byte(small_disk: Path) -> None:
    """Not even the index of the log has room then, which SQLite calls an input/output error."""
    state, mounted = small_disk / "state", os.geteuid() == 0
    async with opened(state, ballast_mb=8):
        await until((state / "ballast").exists)
    if mounted:
        fill(small_disk)
    store = Store.open(state, now_utc_ms=UTC_MS)
    await store.close()
    assert (state / "ballast").exists() is not mounted


@pytest.mark.usefixtures("quick")
@pytest.mark.asyncio
async def test_watch_starts_without_a_byte_and_without_ballast(small_disk: Path, disk: SickDisk) -> None:
    """Latches are known, rows wait, and as soon as there is room they are on disk and others can read beside it."""
    state, mounted = small_disk / "state", os.geteuid() == 0
    async with opened(state) as (store, _):
        store.append(Chain.of(store).rows(1), {"k": b"v"}, [record(1)])
        assert await store.wait_durable(1, 5.0)
    if mounted:
        fill(small_disk)
    else:
        disk.error = apsw.FullError
    vfs = "" if mounted else disk.name
    found = Store.open(state, now_utc_ms=UTC_MS, ballast_mb=0, vfs=vfs)
    assert (found.states(), found.last_seq) == ({"k": b"v"}, 1)
    await found.close()
    async with opened(state, vfs=vfs) as (store, heard):
        assert store.opened.unwritable
        assert store.opened.alone is mounted
        store.append(Chain.of(store).rows(1), {"k": b"w"}, [record(2)])
        await until(lambda: [up for up, _ in heard.health] == [False])
        assert "the disk is full" in heard.health[0][1]
        assert [r.seq for r in await store.rows_after(0, 100)] == [1]
        (small_disk / "filler").unlink(missing_ok=True)
        disk.error = None
        assert await store.wait_durable(2, 5.0)
        await until(lambda: store.health)
        await until(lambda: not store._home.alone)
        other = Reader(state / "store.db")  # as other processes read
        rows = other.rows_after(0, 100)
        other.close()
        assert await store.rows_after(0, 100) == rows
        assert verify(rows) == []
        assert [r.seq for r in rows] == [1, 2]
    found = Store.open(state, now_utc_ms=UTC_MS, ballast_mb=0)
    assert found.states() == {"k": b"w"}
    assert not found.opened.alone
    await found.close()


@pytest.mark.usefixtures("quick")
@pytest.mark.asyncio
async def test_a_reader_that_never_ends_costs_scans_and_no_events(tmp_path: Path) -> None:
    """The log stays near its limit while a reader holds it, rows go on, and it is cut back when the reader ends."""
    limit = 4 * 1024 * 1024
    async with opened(tmp_path, log_limit_bytes=limit) as (store, heard):
        chain = Chain.of(store)
        store.append(chain.rows(1), {}, [])
        assert await store.wait_durable(1, 5.0)
        stalled = apsw.Connection(str(tmp_path / "store.db"), flags=apsw.SQLITE_OPEN_READONLY)
        stalled.execute("begin")
        stalled.execute("select * from journal").fetchall()
        seq = 0
        for told in range(2, 22):
            store.append(chain.rows(1), {}, [record(seq + i + 1, size=1000) for i in range(500)])
            seq += 500
            assert await store.wait_durable(told, 5.0)
        await until(lambda: len(heard.health) == 1)
        assert "reader" in heard.health[0][1]
        assert (tmp_path / "store.db-wal").stat().st_size < limit + 2 * 1024 * 1024
        stalled.close()
        await until(lambda: store.health and store.stats().queued_tail == 0)
        store.append(chain.rows(1), {}, [record(seq + 1)])
        assert await store.wait_durable(22, 5.0)

        assert (tmp_path / "store.db-wal").stat().st_size <= 9 * 1024 * 1024
        assert (await store._reader.ask(lambda r: r.tail_span())) == (1, seq + 1)


@pytest.mark.asyncio
async def test_steady_writing_keeps_the_log_small(tmp_path: Path) -> None:
    """Without anybody in the way the log is folded back all the time."""
    async with opened(tmp_path) as (store, _):
        seq = 0
        for told in range(1, 61):
            store.append([*Chain(store.epoch, told).rows(1)], {}, [record(seq + i + 1, size=1000) for i in range(300)])
            seq += 300
            assert await store.wait_durable(told, 5.0)

        assert (tmp_path / "store.db-wal").stat().st_size <= LOG_KEPT_BYTES
