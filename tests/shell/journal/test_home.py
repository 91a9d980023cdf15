"""The store's file is deleted, or another put in its place, while the watch runs; the lock is tidied away."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
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


def cut_to(name: str, left: int) -> Callable[[Path], None]:
    """What cuts one of the store's files in place."""

    def act(state_dir: Path) -> None:
        os.truncate(state_dir / name, left)

    return act


@pytest.mark.parametrize("names", [("-wal",), ("-shm",), ("-wal", "-shm")])
@pytest.mark.usefixtures("quick")
@pytest.mark.asyncio
async def test_log_deleted_beside_the_store_loses_nothing(tmp_path: Path, names: tuple[str, ...]) -> None:
    """What is committed stands in it: it is told, written anew, and outlives a kill."""
    state = tmp_path / "state"
    async with opened(state) as (store, heard):
        chain = Chain.of(store)
        store.append(chain.rows(20), {"latch:D/forward": b"latched"}, [record(s) for s in range(1, 50)])
        assert await store.wait_durable(20, 5.0)
        for name in names:
            (state / f"store.db{name}").unlink()
        await until(lambda: [up for up, _ in heard.health] == [False, True])
        store.append(chain.rows(1), {}, [])
        assert await store.wait_durable(21, 5.0)
        assert (heard.lost, heard.anew) == ([], 0)
        shutil.copytree(state, tmp_path / "as-killed", ignore=shutil.ignore_patterns("lock"))

    async with opened(tmp_path / "as-killed") as (store, _):
        rows = await store.rows_after(0, 100)
        assert ([r.seq for r in rows], verify(rows)) == (list(range(1, 22)), [])
        assert (await store._reader.ask(lambda r: r.tail_span())) == (1, 49)


@pytest.mark.parametrize(
    ("name", "left", "folded"),
    [("store.db", 0, False), ("store.db", 0, True), ("store.db", 8192, True), ("store.db-wal", 0, False)],
)
@pytest.mark.usefixtures("quick")
@pytest.mark.asyncio
async def test_store_that_was_cut_in_place_is_begun_anew_with_what_can_be_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, left: int, folded: bool
) -> None:
    """Noticed and told; what is gone is told as lost, so that the chain holds; states handed over again outlive a kill;
    no number recurs, and the damaged file is kept."""
    state = tmp_path / "state"
    monkeypatch.setattr(writer_module, "CHECKPOINT_PAGES", 1 if folded else 10**9)
    async with opened(state) as (store, heard):
        chain, epoch = Chain.of(store), store.epoch
        for _ in range(5):
            store.append(chain.rows(40), {"latch:D/forward": b"latched"}, [record(chain.seq)])
            assert await store.wait_durable(chain.seq - 1, 5.0)
        if folded:
            await until(lambda: store._writer._log_pages == 0 and store._writer._home._bytes > 8192)
        before = len(heard.health)
        cut_to(name, left)(state)
        store.append(chain.rows(1), {}, [])  # whether the next commit notices or the next look
        await until(lambda: [up for up, _ in heard.health[before:]][-2:] == [False, True])
        words = next(detail for up, detail in heard.health[before:] if not up and "written anew" in detail)
        for run in heard.lost:
            store.append([chain.row(kind="service", event="rows_lost", first_seq=run[0], last_seq=run[1])], {}, [])
        store.append(chain.rows(1), {"latch:D/forward": b"latched still"}, [])
        assert await store.wait_durable(chain.seq - 1, 5.0)
        last_seq = chain.seq - 1
        assert heard.anew == 1
        shutil.copytree(state, tmp_path / "as-killed", ignore=shutil.ignore_patterns("lock"))

    assert "damaged while the watch ran" in words
    assert [f.name for f in state.glob("store.db.damaged-*") if f.name in words] != []
    again = Store.open(tmp_path / "as-killed", now_utc_ms=UTC_MS, boot_id="boot", ballast_mb=0)
    assert again.states() == {"latch:D/forward": b"latched still"}
    assert (again.opened.damaged, again.first_free_seq > last_seq) == ("", True)
    await again.close()
    async with opened(state) as (store, _):
        assert store.epoch == epoch
        rows = await store.rows_after(0, 1000)
        assert verify(rows) == []
        assert rows[-1].seq == last_seq
        assert store.get_cursor("mqtt") is None


@pytest.mark.usefixtures("quick")
@pytest.mark.asyncio
async def test_store_that_is_left_alone_is_never_written_anew(tmp_path: Path) -> None:
    """Commits, checkpoints, trimming and freed pages change sizes, too: none of that is taken for somebody's cut."""
    async with opened(tmp_path, keep_hours=0.001, quota_mb=8) as (store, heard):
        chain = Chain.of(store)
        for number in range(60):
            store.append(
                chain.rows(20), {}, [record(60 * number + s + 1, size=2000, mono_ns=number * 10**9) for s in range(60)]
            )
            assert await store.wait_durable(chain.seq - 1, 5.0)

        assert heard.health == []
    assert not list(tmp_path.glob("store.db.*"))  # noqa: ASYNC240
