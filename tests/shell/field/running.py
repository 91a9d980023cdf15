"""A poller at work against a server of the test, and what it gave."""

from __future__ import annotations

import asyncio
import random
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any

from nightrake.clock import SystemClock
from nightrake.domain.inputs import Got, RawScan
from nightrake.domain.readplan import make_plan
from nightrake.domain.site import EndpointSpec, PointSpec, Table, ValueType
from nightrake.field.poller import Poller

MS = 1_000_000


def word(address: int, unit: int = 1, period_ms: int = 30) -> PointSpec:
    """A holding register."""
    return PointSpec("P", unit, Table.HOLDING, address, ValueType.UINT16, period_ns=period_ms * MS)


class Run:
    """What a running poller gave."""

    def __init__(self) -> None:
        self.scans: list[RawScan] = []
        self.links: list[tuple[bool, str]] = []
        self._news = asyncio.Event()
        self.poller: Poller
        self.spec: EndpointSpec

    def scan(self, scan: RawScan) -> None:
        self.scans.append(scan)
        self._news.set()

    async def until(self, true: Callable[[], bool]) -> None:
        """Wait, looking after each scan."""
        async with asyncio.timeout(10.0):
            while not true():
                self._news.clear()
                await self._news.wait()

    def outcomes(self) -> list[Got]:
        """Outcome of the first block of each scan."""
        return [s.blocks[0].got for s in self.scans]


@asynccontextmanager
async def polling(port: int, *points: PointSpec, **settings: Any) -> AsyncIterator[Run]:
    """A poller that runs within the block."""
    # Test and server share a process, which a busy machine may keep waiting; shorter where silence itself is tested.
    usual = {"host": "127.0.0.1", "timeout_ns": 400 * MS, "backoff_min_ns": 20 * MS, "backoff_max_ns": 60 * MS}
    spec = EndpointSpec("P", port=port, **{**usual, **settings})
    run, clock = Run(), SystemClock()
    run.spec = spec
    run.poller = Poller(
        spec,
        make_plan(spec, points),
        on_scan=run.scan,
        on_link=lambda up, detail: run.links.append((up, detail)),
        clock=clock,
        rng=random.Random(1),
        start_ns=clock.mono_ns(),
    )
    task = asyncio.create_task(run.poller.run())
    try:
        yield run
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
