"""Raw requests: slow, endless, smuggled, piled up. Times pass by the clock that the door is given."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from nightrake.page.connection import CLOSING_S, LONGEST_UNREAD, REQUEST_S, STALLED_S, Connection
from nightrake.page.door import Door, listen
from nightrake.page.head import LONGEST
from nightrake.page.shields import Receive, Scope, Send
from pagewatch import Hands, Served, serving, until

GET = b"GET /api/v1/session HTTP/1.1\r\nHost: localhost\r\n\r\n"
POST = b"POST /csp HTTP/1.1\r\nHost: localhost\r\nContent-Length: 1000\r\n\r\n"


@contextlib.asynccontextmanager
async def served(tmp_path: Path, port: int) -> AsyncIterator[tuple[Served, Hands]]:
    """A page whose clock the test moves."""
    hands = Hands()
    async with serving(tmp_path, port, hands=hands) as page:
        yield page, hands


@contextlib.asynccontextmanager
async def raw(port: int) -> AsyncIterator[tuple[asyncio.StreamReader, asyncio.StreamWriter]]:
    """A connection that sends what it likes."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    try:
        yield reader, writer
    finally:
        writer.close()
        with contextlib.suppress(OSError):
            await writer.wait_closed()


async def ended(reader: asyncio.StreamReader) -> bytes:
    """Everything until the server closes."""
    async with asyncio.timeout(5.0):
        with contextlib.suppress(ConnectionError):
            return await reader.read()
    return b""


@pytest.mark.asyncio
@pytest.mark.parametrize("sent", [b"", b"GET / HT", GET[:-2], POST, POST + b"x" * 999], ids=lambda s: f"{len(s)} bytes")
async def test_a_request_that_does_not_come_is_cut(tmp_path: Path, free_port: int, sent: bytes) -> None:
    """Slow requests: whether nothing, half a head or half a body is here after ten seconds, it ends with 408."""
    async with served(tmp_path, free_port) as (page, hands), raw(page.port) as (reader, writer):
        writer.write(sent)
        await writer.drain()
        async with page.client() as client:  # what was sent has been read by then
            await client.get("/api/v1/session")
        hands.forward(REQUEST_S + 0.1)
        answer = await ended(reader)

    assert answer.startswith(b"HTTP/1.1 408 ")
    assert answer.endswith(b"the request was not complete within 10 s\n")


@pytest.mark.asyncio
async def test_drip_by_drip_wins_no_time(tmp_path: Path, free_port: int) -> None:
    """A byte each second does not put the end off: the time counts from the first."""
    async with served(tmp_path, free_port) as (page, hands), raw(page.port) as (reader, writer):
        for byte in b"GET /aaaa":
            writer.write(bytes([byte]))
            await writer.drain()
            hands.forward(1.0)
        hands.forward(1.5)
        answer = await ended(reader)

    assert answer.startswith(b"HTTP/1.1 408 ")


@pytest.mark.asyncio
async def test_a_stream_that_listens_is_not_cut(tmp_path: Path, free_port: int) -> None:
    """A complete request has all the time that its answer takes."""
    async with served(tmp_path, free_port) as (page, hands), raw(page.port) as (reader, writer):
        writer.write(GET.replace(b"/api/v1/session", b"/live"))
        await reader.readuntil(b"event: service")
        hands.forward(3600.0)
        page.watch.say({"alarms": [{"alarm": "late", "drive": "PC1"}]})
        told = await reader.readuntil(b"late")

    assert b"alarms" in told


@pytest.mark.asyncio
@pytest.mark.parametrize("end", [b"", b"\r\n\r\n"])
async def test_headers_are_bounded(tmp_path: Path, free_port: int, end: bytes) -> None:
    """Too long is 431, complete or not, and nothing more is read."""
    async with served(tmp_path, free_port) as (page, _), raw(page.port) as (reader, writer):
        writer.write(GET[:-2] + b"X: " + b"y" * LONGEST + end)
        answer = await ended(reader)

    assert answer.startswith(b"HTTP/1.1 431 ")


@pytest.mark.asyncio
async def test_smuggled_request_is_never_answered(tmp_path: Path, free_port: int) -> None:
    """Two lengths in one head: one refusal, the end, and the request hidden in the body is read by nobody."""
    hidden = b"GET /help HTTP/1.1\r\nHost: localhost\r\n\r\n"
    head = b"POST /csp HTTP/1.1\r\nHost: localhost\r\nContent-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\n"
    async with served(tmp_path, free_port) as (page, _), raw(page.port) as (reader, writer):
        writer.write(head + b"0\r\n\r\n" + hidden)
        answer = await ended(reader)

    assert answer.startswith(b"HTTP/1.1 400 ")
    assert answer.count(b"HTTP/1.1") == 1


