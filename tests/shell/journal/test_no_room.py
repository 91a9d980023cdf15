"""A disk without a byte and no store on it yet, or one that has to be upgraded: the watch begins in memory all the
same, and goes on in the file by itself as soon as there is room."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import apsw
import pytest

from nightrake.errors import StoreError
from nightrake.journal import room as room_module
from nightrake.journal import writer as writer_module
from nightrake.journal.chain import verify
from nightrake.journal.lock import lock_holder, take_lock
from nightrake.journal.reader import Reader
from nightrake.journal.schema import MIGRATIONS, migrate, schema_number
from nightrake.journal.store import Store
from shell.journal.makers import UTC_MS, Chain, Heard, opened, record, until
from shell.journal.sickdisk import SickDisk, sick_disk


@dataclass
class Disk:
    """A disk that can be filled.

    Attributes:
        state: The store's folder. vfs: SQLite's VFS of it.
    """

    state: Path
    vfs: str
    sick: SickDisk
    mounted: bool

    def fill(self) -> None:
        """Leave not a byte."""
        if not self.mounted:
            self.sick.error = apsw.FullError
            return
        with (self.state.parent / "filler").open("wb", buffering=0) as file:
            try:
                while file.write(bytes(4096)):
                    pass
            except OSError:
                return

    def free(self) -> None:
        """Give all of it back."""
        self.sick.error = None
        (self.state.parent / "filler").unlink(missing_ok=True)


@contextmanager
def small(place: Path, options: str) -> Iterator[bool]:
    """A file system of its own; mounting one takes root, so others get a folder. Whether it is mounted."""
    place.mkdir()
    mounted = os.geteuid() == 0
    if mounted:
        mount = ["mount", "-t", "tmpfs", "-o", options, "nightrake-test", str(place)]
        subprocess.run(mount, check=True, timeout=10)
    try:
        (place / "state").mkdir()
        yield mounted
    finally:
        if mounted:
            subprocess.run(["umount", "-l", str(place)], check=True, timeout=10)


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Disk]:
    """A disk of 1.5 MiB; where none can be mounted, a VFS whose writes fail instead."""
    with sick_disk() as sick, small(tmp_path / "disk", "size=1536k") as mounted:
        yield Disk(tmp_path / "disk" / "state", "" if mounted else sick.name, sick, mounted)


@pytest.fixture
def full_of_files(tmp_path: Path) -> Iterator[tuple[Path, bool]]:
    """A folder on a disk that takes not one file more, and whether it is."""
    with small(tmp_path / "disk", "size=1m,nr_inodes=3") as mounted:
        (tmp_path / "disk" / "last").touch()
        yield tmp_path / "disk" / "state", mounted


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Retries and housekeeping come ten times as often, and so small a disk does not count as nearly full."""
    monkeypatch.setattr(room_module, "LITTLE_BYTES", 0)
    monkeypatch.setattr(writer_module, "RETRY_S", 0.1)
    monkeypatch.setattr(writer_module, "HOUSE_PERIOD_S", 0.1)


def make_old(state: Path, rows: int) -> str:
    """A store as the first version left it, with a journal, a state, a cursor and a record; gives its epoch."""
    path = state / "store.db"
    db = apsw.Connection(str(path))
    db.execute("pragma journal_mode = wal")
    migrate(db, str(path), UTC_MS, MIGRATIONS[:1])
    epoch = "0123456789ab"
    chain = Chain(epoch)
    marks = ",".join("?" * 16)
    db.executemany(f"insert into journal values({marks})", chain.rows(rows))
    db.execute("insert into judgement values('latch:PC1/forward', 1, x'01')")
    db.execute("insert into cursor values('mqtt', ?, ?, '')", (epoch, rows))
    db.executemany("insert into tail values(?,?,?,?,?,?,?)", [record(n) for n in range(1, 10)])
    meta = {"epoch": epoch, "seq_reserved": rows, "input_reserved": 9, "boot_id": "boot", "clean": 1}
    db.executemany("insert into meta values(?, ?)", meta.items())
    db.close()
    return epoch


async def is_told_full(heard: Heard) -> None:
    """Wait until the full disk is said, once."""
    await until(lambda: len(heard.health) == 1)
    up, words = heard.health[0]
    assert not up
    assert "the disk is full: what happens is told, and kept in memory only; make room" in words


@pytest.mark.asyncio
async def test_new_store_begins_in_memory_and_goes_on_in_its_file(disk: Disk) -> None:
    """Nothing is durable while there is no file; with room everything is, under the ids that it was told by."""
    disk.fill()
    async with opened(disk.state, vfs=disk.vfs) as (store, heard):
        assert (store.opened.unbegun, store.opened.new, store.last_seq) == (True, True, 0)
        assert store.opened.unwritable
        epoch, chain = store.epoch, Chain.of(store)
        assert store.reserved_seq > 1_000_000, "every number may be told: nobody else has this epoch"
        store.append(chain.rows(2), {"k": b"v"}, [record(store.first_free_input_seq)])
        store.set_cursor("mqtt", epoch, 1)
        await is_told_full(heard)
        assert not await store.wait_durable(2, 0.3)
        assert await store.rows_after(0, 10) == []
        assert heard.durable == []
        assert not (disk.state / "store.db").exists() or not disk.mounted
        disk.free()
        assert await store.wait_durable(2, 10.0)
        await until(lambda: store.health)
        assert heard.anew == 1, "who knows plans, settings and states hands them over again"
        store.append(chain.rows(1), {}, [])
        assert await store.wait_durable(3, 5.0)
        other = Reader(disk.state / "store.db")  # as other processes read
        rows = other.rows_after(0, 100)
        other.close()
        assert rows == await store.rows_after(0, 100)
    assert [(r.seq, r.epoch) for r in rows] == [(1, epoch), (2, epoch), (3, epoch)]
    assert verify(rows) == []
    found = Store.open(disk.state, now_utc_ms=UTC_MS, boot_id="boot", ballast_mb=0)
    assert (found.epoch, found.opened.copied, found.opened.was_clean) == (epoch, False, True)
    assert (found.states(), found.last_seq, found.get_cursor("mqtt")) == ({"k": b"v"}, 3, (epoch, 1, ""))
    await found.close()


