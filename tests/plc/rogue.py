"""A Modbus/TCP server that misbehaves on purpose: each way is a small coroutine that gets the request."""

from __future__ import annotations

import asyncio
import struct
from collections.abc import Awaitable, Callable
from typing import NamedTuple


class Request(NamedTuple):
    """One request as it came, with its number from 1 and the connection to answer on."""

    number: int
    transaction: int
    unit: int
    function: int
    address: int
    length: int
    writer: asyncio.StreamWriter


Behaviour = Callable[[Request], Awaitable[None]]


def frame(transaction: int, unit: int, pdu: bytes, protocol: int = 0) -> bytes:
    """A whole frame."""
    return struct.pack(">HHHB", transaction, protocol, len(pdu) + 1, unit) + pdu


def values(request: Request, count: int | None = None, function: int | None = None) -> bytes:
    """A good-looking reply: each register holds its address; each bit is the address's lowest bit."""
    count = request.length if count is None else count
    code = request.function if function is None else function
    if code in (1, 2):
        bits = sum(((request.address + i) & 1) << i for i in range(count))
        size = (count + 7) // 8
        # Pad bits are all ones, as devices do.
        bits |= ((1 << 8 * size) - 1) & ~((1 << count) - 1)
        return bytes((code, size)) + bits.to_bytes(size, "little")
    return bytes((code, 2 * count)) + struct.pack(f">{count}H", *((request.address + i) & 0xFFFF for i in range(count)))


async def honest(request: Request) -> None:
    """Answer as one should."""
    request.writer.write(frame(request.transaction, request.unit, values(request)))


async def silent(request: Request) -> None:
    """Say nothing."""


def exception(code: int) -> Behaviour:
    """Answer with a Modbus exception."""

    async def answer(request: Request) -> None:
        pdu = bytes((request.function | 0x80, code))
        request.writer.write(frame(request.transaction, request.unit, pdu))

    return answer


def altered(
    *, count: int = 0, function: int | None = None, transaction: int | None = None, unit: int = 0, zero: bool = False
) -> Behaviour:
    """Answer with something changed: `count`, `transaction` and `unit` are added to what is right."""

    async def answer(request: Request) -> None:
        number = 0 if zero else (request.transaction + (transaction or 0)) & 0xFFFF
        pdu = values(request, request.length + count, function)
        request.writer.write(frame(number, request.unit + unit, pdu))

    return answer


def raw(data: bytes) -> Behaviour:
    """Answer with these bytes."""

    async def answer(request: Request) -> None:
        request.writer.write(data)

    return answer


async def byte_by_byte(request: Request) -> None:
    """Answer rightly, a byte at a time."""
    for byte in frame(request.transaction, request.unit, values(request)):
        request.writer.write(bytes((byte,)))
        await request.writer.drain()
        await asyncio.sleep(0)


async def reset_in_mid_frame(request: Request) -> None:
    """Send half a frame, then hang up hard."""
    request.writer.write(frame(request.transaction, request.unit, values(request))[:6])
    await request.writer.drain()
    request.writer.transport.abort()


def mapped(*holes: int, most: int = 125) -> Behaviour:
    """Exception 2 when a hole is asked for, 3 for more registers than the device gives."""

    async def answer(request: Request) -> None:
        if any(request.address <= hole < request.address + request.length for hole in holes):
            await exception(2)(request)
        elif request.length > most:
            await exception(3)(request)
        else:
            await honest(request)

    return answer


class Rogue:
    """The server. `behave` may be exchanged at any time.

    Args:
        behave: What to do with each request.
    """

    def __init__(self, behave: Behaviour) -> None:
        self.behave = behave
        self.own_port = self.port = 0
        self.requests: list[Request] = []
        self.connections = 0
        self._writers: set[asyncio.StreamWriter] = set()
        self._server: asyncio.Server | None = None
        self.most_at_once = 0

    async def start(self, port: int = 0) -> None:
        """Listen."""
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", port)
        self.own_port = self._server.sockets[0].getsockname()[1]

    async def stop(self) -> None:
        """Stop listening, hang up everywhere."""
        if self._server is not None:
            self._server.close()
        for writer in list(self._writers):
            writer.transport.abort()
        async with asyncio.timeout(5.0):
            while self._writers:  # noqa: ASYNC110  # the handlers end by themselves, within a turn or two of the loop
                await asyncio.sleep(0.001)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        self._writers.add(writer)
        self.most_at_once = max(self.most_at_once, len(self._writers))
        try:
            while True:
                head = await reader.readexactly(12)
                transaction, _, _, unit, function, address, count = struct.unpack(">HHHBBHH", head)
                request = Request(len(self.requests) + 1, transaction, unit, function, address, count, writer)
                self.requests.append(request)
                await self.behave(request)
        except (asyncio.IncompleteReadError, OSError):
            return
        finally:
            self._writers.discard(writer)
            writer.close()
