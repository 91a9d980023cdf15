"""The watch's end of the control socket: one JSON object a line, each request answered.

Request: ``{"verb": "status", "args": {...}, "ref": "..."}``. Reply: ``{"ref": ..., "ok": true, "result": ...}`` or
``{"ref": ..., "ok": false, "error": "one sentence"}``. A verb that streams sends replies with ``"more": true`` until
the client hangs up. The socket is for its user and group only: mode 0660.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import pwd
import select
import socket
import struct
import time
from collections import Counter
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from pathlib import Path
from typing import Any, NamedTuple

from nightrake.control.place import Place
from nightrake.control.request import REFUSED, refusal, request_of, unknown_verb
from nightrake.domain.pulse import Pulse
from nightrake.errors import ControlError

PART = "control"
LINE_LIMIT = 64 * 1024
"""Bytes of one request at most; a longer one ends the connection."""
CLIENTS = 32
"""Connections at once at most; for one more an idle one is ended, or else it is turned away with a sentence."""
IDLE_S = 0.1
"""A connection that asks nothing for this long may be ended when others need it."""
LOOK_S = 2.0
"""How often the socket is looked for in its place."""
GONE_S = 0.5
"""How often it is looked whether the client of a long answer is still there; for one that has gone nothing is done."""
SEND_TIMEOUT_S = 5.0
"""A client that does not read for this long is dropped, so that it cannot make the watch wait."""


class Caller(NamedTuple):
    """Who is at the other end, as the kernel says."""

    actor: str
    uid: int


Handler = Callable[[Caller, Mapping[str, Any]], Awaitable[Any]]
Streamer = Callable[[Caller, Mapping[str, Any]], AsyncIterator[Any]]


class _Client:
    """One connection.

    Attributes:
        task: Serves it. uid: Whose it is. idle_since_s: Since when it asks nothing, monotonic; 0 = it is being served.
    """

    def __init__(self, task: asyncio.Task[None], uid: int) -> None:
        self.task = task
        self.uid = uid
        self.idle_since_s = time.monotonic()


class ControlServer:
    """Serves verbs on a Unix socket until cancelled.

    Args:
        place: Where; or a path, which is taken when the server starts.
        verbs: Verb -> coroutine function (caller, args) -> plain result.
        streams: Verb -> async generator function of plain results.
        on_link: Called when the socket is gone from its place, and when it is back: (up, what happened).
        pulse: Is told that it goes on.
    """

    def __init__(
        self,
        place: Path | Place,
        verbs: Mapping[str, Handler],
        streams: Mapping[str, Streamer],
        on_link: Callable[[bool, str], object] = lambda up, detail: None,
        pulse: Pulse | None = None,
    ) -> None:
        self._place = place if isinstance(place, Place) else Place(place)
        self._verbs = verbs
        self._streams = streams
        self._on_link = on_link
        self._pulse = pulse or Pulse(time.monotonic)
        self._clients: dict[asyncio.Task[None], _Client] = {}

    async def run(self, ready: asyncio.Event | None = None, taken: socket.socket | None = None) -> None:
        """Listen, serve, and remove the socket at the end.

        Args:
            ready: Set when it listens. taken: From `Place.take`, if that was done already.

        Raises:
            ControlError: The place cannot be taken.
        """
        server = await self._listen(taken or self._place.take())
        try:
            if ready is not None:
                ready.set()
            while True:
                self._pulse.turn(PART, LOOK_S)
                await asyncio.sleep(LOOK_S)
                server = await self._look_after(server)
        finally:
            server.close()
            for task in list(self._clients):
                task.cancel()
            await asyncio.gather(*self._clients, return_exceptions=True)
            self._place.give_back()

    async def _listen(self, taken: socket.socket) -> asyncio.Server:
        return await asyncio.start_unix_server(self._accept, sock=taken, limit=LINE_LIMIT)

    async def _look_after(self, server: asyncio.Server) -> asyncio.Server:
        """A socket that somebody removed is made anew; connections that stand go on."""
        trouble = self._place.trouble()
        if not trouble:
            return server
        try:
            news = await self._listen(self._place.take())
        except ControlError as error:
            self._on_link(False, str(error))
            return server
        server.close()
        self._on_link(False, trouble)
        self._on_link(True, "")
        return news

    async def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        client = _Client(task, _caller(writer).uid)
        if len(self._clients) >= CLIENTS and not self._make_room():
            await _turn_away(reader, writer)
            return
        self._clients[task] = client
        try:
            await self._serve(client, reader, writer)
        except (OSError, TimeoutError, asyncio.CancelledError):
            # Cancelled only when the server stops or room is needed; the connection ends either way.
            pass
        finally:
            self._clients.pop(task, None)
            writer.close()

    def _make_room(self) -> bool:
        """End the connection that has asked nothing for longest, of the user who holds the most of them."""
        held = Counter(c.uid for c in self._clients.values())
        latest_s = time.monotonic() - IDLE_S
        idle = [c for c in self._clients.values() if 0.0 < c.idle_since_s <= latest_s]
        if not idle:
            return False
        client = max(idle, key=lambda c: (held[c.uid], -c.idle_since_s))
        del self._clients[client.task]
        client.task.cancel()
        return True

    async def _serve(self, client: _Client, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        caller = _caller(writer)
        while True:
            client.idle_since_s = time.monotonic()
            try:
                line = await reader.readline()
            except ValueError:
                await _send(
                    writer, {"ok": False, "error": f"a request may have {LINE_LIMIT} bytes; this one is longer"}
                )
                return
            if not line:
                return
            client.idle_since_s = 0.0
            await self._answer(caller, line, writer)
            await asyncio.sleep(0)  # the next request may be here already; the scans and the others have their turn

    async def _answer(self, caller: Caller, line: bytes, writer: asyncio.StreamWriter) -> None:
        try:
            verb, args, ref = request_of(line)
        except ControlError as error:
            await _send(writer, {"ok": False, "error": str(error)})
            return
        try:
            if verb in self._streams:
                async for result in self._streams[verb](caller, args):
                    await _send(writer, {"ref": ref, "ok": True, "more": True, "result": result})
            elif verb in self._verbs:
                result = await _while_there(writer, self._verbs[verb](caller, args))
                await _send(writer, {"ref": ref, "ok": True, "result": result})
            else:
                raise unknown_verb(verb, (*self._verbs, *self._streams))
        except REFUSED as error:
            await _send(writer, {"ref": ref, "ok": False, "error": refusal(verb, error)})


async def _while_there(writer: asyncio.StreamWriter, answer: Awaitable[Any]) -> Any:
    """The answer, unless the client hangs up before it is there: then it is given up.

    Raises:
        ConnectionError: The client has gone.
    """
    task = asyncio.ensure_future(answer)
    try:
        while not (await asyncio.wait({task}, timeout=GONE_S))[0]:
            if _has_hung_up(writer):
                raise ConnectionError("the client has hung up")
        return task.result()
    finally:
        if not task.done():
            task.cancel()
            await asyncio.wait({task})


def _has_hung_up(writer: asyncio.StreamWriter) -> bool:
    """Whether the other end is closed; one that only sends no more still waits for its answer."""
    poll = select.poll()
    try:
        poll.register(writer.get_extra_info("socket").fileno(), 0)
    except ValueError:
        return True  # closed at our end
    return any(event & (select.POLLHUP | select.POLLERR) for _, event in poll.poll(0))


async def _turn_away(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    with contextlib.suppress(OSError, TimeoutError, ValueError):
        async with asyncio.timeout(1.0):
            await reader.readline()  # closing with unread bytes would take our sentence with it
        await _send(writer, {"ok": False, "error": f"{CLIENTS} control connections are busy already; try again"})
    writer.close()


async def _send(writer: asyncio.StreamWriter, reply: Mapping[str, Any]) -> None:
    writer.write(json.dumps(reply, separators=(",", ":")).encode() + b"\n")
    async with asyncio.timeout(SEND_TIMEOUT_S):
        await writer.drain()


def _caller(writer: asyncio.StreamWriter) -> Caller:
    """The kernel's word for who connected (SO_PEERCRED), not the client's."""
    sock = writer.get_extra_info("socket")
    raw = sock.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i"))
    uid = struct.unpack("3i", raw)[1]
    try:
        return Caller(pwd.getpwuid(uid).pw_name, uid)
    except KeyError:
        return Caller(f"uid {uid}", uid)