@pytest.mark.asyncio
@pytest.mark.parametrize("pieces", [(GET + GET + GET,), (GET, GET)], ids=["at once", "one after the other"])
async def test_requests_before_the_answer_are_dropped(
    tmp_path: Path, free_port: int, pieces: tuple[bytes, ...]
) -> None:
    """No browser pipelines; so a second head on the heels of the first is not trusted, and the connection ends."""
    async with served(tmp_path, free_port) as (page, _), raw(page.port) as (reader, writer):
        slow = b"POST /csp HTTP/1.1\r\nHost: localhost\r\nContent-Length: 2\r\n\r\n{}"
        writer.write(slow + b"".join(pieces))
        answer = await ended(reader)

    assert answer.count(b"HTTP/1.1 ") == 1


@pytest.mark.asyncio
async def test_a_connection_serves_one_request_after_another(tmp_path: Path, free_port: int) -> None:
    """Keep-alive works as ever, also after a head that came in two pieces."""
    async with served(tmp_path, free_port) as (page, hands), raw(page.port) as (reader, writer):
        for _ in range(5):
            writer.write(GET[:30])
            await writer.drain()
            await asyncio.sleep(0)
            writer.write(GET[30:])
            head = await reader.readuntil(b"\r\n\r\n")
            length = int(head.lower().partition(b"content-length: ")[2].partition(b"\r\n")[0])
            await reader.readexactly(length)
            hands.forward(REQUEST_S - 1)

    assert head.startswith(b"HTTP/1.1 200 ")


@pytest.mark.asyncio
async def test_a_body_without_end_is_cut_after_its_refusal(tmp_path: Path, free_port: int) -> None:
    """What follows a refused body is read for a while and no longer."""
    head = b"POST /csp HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: chunked\r\n\r\n"
    chunk = b"10000\r\n" + b"x" * 0x10000 + b"\r\n"
    async with served(tmp_path, free_port) as (page, _hands), raw(page.port) as (_reader, writer):
        writer.write(head)
        sent = 0
        async with asyncio.timeout(10.0):
            with contextlib.suppress(ConnectionError):
                while sent < 400 * len(chunk):
                    writer.write(chunk)
                    await writer.drain()
                    sent += len(chunk)
        async with page.client() as client:
            after = await client.get("/api/v1/session")

    assert LONGEST_UNREAD < sent < 400 * len(chunk)
    assert after.status_code == 200


async def long_answer(scope: Scope, receive: Receive, send: Send) -> None:
    """An application that has a great deal to say."""
    await send({"type": "http.response.start", "status": 200, "headers": []})
    for _ in range(10_000):
        await send({"type": "http.response.body", "body": b"x" * 65536, "more_body": True})


@pytest.mark.asyncio
async def test_a_reader_that_takes_nothing_is_cut(free_port: int) -> None:
    """Slow reading: the server holds one buffer of it, and ends it after half a minute."""
    hands = Hands()
    door = Door(long_answer, listen("127.0.0.1", free_port), None, lambda: hands.mono_s)
    work = asyncio.create_task(door.run())
    _, writer = await asyncio.open_connection("127.0.0.1", free_port, limit=1024)
    try:
        writer.write(GET)
        await until(lambda: any(c._stalled_since_s is not None for c in connections(door)))
        hands.forward(STALLED_S + 1)
        await until(lambda: door.count == 0)
    finally:
        writer.transport.abort()
        work.cancel()
        await asyncio.gather(work, return_exceptions=True)


def connections(door: Door) -> list[Connection]:
    """Those that are open."""
    return [g.connection for g in door._guests if g.connection is not None]


async def short_answer(scope: Scope, receive: Receive, send: Send) -> None:
    """An application that says yes."""
    await send({"type": "http.response.start", "status": 204, "headers": []})
    await send({"type": "http.response.body", "body": b""})


