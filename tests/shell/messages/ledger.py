"""Journal rows for tests, and a journal in memory in the place of the store's."""

from __future__ import annotations

import asyncio
import hashlib
from collections.abc import Callable, Set
from typing import Any

from nightrake.domain.rows import SCHEMA_VERSION, Row, canonical
from nightrake.errors import StoreError
from nightrake.messages.ahead import Until
from nightrake.messages.broker import BrokerSettings
from nightrake.messages.teller import Teller

UTC_MS = 1_790_000_000_000


def row(seq: int, drive: str = "PC1", *, urgent: bool = False, event: str = "alarm_operated", **data: Any) -> Row:
    """One journal row."""
    return Row(
        epoch="e1",
        seq=seq,
        kind="drive" if drive else "service",
        event=event,
        drive=drive,
        direction="forward" if drive else "",
        urgent=urgent,
        schema=SCHEMA_VERSION,
        input_seq=seq,
        boot_id="boot",
        mono_ns=seq * 1_000_000,
        utc_ms=UTC_MS + seq,
        clock_trusted=True,
        payload=canonical(data or {"torque_nm": 41000.0}),
        prev_hash=bytes(32),
        hash=hashlib.sha256(str(seq).encode()).digest(),
    )


class Ledger:
    """Rows that are 'on disk', and the cursor as last kept."""

    def __init__(self, cursor: int = 0) -> None:
        self.rows: list[Row] = []
        self.cursor = cursor
        self.ahead = frozenset[int]()
        self.cursors: list[int] = []
        self.reads = 0
        self.broken = False

    async def rows_after(self, seq: int, limit: int) -> list[Row]:
        self.reads += 1
        await asyncio.sleep(0)
        if self.broken:
            raise StoreError("the disk is away")
        return [r for r in self.rows if r.seq > seq][:limit]

    def advance(self, seq: int, ahead: Set[int] = frozenset()) -> None:
        self.cursor = seq
        self.ahead = frozenset(ahead)
        self.cursors.append(seq)


class Watch:
    """A teller on a ledger, with the engine's part played by the test."""

    def __init__(self, settings: BrokerSettings, ledger: Ledger | None = None, **given: Any) -> None:
        self.ledger = ledger if ledger is not None else Ledger()
        self.links: list[tuple[bool, str]] = []
        self._news = asyncio.Event()
        given = dict[str, Any]({"drives": ["PC1", "PC2"], "canary_period_s": 1.0, "chance": lambda: 0.0} | given)
        self.teller = Teller(
            settings,
            self.ledger,
            root="nightrake",
            site="fennmark",
            epoch="e1",
            until=Until(self.ledger.cursor, self.ledger.ahead),
            utc_ms=lambda: UTC_MS,
            on_link=self._on_link,
            **given,
        )

    def _on_link(self, up: bool, detail: str) -> None:
        self.links.append((up, detail))
        self._news.set()

    def happen(self, *rows: Row) -> None:
        """Rows are committed and offered, as the engine does."""
        for each in rows:
            self.ledger.rows.append(each)
            self.teller.offer(each, True)

    async def link(self, up: bool, words: str = "", within_s: float = 15.0) -> str:
        """Wait until the link's health, as last told, is this and its detail holds these words."""
        async with asyncio.timeout(within_s):
            while not (self.links and self.links[-1][0] == up and words in self.links[-1][1]):
                self._news.clear()
                await self._news.wait()
        return self.links[-1][1]

    async def __aenter__(self) -> Watch:
        self._task = asyncio.create_task(self.teller.run(), name="teller")
        return self

    async def __aexit__(self, *_exc: object) -> None:
        self._task.cancel()
        await asyncio.gather(self._task, return_exceptions=True)

    async def stopped(self, within_s: float) -> None:
        """Ask it to stop and wait until it has."""
        self.teller.stop()
        async with asyncio.timeout(within_s):
            await self._task


def settings(port: int, **given: Any) -> BrokerSettings:
    """A broker on 127.0.0.1."""
    facts: dict[str, Any] = {"host": "127.0.0.1", "port": port, "protocol": 5, "client_id": "nightrake-fennmark"}
    return BrokerSettings(**(facts | given))


async def until(true: Callable[[], bool], within_s: float = 10.0) -> None:
    """Poll, bounded, where there is no event to wait for."""
    async with asyncio.timeout(within_s):
        while not true():  # noqa: ASYNC110
            await asyncio.sleep(0.01)