@pytest.mark.asyncio
async def test_watch_that_ends_before_there_is_room_leaves_no_number_to_be_used_again(disk: Disk) -> None:
    """What it told stands under an epoch that no other run has, and the file is not half begun."""
    disk.fill()
    epochs = set()
    for _ in range(2):
        async with opened(disk.state, vfs=disk.vfs) as (store, _):
            store.append(Chain.of(store).rows(2), {}, [])
            epochs.add(store.epoch)
    disk.free()
    async with opened(disk.state) as (store, _):
        epochs.add(store.epoch)
        assert (store.opened.new, store.opened.unwritable, store.first_free_seq) == (True, "", 1)
        store.append(Chain.of(store).rows(1), {}, [])
        assert await store.wait_durable(1, 5.0)

    assert len(epochs) == 3


@pytest.mark.asyncio
async def test_store_of_an_earlier_version_is_read_and_upgraded_when_there_is_room(disk: Disk) -> None:
    """Latches and cursors are known, numbers go on, and no row is lost or changed by the upgrade that came late."""
    old_epoch = make_old(disk.state, 5)
    disk.fill()
    async with opened(disk.state, vfs=disk.vfs) as (store, heard):
        assert (store.opened.unbegun, store.opened.new, store.last_seq) == (True, False, 5)
        assert store.first_free_input_seq == 10
        assert store.get_cursor("mqtt") == (old_epoch, 5, "")
        assert store.epoch != old_epoch
        assert [r.seq for r in await store.rows_after(0, 10)] == [1, 2, 3, 4, 5]
        store.append(Chain.of(store).rows(1), {"other": b"w"}, [record(10)])
        await is_told_full(heard)
        disk.free()
        assert await store.wait_durable(6, 10.0)
        rows = await store.rows_after(0, 10)
        assert [r.seq for r in await store.tail_after(0, 100)] == list(range(1, 11))
    assert [r.seq for r in rows] == [1, 2, 3, 4, 5, 6]
    assert verify(rows) == []
    db = apsw.Connection(str(disk.state / "store.db"), flags=apsw.SQLITE_OPEN_READONLY)
    assert schema_number(db) == len(MIGRATIONS)
    db.close()
    found = Store.open(disk.state, now_utc_ms=UTC_MS, ballast_mb=0)
    assert found.states() == {"latch:PC1/forward": b"\x01", "other": b"w"}
    await found.close()


@pytest.mark.asyncio
async def test_latches_of_a_damaged_store_outlive_a_full_disk(disk: Disk) -> None:
    """It is moved aside, which takes no room; what could be read of it is known at once, and in the new file later."""
    async with opened(disk.state) as (store, _):
        store.append(Chain.of(store).rows(1), {"latch:PC1/forward": b"latched"}, [record(1, size=4000)])
        assert await store.wait_durable(1, 5.0)
    db = apsw.Connection(str(disk.state / "store.db"), flags=apsw.SQLITE_OPEN_READONLY)
    page = db.execute("select rootpage from sqlite_schema where name = 'tail'").get
    db.close()
    with (disk.state / "store.db").open("r+b") as file:
        file.seek(4096 * (page - 1))
        file.write(bytes((7 * i + 13) % 256 for i in range(4096)))
    disk.fill()
    found = Store.open(disk.state, now_utc_ms=UTC_MS, ballast_mb=0, vfs=disk.vfs)
    assert (found.opened.unbegun, found.opened.salvaged) == (True, 1)
    assert found.states() == {"latch:PC1/forward": b"latched"}
    heard = Heard()
    found.start(heard.on_durable, heard.on_health, heard.on_lost, heard.on_anew)
    await is_told_full(heard)
    disk.free()
    await until(lambda: found.health)
    await found.close()
    again = Store.open(disk.state, now_utc_ms=UTC_MS, ballast_mb=0)

    assert again.states() == {"latch:PC1/forward": b"latched"}
    await again.close()


@pytest.mark.asyncio
async def test_disk_that_takes_no_more_files_keeps_two_watches_apart(full_of_files: tuple[Path, bool]) -> None:
    """The folder alone is locked then; a watch begins in memory there too."""
    state, mounted = full_of_files
    async with opened(state) as (store, _):
        assert store.opened.unbegun is mounted
        assert lock_holder(state)
        with pytest.raises(StoreError, match="another watch"):
            take_lock(state)
    assert not lock_holder(state)
