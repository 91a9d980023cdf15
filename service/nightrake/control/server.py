"""The watch's end of the control socket: one JSON object a line, each request answered.

Request: ``{"verb": "status", "args": {...}, "ref": "..."}``. Reply: ``{"ref": ..., "ok": true, "result": ...}`` or
``{"ref": ..., "ok": false, "error": "one sentence"}``. A verb that streams sends replies with ``"more": true`` until
the client hangs up. The socket is for this machine's users only: mode 0660.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import pwd
import socket
import struct
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from pathlib import Path
from typing import Any, NamedTuple

from nightrake.errors import ControlError, NightrakeError

LINE_LIMIT = 64 * 1024
"""Bytes of one request at most; a longer one ends the connection."""
CLIENTS = 32
"""Connections at once at most; one more is turned away with a sentence."""
SEND_TIMEOUT_S = 5.0
"""A client that does not read for this long is dropped, so that it cannot make the watch wait."""


class Caller(NamedTuple):
    """Who is at the other end, as the kernel says."""

    actor: str
    uid: int


Handler = Callable[[Caller, Mapping[str, Any]], Awaitable[Any]]
Streamer = Callable[[Caller, Mapping[str, Any]], AsyncIterator[Any]]


class ControlServer:
    """Serves verbs on a Unix socket until cancelled.

    Args:
        path: Where the socket is made; one left over from a killed watch is replaced.
        verbs: Verb -> coroutine function (caller, args) -> plain result.
        streams: Verb -> async generator function of plain results.
    """

    def __init__(self, path: Path, verbs: Mapping[str, Handler], streams: Mapping[str, Streamer]) -> None:
        self._path = path
        self._verbs = verbs
        self._streams = streams
        self._clients: set[asyncio.Task[None]] = set()

    async def run(self, ready: asyncio.Event | None = None) -> None:
        """Listen, serve, and remove the socket at the end."""
        if len(os.fsencode(self._path)) > 100:
            raise ControlError(f"{self._path}: the path of a Unix socket may have 100 characters; choose a shorter one")
        self._path.parent.mkdir(parents=True, exist_ok=True)
        with contextlib.suppress(FileNotFoundError):
            self._path.unlink()
        server = await asyncio.start_unix_server(self._accept, path=self._path, limit=LINE_LIMIT)
        self._path.chmod(0o660)
        try:
            if ready is not None:
                ready.set()
            await asyncio.get_running_loop().create_future()
        finally:
            server.close()
            for task in list(self._clients):
                task.cancel()
            await asyncio.gather(*self._clients, return_exceptions=True)
            with contextlib.suppress(FileNotFoundError):
                self._path.unlink()

    async def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        if len(self._clients) >= CLIENTS:
            with contextlib.suppress(OSError, TimeoutError, ValueError):
                async with asyncio.timeout(1.0):
                    await reader.readline()  # closing with unread bytes would take our sentence with it
                await _send(
                    writer, {"ok": False, "error": f"{CLIENTS} control connections are open already; try again"}
                )
            writer.close()
            return
        self._clients.add(task)
        try:
            await self._serve(reader, writer)
        except (OSError, TimeoutError, asyncio.CancelledError):
            # Cancelled only when the server stops or the handler task is dropped; the connection ends either way.
            pass
        finally:
            self._clients.discard(task)
            writer.close()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        caller = _caller(writer)
        while True:
            try:
                line = await reader.readline()
            except ValueError:
                await _send(
                    writer, {"ok": False, "error": f"a request may have {LINE_LIMIT} bytes; this one is longer"}
                )
                return
            if not line:
                return
            await self._answer(caller, line, writer)

    async def _answer(self, caller: Caller, line: bytes, writer: asyncio.StreamWriter) -> None:
        try:
            request = json.loads(line)
            verb, args, ref = str(request["verb"]), dict(request.get("args") or {}), request.get("ref")
        except (ValueError, TypeError, KeyError, RecursionError):
            error = 'a request is one line of JSON such as {"verb": "status"}'
            await _send(writer, {"ok": False, "error": error})
            return
        try:
            if verb in self._streams:
                async for result in self._streams[verb](caller, args):
                    await _send(writer, {"ref": ref, "ok": True, "more": True, "result": result})
            elif verb in self._verbs:
                await _send(writer, {"ref": ref, "ok": True, "result": await self._verbs[verb](caller, args)})
            else:
                known = ", ".join(sorted({*self._verbs, *self._streams}))
                await _send(writer, {"ref": ref, "ok": False, "error": f"unknown verb '{verb[:32]}'; known: {known}"})
        except NightrakeError as error:
            await _send(writer, {"ref": ref, "ok": False, "error": str(error)})
        except (ValueError, TypeError, KeyError) as error:
            text = f"'{verb[:32]}' was asked with wrong arguments: {type(error).__name__} {str(error)[:200]}"
            await _send(writer, {"ref": ref, "ok": False, "error": text})


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
