"""One write: what a store or a network can do to it, and that nothing of it outlives its time."""

from __future__ import annotations

import asyncio
import socket
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

import pytest

import nightrake
from nightrake.historian.sending import Sender, StoreTarget, Verdict, retry_after_s
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
        one = sender(store, timeout_s=0.4)
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
            writer.write(b"HTTP/1.1 200 OK\r\nContent-Length: 12\r\n\r\n")
            for _ in range(12):
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
    assert took_s < 2.0


def test_process_ends_while_a_write_hangs() -> None:
    """A stop is not held up by a store that never answers, whatever its time-out."""
    program = """
import asyncio, socket
from nightrake.historian.sending import Sender, StoreTarget

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
        ("-5", 0.0),
    ],
)
def test_retry_after_is_seconds_or_a_date(text: str, expected: float) -> None:
    """RFC 9110: either form; nonsense and the past mean no wait; nobody makes us wait for ever."""
    assert retry_after_s(text, 1_790_000_000.0) == expected
