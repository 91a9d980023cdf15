"""The hot tail waits for what is sealed: past its time it goes only then, and for want of room it goes all the same."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from nightrake.domain.rows import TailRecord
from nightrake.journal.store import Store
from shell.journal.makers import MONO_NS, opened, record, until

HOUR_NS = 3_600_000_000_000
COUNT = 5_000


def hours() -> list[TailRecord]:
    """Records over ten hours, of which one is to be kept."""
    return [record(n, mono_ns=MONO_NS + n * 10 * HOUR_NS // COUNT, size=1_000) for n in range(1, COUNT + 1)]


async def left(store: Store) -> tuple[int, int]:
    """First number in the tail, and how many were trimmed."""
    found = await store.tail_after(0, 1)
    return found[0].seq, store.stats().trimmed


@pytest.mark.asyncio
async def test_tail_waits_for_what_is_sealed(tmp_path: Path) -> None:
    """Nothing goes before it is sealed, however old; then all that is past its time; and as ever when nobody seals."""
    async with opened(tmp_path, keep_hours=1.0) as (store, _):
        store.hold_tail(0)
        store.append((), {}, hours())
        await until(lambda: store.stats().tail_rows == COUNT)
        commits = store.stats().commits
        store.set_cursor("any", store.epoch, 1)
        await until(lambda: store.stats().commits > commits and store.stats().db_bytes > 0)
        assert await left(store) == (1, 0)
        store.hold_tail(1_234)
        await until(lambda: store.stats().trimmed == 1_234)
        assert await left(store) == (1_235, 1_234)
        store.hold_tail(COUNT)
        await until(lambda: store.stats().trimmed >= COUNT * 9 // 10 - 1)
        assert (await left(store))[0] == pytest.approx(COUNT * 9 // 10, abs=2)
        assert store.lost_unsealed == 0


@pytest.mark.asyncio
async def test_nobody_seals(tmp_path: Path) -> None:
    """History is switched off: age alone counts."""
    async with opened(tmp_path, keep_hours=1.0) as (store, _):
        store.append((), {}, hours())
        await until(lambda: store.stats().trimmed >= COUNT * 9 // 10 - 1)
        assert store.lost_unsealed == 0


@pytest.mark.asyncio
async def test_quota_frees_what_is_not_sealed(tmp_path: Path) -> None:
    """A worker that is dead for long must not fill the store: the oldest go, counted as lost to history."""
    async with opened(tmp_path, keep_hours=1_000.0, quota_mb=8) as (store, _):
        store.hold_tail(500)
        for begin in range(0, 9_000, 1_000):
            store.append((), {}, [record(n, size=1_000) for n in range(begin + 1, begin + 1_001)])
            await until(lambda b=begin: store.stats().tail_rows + store.stats().lost_tail >= b + 1_000)  # type: ignore[misc]
        await until(lambda: store.lost_unsealed > 0 and store.health)
        async with asyncio.timeout(10.0):  # it goes on: what is left and what was counted are two looks
            while store.lost_unsealed != (await left(store))[0] - 1 - 500:  # noqa: ASYNC110
                await asyncio.sleep(0.01)
