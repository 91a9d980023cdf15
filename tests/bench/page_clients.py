"""Browsers without a screen: each opens the overview, listens, pans through a year and reads histories.

page_clients.py URL CLIENTS SECONDS DRIVE. Prints, when it ends: answers, their median and worst in ms, bytes heard over
all live lines, whole pictures among it, times that the watch was said to be away, answers that were no 200.
"""

from __future__ import annotations

import asyncio
import os
import random
import sys
import time
from dataclasses import dataclass, field

import httpx

from stand import percentile

DAY_MS = 86_400_000
SPANS_D = (365, 120, 30, 7, 1)
PAUSE_S = 1.0
"""Between two looks of one client: about as fast as people pan."""
WHOLE_BYTES = 100_000
"""More than this at once is a whole picture."""
NICE = 19
"""The PLCs, on the same processor, go before: they have to answer as if they were machines of their own."""


@dataclass
class Heard:
    """What came back."""

    took_ms: list[float] = field(default_factory=list)
    live_bytes: int = 0
    whole: int = 0
    away: int = 0
    refused: int = 0


async def listen(client: httpx.AsyncClient, heard: Heard) -> None:
    """The live line of the overview, from what the page itself shows already."""
    page = (await client.get("/")).text
    since = page.partition('data-since="')[2].partition('"')[0]
    async with client.stream("GET", "/live", params={"where": "overview", "since": since}, timeout=None) as answer:
        async for line in answer.aiter_lines():
            heard.live_bytes += len(line) + 1
            heard.whole += len(line) > WHOLE_BYTES
            heard.away += line.startswith("event: off")


async def look(client: httpx.AsyncClient, drive: str, chance: random.Random, heard: Heard) -> None:
    """Open a page, pan, read: one after the other until cancelled."""
    await asyncio.sleep(chance.uniform(0, PAUSE_S))
    while True:
        span_ms = chance.choice(SPANS_D) * DAY_MS
        end_ms = time.time_ns() // 1_000_000 - chance.randrange(max(1, 365 * DAY_MS - span_ms))
        when: dict[str, str | int] = {"drive": drive, "begin": end_ms - span_ms, "end": end_ms}
        looks: tuple[tuple[str, dict[str, str | int]], ...] = (
            ("/api/v1/history", {**when, "signal": "torque", "columns": 1000}),
            ("/api/v1/marks", when),
            (chance.choice(("/", f"/drives/{drive}", "/alarms")), {}),
            ("/api/v1/journal", {"drive": drive, "limit": 50}),
        )
        for path, params in looks:
            begin_s = time.perf_counter()
            answer = await client.get(path, params=params)
            heard.took_ms.append((time.perf_counter() - begin_s) * 1e3)
            heard.refused += answer.status_code != 200
            await asyncio.sleep(PAUSE_S / 4)


async def main() -> None:
    """See the module."""
    os.nice(NICE)
    url, clients, seconds, drive = sys.argv[1], int(sys.argv[2]), float(sys.argv[3]), sys.argv[4]
    heard = Heard()
    made = [httpx.AsyncClient(base_url=url, timeout=30.0) for _ in range(clients)]
    tasks = [asyncio.create_task(listen(client, heard)) for client in made]
    tasks += [asyncio.create_task(look(client, drive, random.Random(n), heard)) for n, client in enumerate(made)]
    done, _ = await asyncio.wait(tasks, timeout=seconds, return_when=asyncio.FIRST_EXCEPTION)
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)
    for task in done:
        task.result()
    for client in made:
        await client.aclose()
    took = heard.took_ms
    print(len(took), percentile(took, 0.5), max(took), heard.live_bytes, heard.whole, heard.away, heard.refused)


if __name__ == "__main__":
    asyncio.run(main())
