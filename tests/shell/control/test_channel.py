"""A channel of our own: requests side by side over a real socket pair, streams that begin anew, ends of every kind."""

from __future__ import annotations

import asyncio
import json
import socket
from collections.abc import AsyncGenerator, AsyncIterator, Mapping
from contextlib import asynccontextmanager
from typing import Any

import pytest

from nightrake.control import channel as channel_module
from nightrake.control.channel import AT_ONCE, Channel
from nightrake.control.server import Caller
from nightrake.errors import ControlError

WHO = Caller("page", -1)


class Far:
    """The other end, as a process there would use it."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.reader, self.writer = reader, writer

    def say(self, verb: str, ref: object = 1, **args: object) -> None:
        """Ask."""
        self.writer.write(json.dumps({"verb": verb, "args": args, "ref": ref}).encode() + b"\n")

    async def hear(self) -> Any:
        """The next reply."""
        return json.loads(await self.reader.readline())


class Near:
    """What is asked for."""

    def __init__(self) -> None:
        self.go = asyncio.Event()
        self.streams_ended: list[int] = []
        self.asked: list[tuple[str, Mapping[str, Any]]] = []

    def verbs(self) -> dict[str, Any]:
        """All of it."""
        return {"echo": self.echo, "wait": self.wait, "refuse": self.refuse, "clumsy": self.clumsy, "fault": self.fault}

    async def echo(self, caller: Caller, args: Mapping[str, Any]) -> Any:
        """Give back who asked and what."""
        return {"actor": caller.actor, **args}

    async def wait(self, caller: Caller, args: Mapping[str, Any]) -> Any:
        """Wait to be let go."""
        await self.go.wait()
        return "gone"

    async def refuse(self, caller: Caller, args: Mapping[str, Any]) -> Any:
        """Refuse in a sentence."""
        raise ControlError("not today")

    async def clumsy(self, caller: Caller, args: Mapping[str, Any]) -> Any:
        """Needs an argument."""
        return int(args["number"])

    async def fault(self, caller: Caller, args: Mapping[str, Any]) -> Any:
        """A mistake in the program."""
        raise RuntimeError("nobody has thought of this")

    async def count(self, caller: Caller, args: Mapping[str, Any]) -> AsyncGenerator[str, None]:
        """Numbers without end."""
        number = int(args.get("from", 0))
        try:
            while True:
                yield str(number)
                number += 1
                await asyncio.sleep(0)
        finally:
            self.streams_ended.append(number)


@asynccontextmanager
async def joined(near: Near) -> AsyncIterator[tuple[Far, asyncio.Task[str]]]:
    """Both ends; the far one and the task that serves the near one."""
    ours, theirs = socket.socketpair()
    channel = Channel(ours, WHO, near.verbs(), {"count": near.count})
    task = asyncio.create_task(channel.run())
    reader, writer = await asyncio.open_unix_connection(sock=theirs)
    try:
        yield Far(reader, writer), task
    finally:
        writer.close()
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


@pytest.mark.asyncio
async def test_requests_are_answered_side_by_side() -> None:
    """What takes long holds up nobody; each reply names its request."""
    near = Near()
    async with joined(near) as (far, _):
        far.say("wait", "slow")
        far.say("echo", 7, word="x")
        assert await far.hear() == {"ref": 7, "ok": True, "result": {"actor": "page", "word": "x"}}
        near.go.set()
        assert await far.hear() == {"ref": "slow", "ok": True, "result": "gone"}


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("line", "words"),
    [
        (b"nonsense\n", "one line of JSON"),
        (b"[1]\n", "one line of JSON"),
        (b'{"verb": "status", "ref": 1}\n', "unknown verb 'status'; known: clumsy, count, echo, fault, refuse, wait"),
        (b'{"verb": "refuse", "ref": 1}\n', "not today"),
        (b'{"verb": "clumsy", "ref": 1}\n', "wrong arguments"),
        (b'{"verb": "echo", "args": [1], "ref": 1}\n', "one line of JSON"),
    ],
)
async def test_bad_request_is_refused_and_the_channel_goes_on(line: bytes, words: str) -> None:
    """In one sentence."""
    async with joined(Near()) as (far, _):
        far.writer.write(line)
        reply = await far.hear()
        assert (reply["ok"], words in reply["error"]) == (False, True)
        far.say("echo")
        assert (await far.hear())["ok"]


@pytest.mark.asyncio
async def test_more_requests_than_can_be_under_way_are_refused() -> None:
    """The watch keeps no queue for it."""
    near = Near()
    async with joined(near) as (far, _):
        for number in range(AT_ONCE + 1):
            far.say("wait", number)
        reply = await far.hear()
        assert (reply["ref"], reply["ok"]) == (AT_ONCE, False)
        assert "under way already" in reply["error"]
        near.go.set()
        assert {(await far.hear())["ref"] for _ in range(AT_ONCE)} == set(range(AT_ONCE))


@pytest.mark.asyncio
async def test_stream_asked_for_again_begins_anew_and_the_old_one_ends() -> None:
    """So whoever listens says how much of it they want by asking again; requests are answered between."""
    near = Near()
    async with joined(near) as (far, _):
        far.say("count", "a")
        assert await far.hear() == {"ref": "a", "ok": True, "more": True, "result": 0}
        far.say("count", "b", **{"from": 1000})
        heard = [await far.hear() for _ in range(2000)]
        assert [h["result"] for h in heard if h["ref"] == "b"][:2] == [1000, 1001]
        refs = [h["ref"] for h in heard]
        assert refs == sorted(refs)  # nothing of the old one behind the first of the new one
        assert len(near.streams_ended) == 1
        far.say("echo", "c")
        while (await far.hear())["ref"] != "c":
            pass
    assert len(near.streams_ended) == 2


@pytest.mark.asyncio
async def test_other_end_that_goes_ends_it() -> None:
    """And everything that was under way."""
    near = Near()
    async with joined(near) as (far, task):
        far.say("wait")
        far.say("count")
        await far.hear()
        far.writer.close()
        assert await task == "has closed its channel"
    assert len(near.streams_ended) == 1


@pytest.mark.asyncio
async def test_other_end_that_does_not_read_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """What waits for it would take the watch's memory."""
    monkeypatch.setattr(channel_module, "SEND_TIMEOUT_S", 0.2)
    async with joined(Near()) as (far, task):
        far.reader._transport.pause_reading()  # type: ignore[attr-defined]
        far.say("count")
        assert "did not read what it was told" in await task


@pytest.mark.asyncio
async def test_fault_of_ours_ends_the_channel_and_no_more() -> None:
    """It is logged; whoever runs the channel is told, and goes on."""
    async with joined(Near()) as (far, task):
        far.say("fault")
        assert await task == "was asked something that failed here"


@pytest.mark.asyncio
async def test_request_without_an_end_ends_it() -> None:
    """A line longer than any request."""
    async with joined(Near()) as (far, task):
        far.writer.write(b"x" * 200_000)
        assert "asked for more than" in await task
