"""Another file in the store's place: told, left alone, read by nobody; what the watch knows is kept beside it."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from nightrake.errors import StoreError
from nightrake.journal import home as home_module
from nightrake.journal import writer as writer_module
from nightrake.journal.chain import verify
from nightrake.journal.store import Store
from shell.journal.makers import UTC_MS, Chain, Heard, opened, record, until


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Retries and housekeeping come ten times as often."""
    for name in ("RETRY_S", "HOUSE_PERIOD_S", "HOME_RETRY_S"):
        monkeypatch.setattr(writer_module, name, 0.05)


async def other_store(folder: Path, rows: int) -> Path:
    """A store of another life, with rows of its own."""
    async with opened(folder) as (store, _):
        store.append(Chain.of(store).rows(rows), {"latch:X/forward": b"theirs"}, [record(1)])
        assert await store.wait_durable(rows, 5.0)
    return folder / "store.db"


async def states(folder: Path) -> dict[str, bytes]:
    """Judgement states that a start would find."""
    store = Store.open(folder, now_utc_ms=UTC_MS, boot_id="boot", ballast_mb=0)
    found = store.states()
    await store.close()
    return found


async def exchanged(heard: Heard) -> str:
    """Wait until it is told, and give the words."""
    await until(lambda: [up for up, _ in heard.health] == [False])
    return heard.health[0][1]


@pytest.mark.asyncio
async def test_other_store_in_its_place_is_left_alone_and_ours_is_kept_beside_it(tmp_path: Path) -> None:
    """Moved over it, our log still beside it: neither gets anything of the other, at the stop or at the next start."""
    state = tmp_path / "state"
    other = await other_store(tmp_path / "other", 90)
    theirs = other.read_bytes()
    async with opened(state) as (store, heard):
        chain, epoch = Chain.of(store), store.epoch
        store.append(chain.rows(40), {"latch:D/forward": b"latched"}, [record(s) for s in range(1, 50)])
        assert await store.wait_durable(40, 5.0)
        os.replace(other, state / "store.db")
        words = await exchanged(heard)
        (beside,) = state.glob("store.db.displaced-*")
        assert beside.name in words
        store.append(chain.rows(2), {"latch:D/forward": b"latched again"}, [record(50)])
        assert not await store.wait_durable(41, 0.3)
    assert (state / "store.db").read_bytes() == theirs
    assert not list(state.glob("store.db-*"))

    async with opened(state) as (store, _):
        assert (store.last_seq, store.opened.copied, store.opened.damaged) == (90, True, "")
        assert store.epoch != epoch
    assert await states(state) == {"latch:X/forward": b"theirs"}
    ours = tmp_path / "ours"
    ours.mkdir()
    shutil.copy(beside, ours / "store.db")
    async with opened(ours) as (store, _):
        rows = await store.rows_after(0, 100)
        assert ([r.seq for r in rows], verify(rows)) == (list(range(1, 43)), [])
        assert {r.epoch for r in rows} == {epoch}
    assert await states(ours) == {"latch:D/forward": b"latched again"}


@pytest.mark.asyncio
async def test_nobody_is_told_another_stores_rows(tmp_path: Path) -> None:
    """Whoever reads goes on with what is open; whoever begins to read then is told why there is nothing."""
    state = tmp_path / "state"
    other = await other_store(tmp_path / "other", 90)
    async with opened(state) as (store, heard):
        store.append(Chain.of(store).rows(3), {}, [record(1)])
        assert await store.wait_durable(3, 5.0)
        assert len(await store.rows_after(0, 100)) == 3
        os.replace(other, state / "store.db")
        await exchanged(heard)
        assert [r.epoch for r in await store.rows_after(0, 100)] == [store.epoch] * 3

    other = await other_store(tmp_path / "another", 90)
    async with opened(tmp_path / "fresh") as (store, heard):
        store.append(Chain.of(store).rows(3), {}, [record(1)])
        assert await store.wait_durable(3, 5.0)
        os.replace(other, tmp_path / "fresh" / "store.db")
        await exchanged(heard)
        with pytest.raises(StoreError, match="another file has taken the place"):
            await store.rows_after(0, 100)


