"""Forwarding on a real store, the scans made by the test: no PLC, no watch."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

from nightrake.clock import SystemClock
from nightrake.domain.inputs import BlockReply, Got, RawScan
from nightrake.domain.readplan import ReadPlan
from nightrake.domain.rows import GENESIS, SCHEMA_VERSION, Row, canonical, chain_hash
from nightrake.domain.tailcodec import to_record
from nightrake.forwarding import Forwarding
from nightrake.journal.store import Store
from nightrake.kept import plan_to_json
from nightrake.polling import plan_of
from nightrake.settings import Settings, load

CONFIG = Path(__file__).parents[3] / "config"


class FixedClock(SystemClock):
    """The machine's clocks, the monotonic one as far ahead as the test says; trust as it says.

    Where it stands still only the test moves it: however long the machine takes, it counts for nothing.
    """

    def __init__(self) -> None:
        super().__init__()
        self.is_trusted = True
        self.ahead_ns = 0
        self._stands_ns: int | None = None

    def stand_still(self) -> None:
        """From now on only `ahead_ns` moves it."""
        self._stands_ns = super().mono_ns()

    def mono_ns(self) -> int:
        return (super().mono_ns() if self._stands_ns is None else self._stands_ns) + self.ahead_ns

    def trusted(self) -> bool:
        return self.is_trusted


class Site:
    """A store that fills, and the forwarding from it."""

    def __init__(self, settings: Settings, store: Store) -> None:
        self.settings = settings
        self.store = store
        self.clock = FixedClock()
        self.links: list[tuple[bool, str]] = []
        self._news = asyncio.Event()
        self.utc_ms = self.clock.utc_ms() - 600_000
        self.plan = plan_of(settings.site, next(iter(settings.site.endpoints)))
        store.put_layout(self.plan.layout, plan_to_json(self.plan))
        self._input_seq = store.first_free_input_seq
        self._seq, self._hash = store.first_free_seq, store.last_hash or GENESIS
        self.forwarding = self.new_forwarding()

    def new_forwarding(self) -> Forwarding:
        """As a restart would make it."""
        self.forwarding = Forwarding(
            self.settings,
            self.store,
            self.clock,
            lambda: self._input_seq - 1,
            self._on_link,
        )
        return self.forwarding

    def _on_link(self, up: bool, detail: str) -> None:
        self.links.append((up, detail))
        self._news.set()

    def scans(self, count: int, step_ms: int = 250) -> int:
        """Record scans of the first PLC; returns how many samples the store forwarded to should come to hold."""
        records = []
        for _ in range(count):
            self.utc_ms += step_ms
            records.append(to_record(self._input_seq, scan_of(self.plan, self.utc_ms)))
            self._input_seq += 1
        self.store.append((), {}, records)
        return count * len(self.drives())

    def drives(self) -> set[str]:
        """Drives that the scans tell of."""
        places = self.plan.places
        return {d for d, spec in self.settings.site.drives.items() if any(p in places for p in spec.points().values())}

    def happen(self, count: int, *, trusted: bool = True) -> None:
        """Journal rows."""
        rows = []
        for _ in range(count):
            row = Row(
                self.store.epoch, self._seq, "drive", "alarm_operated", "PC1", "forward", False, SCHEMA_VERSION, 0,
                "boot", self._seq * 1_000_000, self.utc_ms, trusted, canonical({"torque_nm": 41000.5}), self._hash, b"",
            )  # fmt: skip
            row = row._replace(hash=chain_hash(self._hash, row))
            self._hash, self._seq = row.hash, self._seq + 1
            rows.append(row)
        self.store.append(rows, {}, ())

    async def link(self, up: bool, words: str = "", within_s: float = 15.0) -> str:
        """Wait until the link's health, as last told, is this."""
        async with asyncio.timeout(within_s):
            while not (self.links and self.links[-1][0] == up and words in self.links[-1][1]):
                self._news.clear()
                await self._news.wait()
        return self.links[-1][1]

    @asynccontextmanager
    async def forwarded(self) -> AsyncIterator[Forwarding]:
        """Forwarding at work; cancelled at the end."""
        task = asyncio.create_task(self.forwarding.run(), name="forwarding")
        try:
            yield self.forwarding
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)


def scan_of(plan: ReadPlan, utc_ms: int) -> RawScan:
    """A good scan of every block, all ones and small numbers."""
    mono_ns = utc_ms * 1_000_000
    replies = []
    for index, block in enumerate(plan.blocks):
        data = bytes((block.count + 7) // 8) if block.table.holds_bits else bytes([16, 0]) * block.count
        replies.append(BlockReply(index, Got.GOOD, data, mono_ns))
    return RawScan(plan.endpoint, plan, mono_ns, utc_ms, tuple(replies))


@asynccontextmanager
async def still_site(folder: Path, url: str) -> AsyncIterator[Site]:
    """The same, with a clock that only the test moves."""
    async with site(folder, url) as at:
        at.clock.stand_still()
        at.new_forwarding()
        yield at


@asynccontextmanager
async def site(folder: Path, url: str, timeout_s: float = 2.0, batch_lines: int = 5000) -> AsyncIterator[Site]:
    """The example site, forwarding to `url`; its store is in `folder`."""
    overrides = {
        "forward.enabled": True,
        "forward.url": url,
        "forward.timeout_s": timeout_s,
        "forward.batch_lines": batch_lines,
        "store.dir": str(folder / "state"),
    }
    settings = await asyncio.to_thread(load, CONFIG, overrides)
    store = Store.open(settings.store_dir, now_utc_ms=time.time_ns() // 1_000_000, boot_id="boot", ballast_mb=0)
    store.start(lambda _seq: None, lambda _up, _detail: None, lambda _first, _last: None)
    try:
        yield Site(settings, store)
    finally:
        await store.close()


async def until(true: Callable[[], bool], within_s: float = 12.0) -> None:
    """Poll, bounded, where there is no event to wait for."""
    async with asyncio.timeout(within_s):
        while not true():  # noqa: ASYNC110
            await asyncio.sleep(0.01)
