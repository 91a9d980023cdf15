"""A broker that misbehaves at the start of a connection."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

CONNACK = {5: b"\x20\x03\x00\x00\x00", 311: b"\x20\x02\x00\x00"}


class FakeBroker:
    """Accepts, reads a little, sends a fixed answer, and closes or falls silent.

    Attributes:
        connects: Connections so far.
    """

    def __init__(self, answer: bytes, stay: bool) -> None:
        self.connects = 0
        self.port = 0
        self._answer = answer
        self._stay = stay

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """One connection."""
        self.connects += 1
        try:
            await reader.read(4096)
            writer.write(self._answer)
            await writer.drain()
            while self._stay and await reader.read(4096):
                continue
        except (ConnectionError, asyncio.CancelledError):
            pass
        finally:
            writer.close()


@asynccontextmanager
async def fake_broker(answer: bytes, *, stay: bool) -> AsyncIterator[FakeBroker]:
    """Serve on a free port of 127.0.0.1."""
    broker = FakeBroker(answer, stay)
    server = await asyncio.start_server(broker.serve, "127.0.0.1", 0)
    broker.port = server.sockets[0].getsockname()[1]
    try:
        yield broker
    finally:
        server.close()
