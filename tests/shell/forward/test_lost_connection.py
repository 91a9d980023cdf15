"""A store that is killed and back before the next write: no write fails, and what it forgot is sent again anyway."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from nightrake.historian.line import SINGLES
from nightrake.historian.sending import Sender, StoreTarget, Verdict
from peers.fakestore import fake_store
from peers.victoria import Victoria
from shell.forward.plantless import site, until
from shell.forward.test_forwarding import GOOD, count

SAMPLES = "nightrake_drive,"


@pytest.mark.asyncio
@pytest.mark.timeout(90)
async def test_ten_deaths_that_no_write_notices_lose_nothing(victoria: Victoria, tmp_path: Path) -> None:
    """kill -9 and a new start between two writes, ten times: every sample is there, once."""
    async with site(tmp_path, victoria.url) as at, at.forwarded() as forwarding:
        expected = at.scans(5)
        await until(lambda: forwarding.status()["lag_rows"] == 0)
        for _ in range(10):
            await asyncio.to_thread(victoria.kill)
            await asyncio.to_thread(victoria.start)
            before = forwarding.status()["lines"]
            expected += at.scans(5)
            await until(lambda before=before: forwarding.status()["lines"] > before)  # type: ignore[misc]
            await until(lambda: forwarding.status()["lag_rows"] == 0)
        found = await asyncio.to_thread(victoria.export_until, GOOD, expected)

    assert count(found) == expected
    assert all(len({ms for ms, _ in pairs}) == len(pairs) for pairs in found.values())


@asynccontextmanager
async def served(answer: bytes, *, stays: bool) -> AsyncIterator[tuple[str, list[asyncio.StreamWriter]]]:
    """A peer that gives one answer to everything, and then closes or stays; its address, and its connections."""
    connections: list[asyncio.StreamWriter] = []

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        connections.append(writer)
        try:
            while True:
                head = await reader.readuntil(b"\r\n\r\n")
                size = next(int(h.split(b":")[1]) for h in head.split(b"\r\n") if h.lower().startswith(b"content-len"))
                await reader.readexactly(size)
                writer.write(answer)
                await writer.drain()
                if not stays:
                    break
        except (OSError, asyncio.IncompleteReadError):
            pass
        finally:
            writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    try:
        yield f"http://127.0.0.1:{server.sockets[0].getsockname()[1]}", connections
    finally:
        server.close()
        for writer in connections:
            writer.close()
        await server.wait_closed()


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("answer", "flagged"),
    [
        (b"HTTP/1.1 204 No Content\r\nConnection: close\r\n\r\n", 0),
        (b"HTTP/1.0 204 No Content\r\n\r\n", 0),
        (b"HTTP/1.1 204 No Content\r\n\r\n", SINGLES - 1),
    ],
)
async def test_peer_that_closes_after_each_answer_is_no_loss(answer: bytes, flagged: int) -> None:
    """It says so, or speaks HTTP/1.0; where it does not say so, that is learned after a few times."""
    async with served(answer, stays=False) as (url, connections):
        sender = Sender(StoreTarget(url, "-", "b", 2.0))
        answers = []
        for number in range(8):
            answers.append(await sender.send(["a b=1.0 1"]))
            await until(lambda number=number: len(connections) > number and connections[-1].is_closing())  # type: ignore[misc]
            await asyncio.sleep(0)
        sender.close()

    assert [answer.verdict for answer in answers] == [Verdict.TAKEN] * 8
    assert sum(answer.lost for answer in answers) == flagged


@pytest.mark.asyncio
async def test_connection_that_was_cut_between_two_writes_is_seen() -> None:
    """The write after it goes through on a new one, and says that the one before was lost; the first does not."""
    async with served(b"HTTP/1.1 204 No Content\r\n\r\n", stays=True) as (url, connections):
        sender = Sender(StoreTarget(url, "-", "b", 2.0))
        lost = [(await sender.send(["a b=1.0 1"])).lost for _ in range(3)]
        connections[0].transport.abort()
        await asyncio.sleep(0.05)
        lost += [(await sender.send(["a b=1.0 1"])).lost for _ in range(3)]
        sender.close()

    assert lost == [False, False, False, True, False, False]


@pytest.mark.asyncio
async def test_restart_of_the_forwarding_by_other_settings_sends_the_last_seconds_again(tmp_path: Path) -> None:
    """A connection ends there, and nobody sees how."""
    async with fake_store() as store, site(tmp_path, store.url) as at, at.forwarded() as forwarding:
        at.scans(5)
        await until(lambda: forwarding.status()["lag_rows"] == 0)
        first = len(store.series(SAMPLES))
        forwarding.settings_changed(at.settings)
        await until(lambda: len(store.series(SAMPLES)) == 2 * first)

    assert len(set(store.series(SAMPLES))) == first
