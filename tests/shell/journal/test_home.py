"""The store's file is deleted, or another put in its place, while the watch runs; the lock is tidied away."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from nightrake.errors import StoreError
from nightrake.journal import writer as writer_module
from nightrake.journal.chain import verify
from nightrake.journal.store import Store
from shell.journal.makers import UTC_MS, Chain, opened, record, until


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Retries and housekeeping come ten times as often."""
    for name in ("RETRY_S", "HOUSE_PERIOD_S", "HOME_RETRY_S"):
        monkeypatch.setattr(writer_module, name, 0.05)


def delete(state_dir: Path) -> None:
    """What a hasty tidying takes away."""
    for file in state_dir.glob("store.db*"):
        file.unlink()


@pytest.mark.parametrize("whole_folder", [False, True])
@pytest.mark.usefixtures("quick")
@pytest.mark.asyncio
async def test_deleted_store_is_written_anew_with_everything_in_it(tmp_path: Path, whole_folder: bool) -> None:
    """History, states and numbers are all there again, for readers and for the next start; it is told."""
    state = tmp_path / "state"
    async with opened(state) as (store, heard):
        chain, epoch = Chain.of(store), store.epoch
        store.append(chain.rows(50), {"latch:D/forward": b"latched"}, [record(s) for s in range(1, 200)])
        assert await store.wait_durable(50, 5.0)
        assert len(await store.rows_after(0, 100)) == 50
        if whole_folder:
            shutil.rmtree(state)
        else:
            delete(state)
        await until(lambda: [up for up, _ in heard.health] == [False, True])
        store.append(chain.rows(1), {"k": b"v"}, [record(200)])
        assert await store.wait_durable(51, 5.0)
        rows = await store.rows_after(0, 100)
        assert ([r.seq for r in rows], verify(rows)) == (list(range(1, 52)), [])
        assert "deleted while the watch ran; it was written anew" in heard.health[0][1]
        with pytest.raises(StoreError, match="another watch"):
            Store.open(state, now_utc_ms=UTC_MS)

    async with opened(state) as (store, _):
        assert (store.opened.new, store.opened.copied, store.opened.was_clean) == (False, False, True)
        assert (store.epoch, store.first_free_seq) == (epoch, 52)
        assert [r.seq for r in await store.rows_after(0, 100)] == list(range(1, 52))
        assert (await store._reader.ask(lambda r: r.tail_span())) == (1, 200)


@pytest.mark.usefixtures("quick")
@pytest.mark.asyncio
async def test_states_come_back_after_the_store_was_deleted_and_the_watch_killed(tmp_path: Path) -> None:
    """A latch kept before the deletion is found by the start after the kill."""
    state = tmp_path / "state"
    async with opened(state) as (store, heard):
        store.append(Chain.of(store).rows(1), {"latch:D/forward": b"latched"}, [record(1)])
        assert await store.wait_durable(1, 5.0)
        delete(state)
        await until(lambda: len(heard.health) == 2)
        shutil.copytree(state, tmp_path / "as-killed", ignore=shutil.ignore_patterns("lock"))

    again = Store.open(tmp_path / "as-killed", now_utc_ms=UTC_MS)
    kept = again.states()
    await again.close()

    assert kept == {"latch:D/forward": b"latched"}


@pytest.mark.usefixtures("quick")
@pytest.mark.asyncio
async def test_another_file_in_its_place_is_told_and_left_alone(tmp_path: Path) -> None:
    """Nobody can say which of the two is to be kept: rows wait, nothing is said to be durable, until it is gone."""
    async with opened(tmp_path) as (store, heard):
        chain = Chain.of(store)
        store.append(chain.rows(1), {}, [record(1)])
        assert await store.wait_durable(1, 5.0)
        delete(tmp_path)
        (tmp_path / "store.db").write_text("somebody's")
        await until(lambda: [up for up, _ in heard.health] == [False])
        store.append(chain.rows(1), {}, [record(2)])
        assert not await store.wait_durable(2, 0.3)
        assert "another file has taken the place" in heard.health[0][1]
        assert (tmp_path / "store.db").read_text() == "somebody's"

        (tmp_path / "store.db").unlink()

        assert await store.wait_durable(2, 5.0)
        assert [r.seq for r in await store.rows_after(0, 100)] == [1, 2]


@pytest.mark.asyncio
async def test_lock_file_tidied_away_lets_no_second_watch_in(tmp_path: Path) -> None:
    """The folder itself is locked."""
    async with opened(tmp_path) as (store, _):
        os.unlink(tmp_path / "lock")
        with pytest.raises(StoreError, match="another watch"):
            Store.open(tmp_path, now_utc_ms=UTC_MS)
        store.append(Chain.of(store).rows(1), {}, [])
        assert await store.wait_durable(1, 5.0)