@pytest.mark.asyncio
async def test_connections_are_bounded_and_idle_ones_make_room(free_port: int) -> None:
    """Whoever holds all places with nothing in them loses one to each newcomer; nobody else is kept out."""
    door = Door(short_answer, listen("127.0.0.1", free_port), None, most=10)
    work = asyncio.create_task(door.run())
    hogs = [await asyncio.open_connection("127.0.0.1", free_port) for _ in range(30)]
    try:
        reader, writer = await asyncio.open_connection("127.0.0.1", free_port)
        writer.write(GET)
        head = await reader.readuntil(b"\r\n\r\n")
        assert door.count <= 10
        writer.close()
    finally:
        for _, hog in hogs:
            hog.transport.abort()
        work.cancel()
        await asyncio.gather(work, return_exceptions=True)

    assert head.startswith(b"HTTP/1.1 204 ")


async def no_answer(scope: Scope, receive: Receive, send: Send) -> None:
    """An application that is busy for good."""
    await asyncio.Event().wait()


@pytest.mark.asyncio
async def test_when_all_are_busy_one_sentence_turns_away(free_port: int) -> None:
    """A newcomer is told to try again; who is being served is left alone."""
    door = Door(no_answer, listen("127.0.0.1", free_port), None, most=3)
    work = asyncio.create_task(door.run())
    busy = [await asyncio.open_connection("127.0.0.1", free_port) for _ in range(3)]
    try:
        for _, writer in busy:
            writer.write(GET)
        await until(lambda: len(connections(door)) == 3 and not any(c.is_idle for c in connections(door)))
        reader, writer = await asyncio.open_connection("127.0.0.1", free_port)
        answer = await ended(reader)
        writer.close()
        assert door.count == 3
    finally:
        for _, writer in busy:
            writer.transport.abort()
        work.cancel()
        await asyncio.gather(work, return_exceptions=True)

    assert answer.startswith(b"HTTP/1.1 503 ")
    assert answer.endswith(b"try again in a few seconds\n")


@pytest.mark.asyncio
async def test_one_address_that_keeps_every_place_busy_makes_room(free_port: int) -> None:
    """Bodies that come slowly are never idle: all the same, whoever comes from elsewhere is let in."""

    async def reads_first(scope: Scope, receive: Receive, send: Send) -> None:
        while scope["method"] == "POST" and (await receive())["type"] != "http.disconnect":
            pass
        await short_answer(scope, receive, send)

    door = Door(reads_first, listen("127.0.0.1", free_port), None, most=9)
    work = asyncio.create_task(door.run())
    slow = b"POST / HTTP/1.1\r\nHost: localhost\r\nContent-Length: 9\r\n\r\nx"
    hogs = [await asyncio.open_connection("127.0.0.1", free_port, local_addr=("127.0.0.9", 0)) for _ in range(9)]
    try:
        for _, writer in hogs:
            writer.write(slow)
        await until(lambda: len(connections(door)) == 9 and not any(c.is_idle for c in connections(door)))
        reader, writer = await asyncio.open_connection("127.0.0.1", free_port, local_addr=("127.0.0.5", 0))
        writer.write(GET)
        head = await reader.readuntil(b"\r\n\r\n")
        assert door.count <= 9
        writer.close()
    finally:
        for _, hog in hogs:
            hog.transport.abort()
        work.cancel()
        await asyncio.gather(work, return_exceptions=True)

    assert head.startswith(b"HTTP/1.1 204 ")


@pytest.mark.asyncio
async def test_a_closed_connection_that_never_drains_is_given_up(free_port: int) -> None:
    """A peer that keeps the last words in the pipe holds its place for seconds only."""
    hands = Hands()

    async def last_words(scope: Scope, receive: Receive, send: Send) -> None:
        await send({"type": "http.response.start", "status": 200, "headers": [(b"connection", b"close")]})
        await send({"type": "http.response.body", "body": b"x" * 8_000_000})

    door = Door(last_words, listen("127.0.0.1", free_port), None, lambda: hands.mono_s)
    work = asyncio.create_task(door.run())
    sock = socket.socket()
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    sock.setblocking(False)
    try:
        await asyncio.get_running_loop().sock_connect(sock, ("127.0.0.1", free_port))
        await asyncio.get_running_loop().sock_sendall(sock, GET)
        await until(lambda: any(c.transport is not None and c.transport.is_closing() for c in connections(door)))
        door.look_at_time()
        hands.forward(CLOSING_S + 1)
        await until(lambda: door.count == 0)
    finally:
        sock.close()
        work.cancel()
        await asyncio.gather(work, return_exceptions=True)
