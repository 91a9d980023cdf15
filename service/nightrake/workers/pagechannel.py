"""The page's end of its private channel to the watch: requests matched by their number, and the stream of the scene.

One JSON object a line, answered out of order. The channel ends with either process, and is never made anew.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import socket
import time
from collections.abc import Callable, Mapping
from typing import Any

from nightrake.errors import ControlError
from nightrake.page.folders import Folders

LINE_LIMIT = 64 * 1024 * 1024
"""Bytes of one message of the watch: the picture of a large site is one line."""
HALVES = (b"\\ud", b"\\uD")
UNDER_WAY = 48
"""Requests at once; the watch takes 64."""
COMMAND_S = 20.0
ANSWER_S = 3.0
"""Of these for a command that is carried out to be told so: later the watch does not begin with it any more."""
NOTE_S = 3.0
ASK_S = 5.0
AWAY = "the watch is away; nothing can be asked of it until it is back"


class Channel:
    """The connection; `ports.Watch` for the page.

    Args:
        sock: Connected to the watch. folders: Of the machine, taken out of whatever the watch says; None = nothing is.
    """

    def __init__(self, sock: socket.socket, folders: Folders | None = None) -> None:
        self._sock, self._folders = sock, folders
        self._writer: asyncio.StreamWriter | None = None
        self._waiting: dict[int, asyncio.Future[Any]] = {}
        self._number, self._scene = 0, 0
        self._room = asyncio.Semaphore(UNDER_WAY)

    async def run(self, heard: Callable[[Mapping[str, Any]], None], ready: Callable[[], None]) -> None:
        """Read until the watch hangs up.

        Args:
            heard: Takes each message of the scene, in order. ready: Called once requests may be sent.
        """
        reader, self._writer = await asyncio.open_unix_connection(sock=self._sock, limit=LINE_LIMIT)
        try:
            ready()
            while line := await reader.readline():
                self._take(read(self._folders.without_in(line) if self._folders is not None else line), heard)
        except (OSError, ValueError):
            pass  # broken off, or not what the watch says: either way it is the end of the channel
        finally:
            writer, self._writer = self._writer, None
            writer.close()
            for future in self._waiting.values():
                if not future.done():
                    future.set_exception(ControlError(AWAY, nobody=True))

    def _take(self, reply: Mapping[str, Any], heard: Callable[[Mapping[str, Any]], None]) -> None:
        ref = reply.get("ref")
        if reply.get("more"):
            if ref == self._scene:  # else it is the tail of a stream that was asked anew
                heard(reply["result"])
            return
        future = self._waiting.get(ref) if isinstance(ref, int) else None
        if future is None or future.done():
            return
        if reply.get("ok"):
            future.set_result(reply.get("result"))
        else:
            future.set_exception(ControlError(str(reply.get("error", "refused without a reason"))))

    def ask_scene(self, whole: bool) -> None:
        """Ask for the scene anew: all of it, or the heartbeat only. What the former stream still says is dropped."""
        self._number += 1
        self._scene = self._number
        with contextlib.suppress(ControlError):  # away: then there is no scene
            self._send("scene", {"whole": whole}, self._number)

    async def ask(self, verb: str, timeout_s: float, **args: Any) -> Any:
        """Send one request and give its result.

        Raises:
            ControlError: The watch refused, with its own sentence; or it is away, or silent (`nobody`).
        """
        try:
            async with asyncio.timeout(timeout_s), self._room:
                return await self._answer_to(verb, args)
        except TimeoutError as error:
            text = f"the watch did not answer within {timeout_s:.0f} s; look at the page before you try again"
            raise ControlError(text, nobody=True) from error

    async def _answer_to(self, verb: str, args: Mapping[str, Any]) -> Any:
        self._number += 1
        number, future = self._number, asyncio.get_running_loop().create_future()
        self._waiting[number] = future
        try:
            self._send(verb, args, number)
            return await future
        finally:
            del self._waiting[number]

    def _send(self, verb: str, args: Mapping[str, Any], number: int) -> None:
        if self._writer is None or self._writer.is_closing():
            raise ControlError(AWAY, nobody=True)
        self._writer.write(json.dumps({"verb": verb, "args": args, "ref": number}).encode() + b"\n")

    # --- ports.Watch ---

    async def command(
        self, person: str, what: str, drive: str, direction: str, args: Mapping[str, Any]
    ) -> dict[str, Any]:
        """Put one command through the walk, soon or never: whoever asked does not wait for ever."""
        until_ns = time.clock_gettime_ns(time.CLOCK_BOOTTIME) + round((COMMAND_S - ANSWER_S) * 1e9)
        given: dict[str, Any] = {"person": person, "what": what, "drive": drive, "direction": direction}
        given |= {"args": dict(args), "until_boottime_ns": until_ns}
        return dict(await self.ask("person_command", COMMAND_S, **given))

    async def note(self, event: str, person: str, data: Mapping[str, Any]) -> None:
        """A row of the journal about sessions."""
        await self.ask("person_note", NOTE_S, event=event, person=person, data=dict(data))

    async def lockout(self, drive: str) -> dict[str, Any]:
        """A drive's lockout."""
        return dict(await self.ask("lockout", ASK_S, drive=drive))


def read(line: bytes) -> Any:
    """A message of the watch; half of a pair of UTF-16 is no character, and no page could be sent with it."""
    told = json.loads(line)
    if any(half in line for half in HALVES):
        told = json.loads(json.dumps(told, ensure_ascii=False).encode(errors="replace"))
    return told
