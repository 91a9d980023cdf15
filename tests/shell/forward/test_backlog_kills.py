"""Kills at every step of forwarding, of the watch, its worker and the store: what was recorded is there, once."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import sys
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import psutil
import pytest

from nightrake.crashpoint import VARIABLE
from nightrake.forwardbacklog import CURSOR
from nightrake.journal.reader import Reader
from peers.victoria import Victoria
from shell.forward.hourglass import Many, many
from shell.forward.test_backlog import same_in

DRIVES, SECONDS = 16, 900
LIVE = ("before-post:1", "after-post:2", "after-forward:1")
"""Where the live lane dies, before it knows how far behind it is."""
WATCH = ("after-left-out", "after-backlog-safe", "before-backlog-done")
"""Where the watch dies: at the moments of the backlog lane."""
WORKER = ("before-post:300", "after-post:400")
"""Where the worker dies, again and again: it goes through the moments of a write, as the live lane does."""
AIMS = (*LIVE, *WATCH[:2], "anywhere", *WORKER, WATCH[2])


@asynccontextmanager
async def life(at: Many, folder: Path, url: str, aim: str) -> AsyncIterator[asyncio.subprocess.Process]:
    """A life of the forwarding as a process; it is ended, if it has not ended by then."""
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, str(Path(__file__).with_name("lives.py"))),
        *(str(folder / "site"), str(at.settings.store_dir), url),
        env={**os.environ, VARIABLE: aim},
        stderr=asyncio.subprocess.PIPE,
    )
    try:
        yield process
    finally:
        with contextlib.suppress(ProcessLookupError):
            process.kill()
        await process.communicate()


async def worker_of(process: asyncio.subprocess.Process) -> psutil.Process | None:
    """Its worker, once it has one; None = it ended without."""
    while process.returncode is None:
        with contextlib.suppress(psutil.Error):
            for child in await asyncio.to_thread(psutil.Process(process.pid).children):
                if "nightrake.workers.forwarding" in child.cmdline():
                    return child
        await asyncio.sleep(0.02)
    return None


def left(at: Many) -> str:
    """The stretches that are kept on disk."""
    reader = Reader(at.settings.store_dir / "store.db")
    try:
        found = reader._ask("select extra from cursor where name = ?", CURSOR)
        return str(found[0][0]) if found else ""
    finally:
        reader.close()


@pytest.mark.asyncio
@pytest.mark.timeout(240)
async def test_kills_at_every_step_lose_and_double_nothing(victoria: Victoria, tmp_path: Path) -> None:
    """Lives that end at each moment in turn, and the worker's and the store's own deaths; then one that may finish."""
    async with many(tmp_path, victoria.url, DRIVES) as at:
        await at.record(at.clock.utc_ms() - SECONDS * 1000, SECONDS)
    ended = {aim: await one_life(at, tmp_path, victoria, aim) for aim in AIMS}
    async with life(at, tmp_path, victoria.url, "") as process:
        said = (await process.communicate())[1].decode()
        assert process.returncode == 0, said
    await same_in(at, victoria)

    assert {aim for aim in (*WATCH, *LIVE) if ended[aim] != -signal.SIGKILL} == set()
    assert set(ended.values()) <= {-signal.SIGKILL, None}
    assert left(at) == "[]"


async def one_life(at: Many, folder: Path, store: Victoria, aim: str) -> int | None:
    """A life with an aim; gives how it ended, None = it went on, for its worker died instead."""
    async with life(at, folder, store.url, "" if aim == "anywhere" else aim) as process:
        if aim == "anywhere":
            async with asyncio.timeout(20.0):
                while left(at) in ("", "[]"):  # noqa: ASYNC110
                    await asyncio.sleep(0.02)
                for _ in range(2):
                    if worker := await worker_of(process):
                        worker.kill()
                    await asyncio.to_thread(store.kill)
                    await asyncio.to_thread(store.start)
            process.kill()
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(2.5 if aim in WORKER else 60.0):
                await process.wait()
        return process.returncode


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
