"""The control socket: one JSON object a line, every request answered, bad ones refused in a sentence."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from nightrake.control import server as server_module
from nightrake.control.client import ControlClient
from nightrake.control.server import CLIENTS, Caller, ControlServer, Handler
from nightrake.errors import ControlError


async def echo(caller: Caller, args: Mapping[str, Any]) -> Any:
    """Give back who asked and what."""
    return {"uid": caller.uid, **args}


async def refuse(caller: Caller, args: Mapping[str, Any]) -> Any:
    """Refuse in a sentence."""
    raise ControlError("not today: the door is closed")


async def clumsy(caller: Caller, args: Mapping[str, Any]) -> Any:
    """Needs an argument."""
    return int(args["number"])


@asynccontextmanager
async def served(path: Path, **more: Handler) -> AsyncIterator[Path]:
    """A server that runs within the block."""
    ready = asyncio.Event()
    server = ControlServer(path, {"echo": echo, "refuse": refuse, "clumsy": clumsy, **more}, {})
    task = asyncio.create_task(server.run(ready))
    await ready.wait()
    try:
        yield path
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


async def say(path: Path, data: bytes) -> list[dict[str, Any]]:
    """Send raw bytes, hang up the sending side, give all replies."""
    reader, writer = await asyncio.open_unix_connection(path)
    writer.write(data)
    writer.write_eof()
    replies = [json.loads(line) for line in (await reader.read()).splitlines()]
    writer.close()
    return replies


@pytest.mark.asyncio
async def test_request_is_answered_and_the_caller_is_the_kernels_word(tmp_path: Path) -> None:
    """Who asks is not what the client says."""
    async with served(tmp_path / "c") as path:

        def ask() -> Any:
            with ControlClient(path) as client:
                return client.ask("echo", uid=99, word="x")

        import os

        assert await asyncio.to_thread(ask) == {"uid": 99, "word": "x"} | {"uid": 99}
        (reply,) = await say(path, b'{"verb": "echo", "ref": 7}\n')
        assert reply == {"ref": 7, "ok": True, "result": {"uid": os.getuid()}}
    assert not (tmp_path / "c").exists()


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("request_line", "words"),
    [
        (b"nonsense\n", "one line of JSON"),
        (b"[1, 2]\n", "one line of JSON"),
        (b"[" * 20_000 + b"\n", "one line of JSON"),
        (b'{"verb": "open"}\n', "unknown verb 'open'; known: clumsy, echo, refuse"),
        (b'{"verb": "refuse"}\n', "not today"),
        (b'{"verb": "clumsy"}\n', "wrong arguments"),
        (b'{"verb": "clumsy", "args": {"number": "x"}}\n', "wrong arguments"),
        (b'{"verb": "clumsy", "args": {"number": Infinity}}\n', "wrong arguments"),
        (b'{"verb": "clumsy", "args": {"number": 1e999}}\n', "wrong arguments"),
        (b"x" * 100_000 + b"\n", "this one is longer"),
        (b"\xff\xfe\n", "one line of JSON"),
    ],
)
async def test_bad_request_is_refused_in_a_sentence(tmp_path: Path, request_line: bytes, words: str) -> None:
    """Whatever comes in, the server goes on and the sentence says what is wrong."""
    async with served(tmp_path / "c") as path:
        replies = await say(path, request_line)
        assert words in replies[0]["error"]
        assert (await say(path, b'{"verb": "echo"}\n'))[0]["ok"]


@pytest.mark.asyncio
async def test_more_connections_than_can_be_served_are_turned_away(tmp_path: Path) -> None:
    """While all of them are being served one more is told so."""
    go, all_at_it = asyncio.Event(), asyncio.Barrier(CLIENTS + 1)

    async def wait(caller: Caller, args: Mapping[str, Any]) -> Any:
        await all_at_it.wait()
        await go.wait()

    async with served(tmp_path / "c", wait=wait) as path:
        held = [await asyncio.open_unix_connection(path) for _ in range(CLIENTS)]
        for _, writer in held:
            writer.write(b'{"verb": "wait"}\n')
        await all_at_it.wait()
        (reply,) = await say(path, b'{"verb": "echo"}\n')
        go.set()
        assert all([b'"ok":true' in await reader.readline() for reader, _ in held])
        for _, writer in held:
            writer.close()

    assert "busy already" in reply["error"]


@pytest.mark.asyncio
async def test_client_that_asks_without_end_holds_up_nobody(tmp_path: Path) -> None:
    """Two thousand requests at once: another client is answered among the first of them."""
    asked = 0

    async def count(caller: Caller, args: Mapping[str, Any]) -> Any:
        nonlocal asked
        asked += 1

    async def how_many(caller: Caller, args: Mapping[str, Any]) -> Any:
        return asked

    async with served(tmp_path / "c", count=count, how_many=how_many) as path:
        reader, writer = await asyncio.open_unix_connection(path)
        other, asker = await asyncio.open_unix_connection(path)
        writer.write(b'{"verb": "count"}\n' * 2000)
        asker.write(b'{"verb": "how_many"}\n')
        before = json.loads(await other.readline())["result"]
        for _ in range(2000):
            assert b'"ok":true' in await reader.readline()
        writer.close()
        asker.close()

    assert before < 100
    assert asked == 2000


@pytest.mark.asyncio
async def test_idle_connections_lock_nobody_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The one that has asked nothing for longest makes room for one that asks; the others stay."""
    monkeypatch.setattr(server_module, "IDLE_S", 0.0)
    async with served(tmp_path / "c") as path:
        held = []
        for _ in range(CLIENTS):
            reader, writer = await asyncio.open_unix_connection(path)
            writer.write(b'{"verb": "echo"}\n')
            await reader.readline()
            held.append((reader, writer))
        first, second = held[0], held[1]
        first[1].write(b'{"verb": "echo"}\n')  # no longer the one that has been idle for longest
        await first[0].readline()

        (reply,) = await say(path, b'{"verb": "echo"}\n')

        assert reply["ok"]
        assert await second[0].read() == b""
        first[1].write(b'{"verb": "echo"}\n')
        assert b'"ok":true' in await first[0].readline()
        for _, writer in held:
            writer.close()


def test_nobody_there_is_a_sentence(tmp_path: Path) -> None:
    """The client says where it looked and what to do."""
    with pytest.raises(ControlError, match="no watch answers there"):
        ControlClient(tmp_path / "nothing")


@pytest.mark.asyncio
async def test_long_answer_is_given_up_when_its_client_hangs_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody is left to be answered, so nothing more is done for it; one that only sends no more still is."""
    monkeypatch.setattr(server_module, "GONE_S", 0.01)
    begun, given_up = asyncio.Event(), asyncio.Event()

    async def slow(caller: Caller, args: Mapping[str, Any]) -> Any:
        begun.set()
        try:
            await asyncio.sleep(args["takes_s"])
        except asyncio.CancelledError:
            given_up.set()
            raise
        return "done"

    async with served(tmp_path / "c", slow=slow) as path:
        _, writer = await asyncio.open_unix_connection(path)
        writer.write(b'{"verb": "slow", "args": {"takes_s": 60}}\n{"verb": "echo"}\n')
        await begun.wait()
        writer.close()
        await asyncio.wait_for(given_up.wait(), 5.0)

        line = {"verb": "slow", "args": {"takes_s": 5 * server_module.GONE_S}}
        (reply,) = await say(path, json.dumps(line).encode() + b"\n")

        assert reply["result"] == "done"
