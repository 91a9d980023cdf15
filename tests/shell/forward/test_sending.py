"""One write: what a store or a network can do to it, and that nothing of it outlives its time."""

from __future__ import annotations

import asyncio
import gzip
import socket
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

import nightrake
from nightrake.historian.sending import ABANDONED, Sender, StoreTarget, Verdict, retry_after_s
from peers.fakestore import FakeStore, Reply, fake_store, take_all

GOOD = "a value=1.0 1790000000000"


def sender(store: FakeStore, timeout_s: float = 2.0, token: str = "") -> Sender:
    """A sender to a fake store."""
    return Sender(StoreTarget(store.url, "-", "b", timeout_s, token))


def refuse_bad(lines: Sequence[str]) -> Reply:
    """Refuse a batch with a line that begins with 'bad'."""
    return Reply(400, "unable to parse") if any(each.startswith("bad") for each in lines) else Reply()


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("reply", "verdict"),
    [
        (Reply(204), Verdict.TAKEN),
        (Reply(401), Verdict.DENIED),
        (Reply(403), Verdict.DENIED),
        (Reply(404), Verdict.DENIED),
        (Reply(413), Verdict.TOO_LARGE),
        (Reply(429), Verdict.BUSY),
        (Reply(500), Verdict.BUSY),
        (Reply(302, "", (("Location", "http://127.0.0.1:1/"),)), Verdict.BUSY),
    ],
)
async def test_each_answer_has_its_verdict(reply: Reply, verdict: Verdict) -> None:
    """One request for each batch: no hidden repetition, no redirect followed."""
    async with fake_store() as store:
        store.answer = lambda lines: reply
        one = sender(store)
        answer = await one.send([GOOD, GOOD])
        one.close()

    assert answer.verdict is verdict
    assert store.writes == [[GOOD, GOOD]]


@pytest.mark.asyncio
async def test_refused_batch_is_blamed_only_if_a_good_line_is_taken() -> None:
    """400 with a bad line in it is a refusal; a store that takes no line at all does not let us in."""
    async with fake_store() as store:
        one = sender(store)
        store.answer = refuse_bad
        bad = await one.send([GOOD, "bad x=1.0 1"])
        again = await one.send(["bad x=1.0 1"])
        one.close()
        other = sender(store)
        store.answer = lambda lines: Reply(400, "no such database")
        closed = await other.send([GOOD])
        other.close()

    assert (bad.verdict, again.verdict) == (Verdict.REFUSED, Verdict.REFUSED)
    assert len(store.series("nightrake_probe")) == 1
    assert closed.verdict is Verdict.DENIED
    assert "no such database" in closed.text


@pytest.mark.asyncio
async def test_token_goes_along_and_never_shows() -> None:
    """The token is in the request and in no text of ours; one that cannot be sent is said so."""
    async with fake_store() as store:
        one = sender(store, token="s3cret")
        assert (await one.send([GOOD])).verdict is Verdict.TAKEN
        one.close()
        broken = sender(store, token="two\nlines")
        answer = await broken.send([GOOD])
        broken.close()

    assert store.tokens == {"Token s3cret"}
    assert "s3cret" not in repr(StoreTarget("u", "o", "b", 1.0, "s3cret"))
    assert answer.verdict is Verdict.DENIED


