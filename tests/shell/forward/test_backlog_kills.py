"""Kills at every step of forwarding, of the watch, its worker and the store: what was recorded is there, once."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from peers.narrow import narrow
from peers.victoria import Victoria
from shell.forward.hourglass import many
from shell.forward.killing import FLAGS, MOST_LINES, Killing, all_of, short_plan
from shell.forward.test_backlog import same_in

DRIVES, SECONDS = 16, 900


@pytest.mark.asyncio
@pytest.mark.timeout(600)
async def test_kills_at_every_step_lose_and_double_nothing(
    make_victoria: Callable[..., Victoria], tmp_path: Path
) -> None:
    """Twenty deaths: of the watch and its worker at each moment, and of the store; then a life that may finish."""
    store = make_victoria(*FLAGS)
    store.start()
    async with narrow(store.port, MOST_LINES) as proxy:
        killing = Killing(tmp_path, store, proxy)
        await all_of(killing, short_plan())
        failed = await killing.finish()
        doubts = await killing.doubts_in_the_end()

    assert (doubts, failed, killing.said) == ([], "", [])
    assert killing.missed() == set()
    assert killing.deaths == 2
    assert (proxy.too_long > 0, proxy.refused > 0) == (True, True)
    assert killing.kept()[1:] == ("[]", 0), "stretches or dead letters are left"


@pytest.mark.asyncio
@pytest.mark.timeout(60)
async def test_worker_that_cannot_be_started_leaves_the_work_to_the_watch(
    make_victoria: Callable[..., Victoria], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Slower, in order, and nothing is lost, while the hot tail holds it."""
    store = make_victoria("-dedup.minScrapeInterval=1ms")
    store.start()
    monkeypatch.setattr(sys, "executable", "/nowhere/python")
    async with many(tmp_path, store.url, DRIVES) as at:
        monkeypatch.setattr("nightrake.forwardlanes.FAR_INPUTS", 1_000)
        monkeypatch.setattr("nightrake.forwardlanes.FAR_MS", 10_000)
        await at.record(at.clock.utc_ms() - SECONDS * 1000, SECONDS)
        async with at.forwarded() as forwarding, asyncio.timeout(30.0):
            while forwarding.status()["lag_rows"]:  # noqa: ASYNC110
                await asyncio.sleep(0.05)
            assert forwarding.status()["backlog"]["stretches"] == 0
        await same_in(at, store)
