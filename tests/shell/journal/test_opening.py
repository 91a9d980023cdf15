"""Opening: one watch at a time, newer and foreign files, damage, copies, numbers after a crash."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import apsw
import pytest

from nightrake.errors import StoreError
from nightrake.journal import opening
from nightrake.journal.identity import Token
from nightrake.journal.lock import lock_holder, take_lock
from nightrake.journal.opening import check_sqlite
from nightrake.journal.schema import MIGRATIONS, migrate, schema_number
from nightrake.journal.store import Store
from shell.journal.makers import UTC_MS, Chain, opened, record


async def filled(state_dir: Path, rows: int = 50, tail: int = 500) -> str:
    """A store with something in it, closed cleanly; gives its epoch."""
    async with opened(state_dir) as (store, _):
        chain = Chain.of(store)
        store.append(
            chain.rows(rows), {"latch:PC1/forward": b"latched"}, [record(s + 1, size=500) for s in range(tail)]
        )
        store.set_cursor("mqtt", store.epoch, rows)
        return store.epoch


@pytest.mark.asyncio
async def test_second_watch_on_one_store_is_refused_and_the_holder_named(tmp_path: Path) -> None:
    """Two watches on one store are impossible; the first goes on."""
    async with opened(tmp_path) as (store, _):
        assert lock_holder(tmp_path) == str(os.getpid())
        with pytest.raises(StoreError, match=f"another watch \\(process {os.getpid()}\\) holds this store"):
            Store.open(tmp_path, now_utc_ms=UTC_MS)
        store.append(Chain.of(store).rows(1), {}, [])
        assert await store.wait_durable(1, 5.0)

    assert lock_holder(tmp_path) == ""


def test_the_lock_goes_with_a_killed_holder(tmp_path: Path) -> None:
    """The kernel frees it: no stale lock has to be removed by hand."""
    code = (
        "import sys; from pathlib import Path; from nightrake.journal.lock import take_lock;"
        "take_lock(Path(sys.argv[1])); print('held', flush=True); sys.stdin.read()"
    )
    service = str(Path(opening.__file__).parents[2])
    holder = subprocess.Popen(
        [sys.executable, "-c", code, str(tmp_path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env=os.environ | {"PYTHONPATH": service},
        text=True,
    )
    with holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        with pytest.raises(StoreError, match=f"process {holder.pid}"):
            take_lock(tmp_path)
        holder.kill()
        holder.wait(10)

    take_lock(tmp_path).close()


def test_folder_that_cannot_be_made_is_told_in_a_sentence(tmp_path: Path) -> None:
    """A path below a file is no folder."""
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match="cannot be used for the store"):
        Store.open(tmp_path / "file" / "state", now_utc_ms=UTC_MS)


@pytest.mark.asyncio
async def test_newer_file_is_refused_naming_both_schemas_and_left_alone(tmp_path: Path) -> None:
    """An older program does not touch what a newer one has written."""
    await filled(tmp_path)
    db = apsw.Connection(str(tmp_path / "store.db"))
    db.execute("insert into migration values(99, 0)")
    db.close()
    before = (tmp_path / "store.db").read_bytes()
    with pytest.raises(StoreError, match=r"has store schema 99, .* knows schemas up to 2"):
        Store.open(tmp_path, now_utc_ms=UTC_MS)

    assert (tmp_path / "store.db").read_bytes() == before
    assert lock_holder(tmp_path) == ""


def test_a_file_that_is_no_store_is_refused(tmp_path: Path) -> None:
    """Somebody else's database is not migrated."""
    db = apsw.Connection(str(tmp_path / "store.db"))
    db.execute("create table theirs(x)")
    db.close()
    with pytest.raises(StoreError, match="no store of nightrake"):
        Store.open(tmp_path, now_utc_ms=UTC_MS)


def test_a_migration_and_its_record_come_together(tmp_path: Path) -> None:
    """A step that fails leaves nothing; the next try does it whole, and each step runs once."""
    db = apsw.Connection(str(tmp_path / "x.db"))
    broken = (*MIGRATIONS, ("create table later(x)", "create nonsense"))
    with pytest.raises(apsw.SQLError):
        migrate(db, "x.db", UTC_MS, broken)
    assert schema_number(db) == len(MIGRATIONS)
    assert not db.execute("select 1 from sqlite_schema where name = 'later'").fetchall()
    whole = (*MIGRATIONS, ("create table later(x)",))

    assert migrate(db, "x.db", UTC_MS, whole) == len(MIGRATIONS)
    assert migrate(db, "x.db", UTC_MS, whole) == len(whole)
    db.close()


def test_sqlite_with_the_reset_race_is_refused() -> None:
    """The first sound version passes, the one before does not."""
    check_sqlite("3.51.3")
    check_sqlite("3.54.1")
    with pytest.raises(StoreError, match=r"3\.51\.2 can lose commits"):
        check_sqlite("3.51.2")


def spoil(path: Path, offset: int, length: int = 4096) -> None:
    """Overwrite a part of a file with something else."""
    with path.open("r+b") as file:
        file.seek(offset)
        file.write(bytes((7 * i + 13) % 256 for i in range(length)))


