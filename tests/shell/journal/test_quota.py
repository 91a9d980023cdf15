"""A journal that has filled its quota: latches and cursors are kept all the same, and the words name the key."""

from __future__ import annotations

from pathlib import Path

import pytest

from nightrake.journal import writer as writer_module
from nightrake.journal.store import Store
from shell.journal.makers import UTC_MS, Chain, opened, record, until

BIG = "x" * 4000


@pytest.mark.asyncio
async def test_full_quota_keeps_latches_and_cursors(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No room for rows is no reason to forget a shutdown; a larger quota takes the journal up again."""
    monkeypatch.setattr(writer_module, "RETRY_S", 0.05)
    async with opened(tmp_path, quota_mb=4) as (store, heard):
        chain = Chain.of(store)
        while not heard.health:
            store.append([chain.row(words=BIG) for _ in range(50)], {}, [record(chain.seq)])
            await store.wait_durable(chain.seq - 1, 0.2)
        held = store.durable_seq
        store.append([chain.row(words=BIG)], {"latch:D/forward": b"latched"}, [record(chain.seq)])
        store.set_cursor("mqtt", store.epoch, 7)
        await until(lambda: not store._writer._batch.states and not store._inbox._batch.states)
        await until(lambda: not store._writer._batch.cursors and not store._inbox._batch.cursors)

        words = "the store is as large as store.quota_mb = 4 allows: raise it, then restart the watch"
        assert heard.health[0] == (False, words)
        assert store.durable_seq == held
        assert (tmp_path / "store.db").stat().st_size <= 4 * 1024 * 1024

    again = Store.open(tmp_path, now_utc_ms=UTC_MS, quota_mb=4, ballast_mb=0)
    assert again.opened.unwritable == ""
    assert again.states() == {"latch:D/forward": b"latched"}
    assert again.get_cursor("mqtt") == (again.epoch, 7, "")
    await again.close()
    async with opened(tmp_path, quota_mb=8) as (store, _):
        store.append(Chain.of(store).rows(1), {}, [])
        assert await store.wait_durable(store.first_free_seq, 5.0)
