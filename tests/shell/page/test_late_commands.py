"""A command is done soon or never: nobody is told that no answer came, and has it done long after."""

from __future__ import annotations

import asyncio
import json
import socket
import time
from pathlib import Path
from typing import Any

import httpx
import pytest

from nightrake.errors import ControlError
from nightrake.workers import pagechannel
from nightrake.workers.pagechannel import Channel
from pagewatch import Served, serving, signed_in, until
from shell.test_pageasked import STANDBY, rows, watching

ACK = {"what": "acknowledge", "drive": "PC1", "args": {"alarm": "PC1/forward/alarm_contact", "occurrence": 3}}


def request_of(page: Served, client: httpx.AsyncClient, csrf: str) -> bytes:
    """A command as a browser writes it."""
    body = json.dumps(ACK).encode()
    head = (
        f"POST /api/v1/commands HTTP/1.1\r\nHost: 127.0.0.1:{page.port}\r\nOrigin: {page.base}\r\n"
        f"Content-Type: application/json\r\nX-CSRF-Token: {csrf}\r\nCookie: nightrake={client.cookies['nightrake']}\r\n"
        f"Content-Length: {len(body)}\r\n\r\n"
    )
    return head.encode() + body


@pytest.mark.asyncio
async def test_a_browser_that_has_given_up_has_nothing_done(tmp_path: Path, free_port: int) -> None:
    """The page's process stood still: it finds the command and the end of its connection together."""
    async with serving(tmp_path, free_port) as page, page.client() as client:
        csrf = (await signed_in(client))["csrf"]
        sent = request_of(page, client, csrf)
        left = socket.create_connection(("127.0.0.1", page.port))
        left.sendall(sent)  # in one go, while the page does not run
        left.close()
        for _ in range(3):
            await client.get("/api/v1/session")
        gone = list(page.watch.of("person_command"))
        reader, writer = await asyncio.open_connection("127.0.0.1", page.port)
        writer.write(sent)
        head = await reader.readuntil(b"\r\n\r\n")
        writer.close()

    assert gone == []
    assert head.startswith(b"HTTP/1.1 200 ")
    assert len(page.watch.of("person_command")) == 1


@pytest.mark.asyncio
async def test_the_watch_does_nothing_that_nobody_waits_for(tmp_path: Path) -> None:
    """It stood still with a command in its channel, longer than the page waits: refused in a sentence, not done."""
    now_ns = time.clock_gettime_ns(time.CLOCK_BOOTTIME)
    async with watching(tmp_path) as (watch, page):
        late = await page.ask("person_command", person="night1", **STANDBY, until_boottime_ns=now_ns - 1)
        soon = await page.ask("person_command", person="super1", **STANDBY, until_boottime_ns=now_ns + 10**10)
        told = await rows(watch, "drive")

    assert "nobody waits for it any more, and was not done" in late
    assert soon["ok"]
    assert [r["actor"] for r in told if r["event"] == "standby_began"] == ["super1"]


@pytest.mark.asyncio
async def test_a_command_says_until_when_somebody_waits(tmp_path: Path, free_port: int) -> None:
    """By the machine's clock that goes on while it is suspended, and with time to be told of it."""
    before_ns = time.clock_gettime_ns(time.CLOCK_BOOTTIME)
    async with serving(tmp_path, free_port) as page, page.client() as client:
        csrf = (await signed_in(client))["csrf"]
        await client.post("/api/v1/commands", json=ACK, headers={"X-CSRF-Token": csrf})
        (asked,) = page.watch.of("person_command")

    waits_s = (asked["until_boottime_ns"] - before_ns) / 1e9
    assert waits_s < pagechannel.COMMAND_S + 20.0
    assert waits_s >= pagechannel.COMMAND_S - pagechannel.ANSWER_S


@pytest.mark.asyncio
async def test_what_waits_for_its_turn_waits_no_longer_than_it_may(monkeypatch: pytest.MonkeyPatch) -> None:
    """The watch answers nothing and every place is taken: whoever comes then is told as soon as the others."""
    monkeypatch.setattr(pagechannel, "UNDER_WAY", 2)
    ours, theirs = socket.socketpair()
    channel = Channel(theirs)
    work = asyncio.create_task(channel.run(lambda _: None, lambda: None))
    try:
        await until(lambda: channel._writer is not None)
        asked: list[Any] = await asyncio.gather(
            *(channel.ask("lockout", 0.2, drive="PC1") for _ in range(3)), return_exceptions=True
        )
    finally:
        ours.close()
        await work

    assert [isinstance(one, ControlError) and one.nobody for one in asked] == [True] * 3
    assert all("look at the page before you try again" in str(one) for one in asked)
