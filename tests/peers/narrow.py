"""A proxy before a store: too long a write is refused with 413, some with 400, and the rest goes through as it came.

When the store dies, whoever is connected through it learns that at once, as without it.
"""

from __future__ import annotations

import asyncio
import gzip
import zlib
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress

PICK = 53
"""Of as many lines one is met with 400 while it is not alone."""
HEAD_END = b"\r\n\r\n"


class Narrow:
    """See the module.

    Args:
        port: Where the store listens on 127.0.0.1. most_lines: Of one write.

    Attributes:
        too_long, refused: How many writes were refused so. refuse_single: So many lines that come alone are refused
            yet; each is a line that nobody takes, for now.
        blind: Questions are not let through. slow_s: For so long a write is held up.
    """

    def __init__(self, port: int, most_lines: int) -> None:
        self._store_port, self._most_lines = port, most_lines
        self.too_long = self.refused = self.refuse_single = self.port = 0
        self.blind = False
        self.slow_s = 0.0
        self.tasks: set[asyncio.Task[None]] = set()

    @property
    def url(self) -> str:
        """Its base address."""
        return f"http://127.0.0.1:{self.port}"

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """One connection."""
        task = asyncio.current_task()
        assert task is not None
        self.tasks.add(task)
        away: asyncio.StreamWriter | None = None
        try:
            back, away = await asyncio.open_connection("127.0.0.1", self._store_port)
            asking = asyncio.create_task(self._requests(reader, writer, away))
            answering = asyncio.create_task(_copy(back, writer))
            await asyncio.wait({asking, answering}, return_when=asyncio.FIRST_COMPLETED)
            for one in (asking, answering):
                one.cancel()
            await asyncio.gather(asking, answering, return_exceptions=True)
        except (OSError, asyncio.CancelledError):
            pass
        finally:
            self.tasks.discard(task)
            for end in (writer, away):
                if end is not None:
                    end.close()

    async def _requests(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, away: asyncio.StreamWriter
    ) -> None:
        with suppress(OSError, asyncio.IncompleteReadError):
            while True:
                head = await reader.readuntil(HEAD_END)
                headers = {
                    k.lower(): v for k, _, v in (x.partition(": ") for x in head.decode("latin-1").split("\r\n"))
                }
                body = await reader.readexactly(int(headers.get("content-length", "0")))
                await asyncio.sleep(self.slow_s)
                refusal = self._refusal(head, body)
                if refusal:
                    writer.write(refusal)
                    await writer.drain()
                else:
                    away.write(head + body)
                    await away.drain()

    def _refusal(self, head: bytes, body: bytes) -> bytes:
        """What is said in the store's place; b"" = nothing."""
        if not head.startswith(b"POST /api/v2/write"):
            return _answer(404, "not through here") if self.blind else b""
        lines = gzip.decompress(body).split(b"\n")
        if len(lines) > self._most_lines:
            self.too_long += 1
            return _answer(413, "too long")
        if len(lines) == 1 and self.refuse_single and lines[0].startswith(b"nightrake_drive"):
            self.refuse_single -= 1
            return _answer(400, "not now")
        if len(lines) > 1 and any(zlib.crc32(line) % PICK == 0 for line in lines):
            self.refused += 1
            return _answer(400, "not in company")
        return b""


async def _copy(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    with suppress(OSError):
        while data := await reader.read(65_536):
            writer.write(data)
            await writer.drain()


def _answer(status: int, words: str) -> bytes:
    return f"HTTP/1.1 {status} X\r\nContent-Length: {len(words)}\r\n\r\n{words}".encode()


@asynccontextmanager
async def narrow(port: int, most_lines: int) -> AsyncIterator[Narrow]:
    """Serve on a free port of 127.0.0.1."""
    proxy = Narrow(port, most_lines)
    server = await asyncio.start_server(proxy.serve, "127.0.0.1", 0)
    proxy.port = server.sockets[0].getsockname()[1]
    try:
        yield proxy
    finally:
        server.close()
        for task in list(proxy.tasks):
            task.cancel()
        await asyncio.gather(*proxy.tasks, return_exceptions=True)
