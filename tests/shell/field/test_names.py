"""Why there is no connection, in the right words: a name that nobody knows, and a link that was lost."""

from __future__ import annotations

import asyncio
import socket
import threading
from typing import Any

import pytest

from nightrake.domain.inputs import Got
from nightrake.field import names
from nightrake.field.adapter import hung_up
from nightrake.field.connection import NOT_YET
from nightrake.field.names import name_trouble
from plc import rogue as ways
from plc.rogue import Rogue
from shell.field.running import polling, word

UNKNOWN = "plc-a.invalid"
"""A name that no name server may ever know. Source: RFC 6761, 6.4."""


@pytest.mark.asyncio
@pytest.mark.parametrize("host", ["127.0.0.1", "::1", "localhost"])
async def test_address_or_known_name_is_no_trouble(host: str) -> None:
    """What is wrong then is not the name."""
    assert await name_trouble(host) == ""


@pytest.mark.asyncio
@pytest.mark.parametrize("host", ["a..b", "x" * 80])
async def test_what_cannot_be_a_name_is_said(host: str) -> None:
    """A typing mistake, not a PLC that is away."""
    assert await name_trouble(host) == f"host name '{host}' cannot be a name"


@pytest.mark.asyncio
async def test_name_server_that_does_not_answer_is_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """The look-up hangs in a thread of its own; the sentence comes all the same."""
    go = threading.Event()

    def hang(*args: Any, **more: Any) -> Any:
        go.wait(10.0)
        raise socket.gaierror(socket.EAI_AGAIN, "later")

    monkeypatch.setattr(socket, "getaddrinfo", hang)
    monkeypatch.setattr(names, "LOOK_S", 0.05)
    words = await name_trouble(UNKNOWN)
    go.set()
    async with asyncio.timeout(5.0):
        while any(t.name.startswith("look up") for t in threading.enumerate()):  # noqa: ASYNC110
            await asyncio.sleep(0.005)

    assert words == f"host name '{UNKNOWN}' cannot be looked up: no answer from the name server"


@pytest.mark.asyncio
async def test_plc_with_an_unknown_name_is_told_as_such(monkeypatch: pytest.MonkeyPatch) -> None:
    """Link news, state and the reason of each reading name the host, not 'no connection'."""

    def nobody(*args: Any, **more: Any) -> Any:
        raise socket.gaierror(socket.EAI_NONAME, "Name or service not known")

    monkeypatch.setattr(socket, "getaddrinfo", nobody)
    async with polling(502, word(7), host=UNKNOWN) as run:
        await run.until(lambda: any("not known" in b.detail for s in run.scans for b in s.blocks))
        state = run.poller.link_state

    words = f"host name '{UNKNOWN}' is not known; check it and the name server"
    assert state == (False, words)
    assert run.scans[-1].blocks[0].detail == words


@pytest.mark.asyncio
async def test_link_that_was_lost_is_not_one_that_never_was(rogue: Rogue) -> None:
    """In mid-run it says lost and that it is tried again; 'not connected yet' is for the start."""
    async with polling(rogue.own_port, word(7), backoff_min_ns=10**9, backoff_max_ns=10**9) as run:
        await run.until(lambda: Got.GOOD in run.outcomes())
        rogue.behave = ways.reset_in_mid_frame
        begin = len(run.scans)
        await run.until(lambda: run.outcomes()[begin:].count(Got.NO_CONNECTION) >= 3)
        said = {b.detail for s in run.scans[begin:] for b in s.blocks if b.got is Got.NO_CONNECTION}
        state = run.poller.link_state

    assert all(words.startswith("connection lost") for words in said)
    assert all(words.endswith(", trying again") for words in said)  # one sentence, not two by turns
    assert state[0] is False
    assert state[1].startswith("connection lost")
    assert state[1].endswith(", trying again")


@pytest.mark.asyncio
async def test_device_that_takes_connections_and_ends_them_is_told_in_one_sentence() -> None:
    """A gateway whose connections are taken: whether it hangs up in connecting or a moment later is no news."""
    taken = 0

    async def hang_up(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal taken
        taken += 1
        writer.close()

    server = await asyncio.start_server(hang_up, "127.0.0.1", 0)
    async with polling(server.sockets[0].getsockname()[1], word(7)) as run:
        await run.until(lambda: taken >= 5)
        said = {b.detail for s in run.scans for b in s.blocks if b.got is Got.NO_CONNECTION}
    server.close()

    assert {words for words in said if "mid-request" not in words and words != NOT_YET} == {hung_up(run.spec)}
