"""A wire that is cut with the process: a slow TCP proxy, in a process of its own, that can write down events and acks.

usage: wire.py PORT LOG_FILE|- THERE_S BACK_S    prints its own port, serves until it is ended
What one side says reaches the other so much later, as over a slow line. When the watch dies, what has not arrived yet
is lost in both directions: a request does not come true after its sender's death, and an acknowledgement that a dead
watch could not read is not written down as one.

With a log it takes what passes for MQTT and writes a JSON object a line: what = open | sent | acked | cut, conn =
number of the connection; sent and acked with the event's id, seq, event, drive and durable.

Source of the packet shapes: MQTT 3.1.1 and 5.0 (OASIS), 2.1.4, 3.1.2, 3.3.2, 3.4.2.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

CONNECT, PUBLISH, PUBACK = 1, 3, 4
REFUSED = 0x80
"""Reason codes from here on are refusals (MQTT 5)."""


def varint(data: bytes, at: int) -> tuple[int, int] | None:
    """A variable byte integer and the place after it; None while it is not whole."""
    value, shift = 0, 0
    while at < len(data):
        value |= (data[at] & 0x7F) << shift
        shift, at = shift + 7, at + 1
        if not data[at - 1] & 0x80:
            return value, at
    return None


class Packets:
    """Cuts a stream into MQTT packets, however it arrives."""

    def __init__(self) -> None:
        self._held = b""

    def feed(self, data: bytes) -> list[tuple[int, int, bytes]]:
        """Take bytes; gives type, flags and body of each packet that is whole now."""
        self._held += data
        found = []
        while len(self._held) >= 2 and (head := varint(self._held, 1)) is not None:
            length, at = head
            if len(self._held) < at + length:
                break
            found.append((self._held[0] >> 4, self._held[0] & 0x0F, self._held[at : at + length]))
            self._held = self._held[at + length :]
        return found


class Connection:
    """What is known of one connection of the watch."""

    def __init__(self, number: int, log: Any) -> None:
        self._number = number
        self._log = log
        self._five = False
        self._flying: dict[int, dict[str, Any]] = {}
        self._from_watch, self._from_broker = Packets(), Packets()
        self.write("open", {})

    def write(self, what: str, event: dict[str, Any]) -> None:
        """One line of the log, at once."""
        self._log.write(json.dumps({"what": what, "conn": self._number, **event}) + "\n")
        self._log.flush()

    def said(self, data: bytes) -> None:
        """The watch has sent this."""
        for kind, flags, body in self._from_watch.feed(data):
            if kind == CONNECT:
                self._five = body[2 + int.from_bytes(body[:2], "big")] == 5
            elif kind == PUBLISH:
                self._published(flags, body)

    def _published(self, flags: int, body: bytes) -> None:
        at = 2 + int.from_bytes(body[:2], "big")
        topic = body[2:at].decode()
        if not topic.endswith("/events") or not flags & 0x06:
            return
        mid, at = int.from_bytes(body[at : at + 2], "big"), at + 2
        if self._five:
            length, at = varint(body, at) or (0, at)
            at += length
        message = json.loads(body[at:])
        if message["kind"] == "canary":
            return
        event = {key: message[key] for key in ("id", "seq", "event", "drive", "durable")}
        self._flying[mid] = event
        self.write("sent", event)

    def answered(self, data: bytes) -> None:
        """The watch gets this."""
        for kind, _, body in self._from_broker.feed(data):
            event = self._flying.pop(int.from_bytes(body[:2], "big"), None) if kind == PUBACK else None
            if event is not None and not (len(body) > 2 and body[2] >= REFUSED):
                self.write("acked", event)


Look = Callable[[bytes], None]


async def _pump(reader: asyncio.StreamReader, writer: asyncio.StreamWriter, late_s: float, look: Look) -> None:
    """Pass on what comes, late; ends with its source, and what is still on its way is lost."""
    loop = asyncio.get_running_loop()
    under_way: asyncio.Queue[tuple[float, bytes]] = asyncio.Queue(1000)

    async def arrive() -> None:
        while True:
            due_s, data = await under_way.get()
            await asyncio.sleep(max(0.0, due_s - loop.time()))
            look(data)
            writer.write(data)

    arriving = asyncio.ensure_future(arrive())
    try:
        with contextlib.suppress(OSError):
            while data := await reader.read(65536):
                if late_s:
                    await under_way.put((loop.time() + late_s, data))
                else:
                    look(data)
                    writer.write(data)
                    await writer.drain()
    finally:
        arriving.cancel()


def _unseen(data: bytes) -> None:
    """Nothing is written down."""


async def _serve(port: int, log: Any, there_s: float, back_s: float) -> None:
    count = 0

    async def on_client(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal count
        count += 1
        try:
            far_reader, far_writer = await asyncio.open_connection("127.0.0.1", port)
        except OSError:
            writer.transport.abort()
            return
        seen = Connection(count, log) if log else None
        there = asyncio.ensure_future(_pump(reader, far_writer, there_s, seen.said if seen else _unseen))
        back = asyncio.ensure_future(_pump(far_reader, writer, back_s, seen.answered if seen else _unseen))
        await asyncio.wait({back, there}, return_when=asyncio.FIRST_COMPLETED)
        back.cancel()
        there.cancel()
        await asyncio.gather(back, there, return_exceptions=True)
        if seen:
            seen.write("cut", {})
        for side in (writer, far_writer):
            side.close()

    server = await asyncio.start_server(on_client, "127.0.0.1", 0)
    print(server.sockets[0].getsockname()[1], flush=True)
    await asyncio.get_running_loop().create_future()


def main(port: str, log_file: str, there_s: str, back_s: str) -> None:
    """See the module."""
    with contextlib.suppress(KeyboardInterrupt), contextlib.ExitStack() as stack:
        log = None if log_file == "-" else stack.enter_context(Path(log_file).open("a", encoding="utf-8"))
        asyncio.run(_serve(int(port), log, float(there_s), float(back_s)))


if __name__ == "__main__":
    main(*sys.argv[1:])