@pytest.mark.parametrize("offset", [0, 4096 * 3, 4096 * 20, 4096 * 60])
@pytest.mark.asyncio
async def test_damaged_file_is_moved_aside_and_the_watch_goes_on(tmp_path: Path, offset: int) -> None:
    """First page or any other: a new store with a new epoch begins, and the old file stays for whoever wants it."""
    epoch = await filled(tmp_path)
    spoil(tmp_path / "store.db", offset)
    spoiled = (tmp_path / "store.db").read_bytes()

    async with opened(tmp_path) as (store, _):
        assert store.opened.damaged == f"store.db.damaged-{UTC_MS}"
        assert store.epoch != epoch
        assert (store.last_seq, store.get_cursor("mqtt")) == (0, None)
        store.append(Chain.of(store).rows(1), {}, [])
        assert await store.wait_durable(1, 5.0)
    assert (tmp_path / f"store.db.damaged-{UTC_MS}").read_bytes() == spoiled
    async with opened(tmp_path) as (store, _):
        assert (store.opened.damaged, store.last_seq) == ("", 1)


@pytest.mark.asyncio
async def test_latches_are_taken_over_from_a_damaged_file(tmp_path: Path) -> None:
    """Damage to the tail must not make a latched shutdown forgotten."""
    await filled(tmp_path)
    db = apsw.Connection(str(tmp_path / "store.db"), flags=apsw.SQLITE_OPEN_READONLY)
    page = db.execute("select rootpage from sqlite_schema where name = 'tail'").get
    db.close()
    spoil(tmp_path / "store.db", 4096 * (page - 1))

    store = Store.open(tmp_path, now_utc_ms=UTC_MS)
    try:
        assert store.opened.damaged
        assert store.opened.salvaged == 1
        assert store.states() == {"latch:PC1/forward": b"latched"}
    finally:
        await store.close()


@pytest.mark.asyncio
async def test_empty_file_and_log_without_file_begin_a_new_store(tmp_path: Path) -> None:
    """What a crash of the file system may leave behind is no reason not to start."""
    (tmp_path / "store.db").write_bytes(b"")
    async with opened(tmp_path) as (store, _):
        assert store.opened.new
    (tmp_path / "store.db").unlink()
    (tmp_path / "store.db-wal").write_bytes(b"left behind")

    async with opened(tmp_path) as (store, _):
        assert store.opened.new
        assert not store.opened.damaged


@pytest.mark.asyncio
async def test_a_copied_folder_gets_an_epoch_of_its_own(tmp_path: Path) -> None:
    """Ids given out by the copy cannot be those of the original, whose own life goes on."""
    epoch = await filled(tmp_path / "a")
    shutil.copytree(tmp_path / "a", tmp_path / "b")
    async with opened(tmp_path / "b") as (store, _):
        assert store.opened.copied
        assert store.epoch != epoch
        assert store.last_seq == 50
        assert store.get_cursor("mqtt") == (epoch, 50, "")
    async with opened(tmp_path / "b") as (store, _):
        assert not store.opened.copied

    async with opened(tmp_path / "a") as (store, _):
        assert not store.opened.copied
        assert store.epoch == epoch


@pytest.mark.asyncio
async def test_a_backup_put_back_in_place_gets_a_new_epoch(tmp_path: Path) -> None:
    """The same file (inode) with yesterday's content would give out yesterday's numbers again."""
    epoch = await filled(tmp_path)
    backup = (tmp_path / "store.db").read_bytes()
    for _ in range(2):
        async with opened(tmp_path) as (store, _):
            store.append(Chain.of(store).rows(3), {}, [])
    inode = (tmp_path / "store.db").stat().st_ino
    (tmp_path / "store.db").write_bytes(backup)
    assert (tmp_path / "store.db").stat().st_ino == inode

    async with opened(tmp_path) as (store, _):
        assert store.opened.copied
        assert store.epoch != epoch


@pytest.mark.asyncio
async def test_a_restarted_machine_is_noticed(tmp_path: Path) -> None:
    """Another boot id says that the power was away, or the machine was restarted."""
    async with opened(tmp_path, boot_id="one") as (store, _):
        assert not store.opened.rebooted
    async with opened(tmp_path, boot_id="one") as (store, _):
        assert not store.opened.rebooted
    async with opened(tmp_path, boot_id="two") as (store, _):
        assert store.opened.rebooted


def test_tokens_fit_while_they_are_written_beside_the_store(tmp_path: Path) -> None:
    """Old and new fit until the commit has decided; without a file none fits."""
    token = Token(tmp_path)
    assert not token.fits("a")
    token.write("a", "b")
    assert token.fits("a")
    assert token.fits("b")
    token.write("b")
    assert not token.fits("a")


@pytest.mark.asyncio
async def test_check_at_start_is_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A store too large to be checked in time is opened unchecked rather than late."""
    await filled(tmp_path, tail=5000)
    db = apsw.Connection(str(tmp_path / "store.db"), flags=apsw.SQLITE_OPEN_READONLY)
    assert opening.check(db, 10.0)
    assert not opening.check(db, -1.0)
    db.close()
    monkeypatch.setattr(opening, "CHECK_S", -1.0)

    async with opened(tmp_path) as (store, _):
        assert store.last_seq == 50
