"""Server-sent events: what the hub has for one listener, written as fast as the browser takes it."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from starlette.responses import Response
from starlette.types import Receive, Scope, Send

from nightrake.page.hub import Hub, Listener, event

BEAT_S = 4.0
"""Something is said at least this often."""
TURN_S = 12.0
"""A window that listens by turns has ended it long before; one whose scripts stand still keeps no connection."""
RETRY_MS = 2000
"""A browser whose connection broke tries again after this."""


class Live(Response):
    """The stream of one listener, which is in the hub already.

    Args:
        hub, listener: See `Hub`. now_ms: UTC. trouble: Why the listener may look no longer; "" while they may.
        beat: Called before each wait. most_s: It is ended after this; None = it goes on.
    """

    media_type = "text/event-stream"

    def __init__(
        self,
        hub: Hub,
        listener: Listener,
        now_ms: Callable[[], int],
        trouble: Callable[[], str],
        beat: Callable[[], object] = lambda: None,
        most_s: float | None = None,
    ) -> None:
        super().__init__(headers={"x-accel-buffering": "no"})
        self._hub, self._listener, self._now_ms = hub, listener, now_ms
        self._trouble, self._beat, self._most_s = trouble, beat, most_s

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:  # noqa: ARG002
        """Write until the browser leaves, or the listener is ended."""
        gone = asyncio.create_task(self._leave(receive), name="page listener leaves")
        headers = [pair for pair in self.raw_headers if pair[0] != b"content-length"]
        try:
            await send({"type": "http.response.start", "status": 200, "headers": headers})
            text = f"retry: {RETRY_MS}\n\n"
            began_s, said_s = asyncio.get_running_loop().time(), float("-inf")
            while not gone.done():
                text += self._hub.take(self._listener)
                now_s = asyncio.get_running_loop().time()
                if not text or now_s - said_s >= BEAT_S:  # also where there is always news: it carries the time
                    said_s = now_s
                    text += event("alive", f'{{"utc_ms":{self._now_ms()},"line_ms":{(now_s - began_s) * 1000:.0f}}}')
                over = bool(self._listener.ended) or (self._most_s is not None and now_s - began_s > self._most_s)
                await send({"type": "http.response.body", "body": text.encode(), "more_body": not over})
                if over:
                    return
                text = ""
                await self._wait()
        finally:
            self._hub.leave(self._listener)
            gone.cancel()
            await asyncio.gather(gone, return_exceptions=True)

    async def _wait(self) -> None:
        self._beat()
        try:
            async with asyncio.timeout(BEAT_S):
                await self._listener.news.wait()
        except TimeoutError:
            pass
        why = self._trouble()
        if why:
            self._listener.end(why)

    async def _leave(self, receive: Receive) -> None:
        while (await receive())["type"] != "http.disconnect":
            pass
        self._listener.news.set()