@pytest.mark.asyncio
async def test_nobody_there_is_said_at_once() -> None:
    """A refused connection needs no time-out."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        url = f"http://127.0.0.1:{probe.getsockname()[1]}"
    one = Sender(StoreTarget(url, "-", "b", 10.0))
    began = time.monotonic()
    answer = await one.send([GOOD])
    one.close()

    assert answer.verdict is Verdict.UNREACHABLE
    assert "Connection refused" in answer.text
    assert time.monotonic() - began < 2.0


@pytest.mark.asyncio
async def test_silent_store_times_out_and_the_next_write_is_not_behind_it() -> None:
    """A time-out costs one write; after it the same sender works as soon as the store does."""
    async with fake_store() as store:
        store.answer = lambda lines: Reply(0)
        one = sender(store, timeout_s=1.0)
        assert (await one.send([GOOD])).verdict is Verdict.UNREACHABLE
        store.answer = take_all
        assert (await one.send([GOOD])).verdict is Verdict.TAKEN
        one.close()


@pytest.mark.asyncio
async def test_store_that_trickles_is_abandoned() -> None:
    """Bytes that drip restart the client's own time-out each time; ours ends the write, and the next is free."""

    async def drip(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            await reader.readuntil(b"\r\n\r\n")
            writer.write(b"HTTP/1.1 200 OK\r\nContent-Length: 60\r\n\r\n")
            for _ in range(60):
                writer.write(b"x")
                await writer.drain()
                await asyncio.sleep(0.15)
        except OSError:
            pass
        finally:
            writer.close()

    server = await asyncio.start_server(drip, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    one = Sender(StoreTarget(f"http://127.0.0.1:{port}", "-", "b", 0.3))
    began = time.monotonic()
    answers = [await one.send([GOOD]) for _ in range(2)]
    took_s = time.monotonic() - began
    one.close()
    server.close()

    assert {a.verdict for a in answers} == {Verdict.UNREACHABLE}
    assert took_s < 8.0  # each of them would take 9 s if every byte gave it time anew


class Wild:
    """A server that answers each request by a coroutine of the test; `sent` counts the bytes it got rid of."""

    def __init__(self, answer: Callable[[Wild, asyncio.StreamWriter], Awaitable[None]]) -> None:
        self._answer = answer
        self.connections = self.ended = self.sent = 0
        self.url = ""

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """One connection."""
        self.connections += 1
        try:
            while True:
                head = (await reader.readuntil(b"\r\n\r\n")).lower()
                await reader.readexactly(int(head.partition(b"content-length: ")[2].partition(b"\r\n")[0]))
                await self._answer(self, writer)
        except (OSError, asyncio.IncompleteReadError):
            return
        finally:
            self.ended += 1
            writer.close()

    async def put(self, writer: asyncio.StreamWriter, data: bytes) -> None:
        """Send; raises OSError once the other side is gone."""
        writer.write(data)
        await writer.drain()
        self.sent += len(data)


@asynccontextmanager
async def wild(
    answer: Callable[[Wild, asyncio.StreamWriter], Awaitable[None]], timeout_s: float = 3.0
) -> AsyncIterator[tuple[Wild, Sender]]:
    """Such a server, and a sender to it."""
    one = Wild(answer)
    server = await asyncio.start_server(one.serve, "127.0.0.1", 0)
    one.url = f"http://127.0.0.1:{server.sockets[0].getsockname()[1]}"
    it = Sender(StoreTarget(one.url, "-", "b", timeout_s))
    try:
        yield one, it
        it.close()
        async with asyncio.timeout(10.0):
            while one.ended < one.connections:  # noqa: ASYNC110  # the handlers end by themselves
                await asyncio.sleep(0.01)
    finally:
        it.close()
        server.close()


async def endless(it: Wild, writer: asyncio.StreamWriter) -> None:
    """An answer without an end."""
    await it.put(writer, b"HTTP/1.1 500 X\r\n\r\n")
    while True:
        await it.put(writer, b"x" * 65536)


@pytest.mark.asyncio
async def test_answer_without_end_is_read_no_further_than_needed() -> None:
    """Its first words do; then the connection is closed, and nothing piles up here."""
    async with wild(endless) as (it, one):
        answers = [await one.send([GOOD]) for _ in range(3)]

    assert {a.verdict for a in answers} == {Verdict.BUSY}
    assert all(a.text.startswith("the store says 500: xxx") and len(a.text) < 300 for a in answers)
    assert it.sent < 3 * 16_000_000  # what the kernel's buffers took
    assert it.connections == 3


@pytest.mark.asyncio
async def test_packed_answer_is_not_unpacked() -> None:
    """A few kilobytes may unpack to gigabytes."""
    bomb = gzip.compress(bytes(10_000_000), 9)

    async def packed(it: Wild, writer: asyncio.StreamWriter) -> None:
        head = f"HTTP/1.1 500 X\r\nContent-Encoding: gzip\r\nContent-Length: {len(bomb)}\r\n\r\n"
        await it.put(writer, head.encode() + bomb)

    async with wild(packed) as (_, one):
        answer = await one.send([GOOD])

    assert (answer.verdict, answer.text) == (Verdict.BUSY, "the store says 500: (packed as gzip)")


@pytest.mark.asyncio
@pytest.mark.parametrize("start", [b"HTTP/1.1 204 X\r\n", b"HTTP/1.1 100 Continue\r\n\r\nHTTP/1.1 100 Continue\r\n"])
async def test_dripping_head_holds_no_thread_and_no_socket(start: bytes) -> None:
    """Each try is cut off when its time is over: its connection ends at the server, its thread here."""

    async def drip(it: Wild, writer: asyncio.StreamWriter) -> None:
        await it.put(writer, start)
        while True:
            await it.put(writer, b"x: y\r\n")
            await asyncio.sleep(0.05)

    async with wild(drip, 0.3) as (it, one):
        answers = [await one.send([GOOD]) for _ in range(ABANDONED + 2)]

    assert {(a.verdict, "does not answer" in a.text) for a in answers} == {(Verdict.UNREACHABLE, True)}
    assert it.connections == ABANDONED + 2
    # the guards would fail a thread that is left


@pytest.mark.asyncio
async def test_good_answers_use_one_connection() -> None:
    """Reading answers bounded does not cost a connection each."""

    async def good(it: Wild, writer: asyncio.StreamWriter) -> None:
        await it.put(writer, b"HTTP/1.1 204 No Content\r\n\r\n")

    async with wild(good) as (it, one):
        answers = [await one.send([GOOD]) for _ in range(5)]

    assert {a.verdict for a in answers} == {Verdict.TAKEN}
    assert it.connections == 1


@pytest.mark.asyncio
async def test_page_is_no_answer_of_a_store() -> None:
    """A log-in page says 200 to everything; a store says 204, or 200 and nothing."""
    async with fake_store() as store:
        one = sender(store)
        store.answer = lambda lines: Reply(200, "<html>Log in</html>")
        page = await one.send([GOOD])
        store.answer = lambda lines: Reply(200)
        empty = await one.send([GOOD])
        one.close()

    assert page.verdict is Verdict.DENIED
    assert "<html>Log in" in page.text
    assert "check forward.url" in page.text
    assert empty.verdict is Verdict.TAKEN


@pytest.mark.asyncio
async def test_store_to_which_everything_is_too_large_takes_no_line_at_all() -> None:
    """413 to one line: its own size is to blame only if another line is taken."""
    async with fake_store() as store:
        one = sender(store)
        store.answer = lambda lines: Reply(413)
        nothing = await one.send([GOOD])
        batch = await one.send([GOOD, GOOD])
        store.answer = lambda lines: Reply(413) if lines == [GOOD] else Reply()
        large = [(await one.send([GOOD])).verdict for _ in range(2)]
        store.answer = lambda lines: Reply(413)
        then = [(await one.send([GOOD])).verdict for _ in range(4)]
        one.close()

    assert nothing.verdict is Verdict.DENIED
    assert "no line at all" in nothing.text
    assert batch.verdict is Verdict.TOO_LARGE
    assert set(large) == {Verdict.TOO_LARGE}
    assert then[-1] is Verdict.DENIED


def test_process_ends_while_a_write_hangs() -> None:
    """A stop is not held up by a store that never answers, whatever its time-out."""
    program = """
import asyncio, socket
from nightrake.historian.sending import ABANDONED, Sender, StoreTarget

hole = socket.socket()
hole.bind(("127.0.0.1", 0))
hole.listen()

async def main():
    sender = Sender(StoreTarget(f"http://127.0.0.1:{hole.getsockname()[1]}", "-", "b", 300.0))
    task = asyncio.create_task(sender.send(["a value=1.0 1"]))
    await asyncio.to_thread(hole.accept)
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    sender.close()

asyncio.run(main())
"""
    service = str(Path(nightrake.__file__).parents[1])
    done = subprocess.run(
        [sys.executable, "-c", program], env={"PYTHONPATH": service}, timeout=15.0, capture_output=True, check=False
    )

    assert done.returncode == 0, done.stderr.decode()


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("7", 7.0),
        ("100000", 300.0),
        ("Mon, 21 Sep 2026 14:13:30 GMT", 10.0),
        ("Mon, 21 Sep 2020 14:13:30 GMT", 0.0),
        ("", 0.0),
        ("soon", 0.0),
        ("9" * 400, 300.0),
        ("\u00b2", 0.0),
        ("Mon, 21 Sep 99999999999999999999 14:13:30 GMT", 0.0),
        ("-5", 0.0),
    ],
)
def test_retry_after_is_seconds_or_a_date(text: str, expected: float) -> None:
    """RFC 9110: either form; nonsense and the past mean no wait; nobody makes us wait for ever."""
    assert retry_after_s(text, 1_790_000_000.0) == expected
