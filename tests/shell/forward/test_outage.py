"""The store forwarded to is away for an hour at 200 drives and one scan a second, and killed ten times on its return.

The hour is recorded at once; what is sent, and how, is as it would be. The long form (two days) is in `tests/soak`.
"""

from __future__ import annotations

import asyncio
import time
from pathlib import Path

import pytest

from peers.victoria import Victoria
from shell.forward.hourglass import Many, many
from shell.forward.plantless import until
from shell.forward.test_backlog import done, same_in

DRIVES, HOUR_S, KILLS = 200, 3_600, 10
REFUSALS = ("vm_rows_ignored_total", "vm_rows_invalid_total")


def refused(store: Victoria) -> float:
    """Rows that the store has counted as ignored or invalid since it was started. Blocking."""
    lines = store.get("/metrics").decode().splitlines()
    return sum(float(line.rsplit(" ", 1)[1]) for line in lines if line.startswith(REFUSALS))


async def kill_often(store: Victoria, at: Many, kills: int) -> float:
    """Kill it as often while it takes lines, each time after some were taken; gives the rows that it refused."""
    ignored = 0.0
    for _ in range(kills):
        before = at.forwarding.status()["backlog"]["lines"]
        await until(lambda before=before: at.forwarding.status()["backlog"]["lines"] != before, 40.0)  # type: ignore[misc]
        ignored += await asyncio.to_thread(refused, store)
        await asyncio.to_thread(store.kill)
        await asyncio.to_thread(store.start)
    return ignored


@pytest.mark.asyncio
@pytest.mark.timeout(300)
async def test_an_hour_away_then_ten_deaths_lose_and_double_nothing(victoria: Victoria, tmp_path: Path) -> None:
    """Both sides hold the same samples, counted and hashed; the live lane goes on beside the backlog; none refused."""
    async with many(tmp_path, victoria.url, DRIVES) as at:
        begin_ms = at.clock.utc_ms() - HOUR_S * 1000
        async with at.forwarded() as forwarding:
            await at.record(begin_ms - 5_000, 5)
            await until(lambda: forwarding.status()["lag_rows"] == 0 and forwarding.status()["up"])
            await asyncio.to_thread(victoria.kill)
            await at.record(begin_ms, HOUR_S)
            await until(lambda: not forwarding.status()["up"])
            await asyncio.to_thread(victoria.start)
            began_s = time.monotonic()
            await until(lambda: forwarding.status()["backlog"]["lines"] > 0, 60.0)
            await at.record(at.clock.utc_ms(), 5)
            await until(lambda: forwarding.status()["lag_rows"] == 0, 30.0)
            beside = forwarding.status()["backlog"]
            ignored = await kill_often(victoria, at, KILLS)
            killed_s = time.monotonic()
            rates = []
            while forwarding.status()["backlog"]["inputs"]:
                await asyncio.sleep(0.5)
                rates.append(forwarding.status()["backlog"]["lines_per_s"])
            drained_s = time.monotonic()
            await until(lambda: done(at), 90.0)
        print(f"\nfirst {killed_s - began_s:.1f} s with kills; drained in {drained_s - killed_s:.1f} s; {rates}")
        ignored += await asyncio.to_thread(refused, victoria)
        await same_in(at, victoria)

    assert beside["stretches"] == 1
    assert forwarding.status()["dead_letters"] == 0
    assert ignored == 0
