"""A store over HTTP whose answers the test decides, with what it took."""

from __future__ import annotations

import asyncio
import gzip
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager, suppress
from typing import NamedTuple


class Reply(NamedTuple):
    """What to answer; status 0: nothing at all, the connection stays open."""

    status: int = 204
    body: str = ""
    headers: tuple[tuple[str, str], ...] = ()


Answer = Callable[[Sequence[str]], Reply]


def take_all(lines: Sequence[str]) -> Reply:  # an `Answer`
    """Accept everything."""
    return Reply()


class FakeStore:
    """See the module.

    Attributes:
        answer: Decides on a write by its lines; may be exchanged at any time.
        page: Answers a question (path, body); None = 404. form: Its content type.
        pause_s: It takes so long over a write.
        writes: Lines of every write, taken or not. taken: Lines of those answered with 204, in order.
    """

    def __init__(self) -> None:
        self.answer: Answer = take_all
        self.page: Callable[[str, str], str | None] = lambda path, body: None
        self.form = "text/csv"
        self.pause_s = 0.0
        self.writes: list[list[str]] = []
        self.taken: list[str] = []
        self.at_s: list[float] = []
        self.tokens: set[str] = set()
        self.port = 0
        self.tasks: set[asyncio.Task[None]] = set()

    @property
    def url(self) -> str:
        """Its base address."""
        return f"http://127.0.0.1:{self.port}"

    def series(self, start: str) -> list[str]:
        """Lines taken that begin so."""
        return [each for each in self.taken if each.startswith(start)]

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """One connection."""
        task = asyncio.current_task()
        assert task is not None
        self.tasks.add(task)
        try:
            while await self._one(reader, writer):
                continue
        except (OSError, asyncio.IncompleteReadError, asyncio.CancelledError):
            pass
        finally:
            self.tasks.discard(task)
            writer.close()

    async def _one(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> bool:
        head = (await reader.readuntil(b"\r\n\r\n")).decode("latin-1").split("\r\n")
        headers = {k.lower(): v.strip() for k, _, v in (line.partition(":") for line in head[1:] if line)}
        body = await reader.readexactly(int(headers.get("content-length", "0")))
        if headers.get("content-encoding") == "gzip":
            body = gzip.decompress(body)
        if not head[0].startswith("POST /api/v2/write"):
            page = self.page(head[0].split(" ")[1], body.decode())
            status, form = (404, "text/plain") if page is None else (200, self.form)
            data = (page or "").encode()
            head_text = f"HTTP/1.1 {status} X\r\nContent-Type: {form}\r\nContent-Length: {len(data)}\r\n\r\n"
            writer.write(head_text.encode() + data)
            await writer.drain()
            return True
        lines = body.decode().split("\n")
        await asyncio.sleep(self.pause_s)
        assert "precision=ms" in head[0], head[0]
        self.tokens.add(headers.get("authorization", ""))
        self.writes.append(lines)
        self.at_s.append(asyncio.get_running_loop().time())
        reply = self.answer(lines)
        if reply.status == 0:
            return bool(await reader.read(1))
        if reply.status == 204:
            self.taken += lines
        text = reply.body.encode()
        extra = "".join(f"{k}: {v}\r\n" for k, v in reply.headers)
        writer.write(f"HTTP/1.1 {reply.status} X\r\nContent-Length: {len(text)}\r\n{extra}\r\n".encode() + text)
        await writer.drain()
        return True


@asynccontextmanager
async def fake_store() -> AsyncIterator[FakeStore]:
    """Serve on a free port of 127.0.0.1."""
    store = FakeStore()
    server = await asyncio.start_server(store.serve, "127.0.0.1", 0)
    store.port = server.sockets[0].getsockname()[1]
    try:
        yield store
    finally:
        server.close()
        for task in list(store.tasks):
            task.cancel()
        with suppress(asyncio.CancelledError):
            await asyncio.gather(*store.tasks, return_exceptions=True)