@pytest.mark.asyncio
async def test_exchange_just_before_the_stop_is_noticed_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The last look comes at the stop: what waits goes beside, and nothing into the other file."""
    monkeypatch.setattr(writer_module, "HOUSE_PERIOD_S", 3600.0)
    state = tmp_path / "state"
    other = await other_store(tmp_path / "other", 90)
    theirs = other.read_bytes()
    async with opened(state) as (store, _):
        chain = Chain.of(store)
        store.append(chain.rows(5), {}, [])
        assert await store.wait_durable(5, 5.0)
        os.replace(other, state / "store.db")
        store.append(chain.rows(1), {}, [])

    assert (state / "store.db").read_bytes() == theirs
    (beside,) = state.glob("store.db.displaced-*")
    os.replace(beside, state / "store.db")
    async with opened(state) as (store, _):
        assert [r.seq for r in await store.rows_after(0, 100)] == [1, 2, 3, 4, 5, 6]


@pytest.mark.asyncio
async def test_copy_beside_goes_once_the_place_is_free_again(tmp_path: Path) -> None:
    """The other file is taken away: the store is put back whole, and there are no two of it."""
    async with opened(tmp_path) as (store, heard):
        chain = Chain.of(store)
        store.append(chain.rows(4), {}, [record(1)])
        assert await store.wait_durable(4, 5.0)
        (tmp_path / "x").write_text("somebody's")
        os.replace(tmp_path / "x", tmp_path / "store.db")
        await exchanged(heard)
        store.append(chain.rows(1), {}, [])
        (tmp_path / "store.db").unlink()
        assert await store.wait_durable(5, 5.0)
        assert len(await store.rows_after(0, 100)) == 5

    assert not list(tmp_path.glob("*displaced*"))  # noqa: ASYNC240


@pytest.mark.asyncio
async def test_disk_without_room_for_a_copy_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Then nothing is filled up, and nothing is deleted."""
    monkeypatch.setattr(home_module, "ROOM", 10**9)
    async with opened(tmp_path) as (store, heard):
        store.append(Chain.of(store).rows(4), {}, [record(1)])
        assert await store.wait_durable(4, 5.0)
        (tmp_path / "x").write_text("somebody's")
        os.replace(tmp_path / "x", tmp_path / "store.db")
        words = await exchanged(heard)

    assert "kept nowhere, for that the disk needs" in words
    assert not list(tmp_path.glob("*displaced*"))  # noqa: ASYNC240


KILLED = """
import asyncio, os, sys
from pathlib import Path
from shell.journal.makers import Chain, opened, record

async def main():
    async with opened(Path(sys.argv[1])) as (store, _):
        chain = Chain.of(store)
        for _ in range(30):
            store.append(chain.rows(10), {"latch:D/forward": b"latched"}, [record(chain.seq)])
            await store.wait_durable(chain.seq - 1, 5.0)
        os._exit(0)

asyncio.run(main())
"""


@pytest.mark.asyncio
@pytest.mark.blocks("it waits for a process that ends itself")
async def test_log_of_a_killed_watch_is_not_played_into_another_file(tmp_path: Path) -> None:
    """Killed with a full log, then another store is moved over the file: it stays as it was, the log is kept."""
    state = tmp_path / "state"
    other = await other_store(tmp_path / "other", 90)
    subprocess.run(  # noqa: ASYNC221
        [sys.executable, "-c", KILLED, str(state)], check=True, cwd=Path(__file__).parents[2], timeout=15
    )
    assert (state / "store.db-wal").stat().st_size > 10_000
    shutil.copytree(state, tmp_path / "whole", ignore=shutil.ignore_patterns("lock"))
    os.replace(other, state / "store.db")

    async with opened(state) as (store, _):
        rows = await store.rows_after(0, 1000)
        assert (len(rows), store.opened.damaged, store.opened.copied) == (90, "", True)
        assert verify(rows) == []
    assert await states(state) == {"latch:X/forward": b"theirs"}
    assert len(list(state.glob("store.db.displaced-*-wal"))) == 1
    async with opened(tmp_path / "whole") as (store, _):  # moved together they are still one store
        assert len(await store.rows_after(0, 1000)) == 300


@pytest.mark.asyncio
async def test_file_cut_and_grown_again_is_found_at_the_next_checkpoint(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As a cut in the middle of our own checkpoint leaves it: its size is right, and it has a hole."""
    monkeypatch.setattr(writer_module, "CHECKPOINT_PAGES", 1)
    async with opened(tmp_path) as (store, heard):
        chain = Chain.of(store)
        for _ in range(10):
            store.append(chain.rows(100), {"latch:D/forward": b"latched"}, [])
            assert await store.wait_durable(chain.seq - 1, 5.0)
        await until(lambda: store._writer._log_pages == 0)
        monkeypatch.setattr(writer_module, "CHECKPOINT_PAGES", 10**9)
        size = (tmp_path / "store.db").stat().st_size
        os.truncate(tmp_path / "store.db", 8192)
        os.truncate(tmp_path / "store.db", size)
        monkeypatch.setattr(writer_module, "CHECKPOINT_PAGES", 1)
        store.append(chain.rows(1), {"latch:D/forward": b"latched still"}, [])

        await until(lambda: [up for up, _ in heard.health][-2:] == [False, True])

        assert "damaged while the watch ran" in heard.health[0][1]
        assert (heard.anew, bool(heard.lost)) == (1, True)


@pytest.mark.parametrize("left", [0, 8192])
@pytest.mark.asyncio
async def test_cut_in_the_middle_of_our_own_work_is_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, left: int
) -> None:
    """After we looked, and before we remember the size: it is not taken for our own shortening."""
    monkeypatch.setattr(writer_module, "CHECKPOINT_PAGES", 1)
    cut: list[bool] = []

    def remember(home: home_module.Home) -> bool:
        if cut == [True]:
            os.truncate(tmp_path / "store.db", left)
            cut.append(False)
        return real(home)

    real = home_module.Home.remember
    monkeypatch.setattr(home_module.Home, "remember", remember)
    async with opened(tmp_path) as (store, heard):
        chain = Chain.of(store)
        for _ in range(10):
            store.append(chain.rows(100), {"latch:D/forward": b"latched"}, [])
            assert await store.wait_durable(chain.seq - 1, 5.0)
        await until(lambda: store._writer._log_pages == 0)
        cut.append(True)

        await until(lambda: [up for up, _ in heard.health][-2:] == [False, True])

        assert "damaged while the watch ran" in heard.health[0][1]
        assert heard.anew == 1
