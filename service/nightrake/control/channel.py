"""A connection of our own, made before the process at its other end was started: nobody else can be there.

Requests and replies are those of the control socket, with verbs of its own; but they are answered side by side and in
any order, told apart by ``ref``. A stream gives results as JSON text, without end; asked for again it begins anew, and
the one before it ends.
"""

from __future__ import annotations

import asyncio
import json
import socket
from collections.abc import AsyncGenerator, Callable, Mapping
from contextlib import aclosing
from typing import Any

from nightrake.control.request import REFUSED, refusal, request_of, unknown_verb
from nightrake.control.server import LINE_LIMIT, Caller, Handler
from nightrake.errors import ControlError
from nightrake.loglibrary import structlog

log = structlog.get_logger("nightrake.control")

AT_ONCE = 64
"""Requests that may be under way; one more is refused."""
SEND_TIMEOUT_S = 20.0
"""Who does not read for this long is given up: what waits for it takes memory here."""

TextStream = Callable[[Caller, Mapping[str, Any]], AsyncGenerator[str, None]]


class Channel:
    """The watch's end of one such connection.

    Args:
        ours: Our end, connected; closed at the end. caller: Who is at the other end, for the verbs.
        verbs: Verb -> coroutine function (caller, args) -> plain result.
        streams: Verb -> async generator function of JSON texts.
    """

    def __init__(
        self, ours: socket.socket, caller: Caller, verbs: Mapping[str, Handler], streams: Mapping[str, TextStream]
    ) -> None:
        self._ours = ours
        self._caller = caller
        self._verbs = verbs
        self._streams = streams
        self._turn = asyncio.Lock()
        self._tasks: set[asyncio.Task[None]] = set()
        self._streaming: dict[str, asyncio.Task[None]] = {}
        self._broken = asyncio.Event()
        self._why = f"did not read what it was told for {SEND_TIMEOUT_S:g} s"
        self._writer: asyncio.StreamWriter

    async def run(self) -> str:
        """Serve until the other end closes it or does not read.

        Returns:
            Why it ended, in words behind the name of whoever is there.
        """
        reader, self._writer = await asyncio.open_unix_connection(sock=self._ours, limit=LINE_LIMIT)
        reading = asyncio.create_task(self._read(reader), name="channel")
        broken = asyncio.create_task(self._broken.wait(), name="channel broken")
        try:
            await asyncio.wait({reading, broken}, return_when=asyncio.FIRST_COMPLETED)
            return reading.result() if reading.done() else self._why
        finally:
            self._writer.transport.abort()
            tasks = [reading, broken, *self._tasks]
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)

    async def _read(self, reader: asyncio.StreamReader) -> str:
        while True:
            try:
                line = await reader.readline()
            except ValueError:
                return f"asked for more than {LINE_LIMIT} bytes at once"
            except OSError:
                line = b""
            if not line:
                return "has closed its channel"
            try:
                verb, args, ref = request_of(line)
            except ControlError as error:
                await self._send(_refused(None, str(error)))
                continue
            if len(self._tasks) >= AT_ONCE:
                await self._send(_refused(ref, f"{AT_ONCE} requests are under way already; try again"))
                continue
            await self._begin(verb, args, ref)
            await asyncio.sleep(0)  # the next may be here already; the scans have their turn

    async def _begin(self, verb: str, args: Mapping[str, Any], ref: Any) -> None:
        before = self._streaming.pop(verb, None)
        if before is not None:
            before.cancel()
            await asyncio.wait({before})
        task = asyncio.create_task(self._answer(verb, args, ref), name=f"channel {verb[:32]}")
        self._tasks.add(task)
        task.add_done_callback(self._done)
        if verb in self._streams:
            self._streaming[verb] = task

    def _done(self, task: asyncio.Task[None]) -> None:
        """A fault of ours ends this channel, and is logged; it must not end more than that."""
        self._tasks.discard(task)
        if not task.cancelled() and (error := task.exception()) is not None:
            log.error("channel_request_failed", request=task.get_name(), error=f"{type(error).__name__}: {error}"[:300])
            self._why = "was asked something that failed here"
            self._broken.set()

    async def _answer(self, verb: str, args: Mapping[str, Any], ref: Any) -> None:
        try:
            if verb in self._streams:
                head = f'{{"ref":{json.dumps(ref)},"ok":true,"more":true,"result":'
                async with aclosing(self._streams[verb](self._caller, args)) as texts:
                    async for text in texts:
                        await self._send(f"{head}{text}}}")
            elif verb in self._verbs:
                result = await self._verbs[verb](self._caller, args)
                await self._send(json.dumps({"ref": ref, "ok": True, "result": result}, separators=(",", ":")))
            else:
                raise unknown_verb(verb, (*self._verbs, *self._streams))
        except REFUSED as error:
            await self._send(_refused(ref, refusal(verb, error)))

    async def _send(self, text: str) -> None:
        """One line; each waits for its turn until those before are on their way, so that nothing gathers here."""
        try:
            async with asyncio.timeout(SEND_TIMEOUT_S), self._turn:
                self._writer.write(text.encode() + b"\n")
                await self._writer.drain()
        except (TimeoutError, OSError):
            self._broken.set()


def _refused(ref: Any, sentence: str) -> str:
    return json.dumps({"ref": ref, "ok": False, "error": sentence}, separators=(",", ":"))
