"""Rows, tail records and open stores for tests of the store."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from nightrake.domain.rows import GENESIS, SCHEMA_VERSION, Row, TailRecord, canonical, chain_hash
from nightrake.journal.store import Store

UTC_MS = 1_790_000_000_000
MONO_NS = 1_000_000_000_000


class Chain:
    """Makes rows as the engine does: numbered, chained.

    Args:
        epoch: Life of the store. seq: First number. last_hash: Hash of the row before.
    """

    def __init__(self, epoch: str = "e1", seq: int = 1, last_hash: bytes = GENESIS) -> None:
        self.epoch, self.seq, self.last_hash = epoch, seq, last_hash

    @classmethod
    def of(cls, store: Store) -> Chain:
        """Go on where the store was left."""
        return cls(store.epoch, store.first_free_seq, store.last_hash)

    def row(self, *, kind: str = "drive", event: str = "alarm_operated", utc_ms: int = UTC_MS, **data: Any) -> Row:
        """The next row."""
        row = Row(
            epoch=self.epoch,
            seq=self.seq,
            kind=kind,
            event=event,
            drive="PC1" if kind == "drive" else "",
            direction="forward" if kind == "drive" else "",
            urgent=event.startswith("shutdown"),
            schema=SCHEMA_VERSION,
            input_seq=self.seq,
            boot_id="boot",
            mono_ns=MONO_NS + self.seq,
            utc_ms=utc_ms,
            clock_trusted=True,
            payload=canonical(data or {"torque_nm": 41000.0}),
            prev_hash=self.last_hash,
            hash=b"",
        )
        row = row._replace(hash=chain_hash(self.last_hash, row))
        self.last_hash, self.seq = row.hash, self.seq + 1
        return row

    def rows(self, count: int) -> list[Row]:
        """The next rows."""
        return [self.row() for _ in range(count)]


def record(seq: int, *, utc_ms: int = UTC_MS, mono_ns: int = MONO_NS, size: int = 100) -> TailRecord:
    """One tail record with a payload of `size` bytes."""
    return TailRecord(seq, "scan", "plc1", "layout1", mono_ns, utc_ms, bytes([seq % 256]) * size)


class Heard:
    """What the store told, and ways to wait for it."""

    def __init__(self) -> None:
        self.durable: list[int] = []
        self.health: list[tuple[bool, str]] = []
        self.lost: list[tuple[int, int]] = []
        self.anew = 0

    def on_durable(self, seq: int) -> None:
        self.durable.append(seq)

    def on_health(self, up: bool, detail: str) -> None:
        self.health.append((up, detail))

    def on_lost(self, first_seq: int, last_seq: int) -> None:
        self.lost.append((first_seq, last_seq))

    def on_anew(self) -> None:
        self.anew += 1


async def until(condition: Callable[[], bool], timeout_s: float = 10.0) -> None:
    """Wait until a condition holds, at most `timeout_s`."""
    async with asyncio.timeout(timeout_s):
        while not condition():  # noqa: ASYNC110  (what is waited for happens in another thread)
            await asyncio.sleep(0.005)


@asynccontextmanager
async def opened(state_dir: Path, **given: Any) -> AsyncIterator[tuple[Store, Heard]]:
    """A store at work; closed at the end."""
    defaults: dict[str, Any] = {"now_utc_ms": UTC_MS, "boot_id": "boot", "ballast_mb": 0}
    store = Store.open(state_dir, **(defaults | given))
    heard = Heard()
    store.start(heard.on_durable, heard.on_health, heard.on_lost, heard.on_anew)
    try:
        yield store, heard
    finally:
        await store.close()
