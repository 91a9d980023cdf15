"""The page worker as the watch supervises it: started with its channel, heard, outlived, started anew."""

from __future__ import annotations

import asyncio
import os
import signal
import sys
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from certificates import write_pair
from clocks import ManualClock
from nightrake import forwardprocess, pagekeeping
from nightrake.control.server import Caller
from nightrake.pagekeeping import PageKeeping
from nightrake.settings import Settings, load
from nightrake.settings.page import PageTable
from shell.journal.makers import until

CONFIG = Path(__file__).parents[2] / "config"
BEGIN = """#!{python} -P
import json, os, socket, sys
job = json.loads(sys.argv[4])
channel = socket.socket(fileno=job["fd"])
lines = channel.makefile("r")
def ask(verb, **args):
    channel.sendall(json.dumps({{"verb": verb, "args": args, "ref": 1}}).encode() + b"\\n")
    return json.loads(lines.readline())
def say(**facts):
    print(json.dumps(facts), flush=True)
"""
SERVE = 'say(up=True, address="http://here", browsers=3)\nsys.stdin.read()\n'


class Peer:
    """Another program in the worker's place, what it asks, and what is told of the link."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self._script = folder / "worker"
        self._python = sys.executable
        self.told: list[tuple[bool, str]] = []
        self.noted: list[Mapping[str, Any]] = []
        monkeypatch.setattr(sys, "executable", str(self._script))

    def does(self, text: str) -> None:
        """What it does once it runs."""
        self._script.write_text(BEGIN.format(python=self._python) + text)
        self._script.chmod(0o755)

    async def note(self, caller: Caller, args: Mapping[str, Any]) -> Any:
        """It tells something."""
        self.noted.append({"actor": caller.actor, **args})
        return {"ok": True}


@pytest.fixture
def peer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Peer:
    """A worker that can be told what to do; the watch is in no hurry to start it anew."""
    monkeypatch.setattr(pagekeeping, "BACKOFF_S", (0.05, 0.4))
    monkeypatch.setattr(pagekeeping, "LEAVE_S", 0.05)
    monkeypatch.setattr(forwardprocess, "END_S", 0.5)
    return Peer(tmp_path, monkeypatch)


def settings_with(**page: object) -> Settings:
    """The example with another page."""
    return replace(load(CONFIG), page=PageTable.model_validate({"enabled": True, **page}))


@asynccontextmanager
async def kept(peer: Peer, clock: ManualClock, **page: object) -> AsyncIterator[PageKeeping]:
    """Supervision at work."""
    tell: Callable[[bool, str], None] = lambda up, detail: peer.told.append((up, detail))  # noqa: E731
    made = PageKeeping(settings_with(**page), "/etc/site", lambda: "e1", clock, {"note": peer.note}, {}, tell)
    task = asyncio.create_task(made.run())
    try:
        yield made
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


@pytest.mark.asyncio
async def test_worker_gets_its_job_and_a_channel_that_answers(peer: Peer, manual_clock: ManualClock) -> None:
    """The job has no secret, for its arguments are readable by everybody on the machine; the channel has."""
    peer.does("ask('note', job=job, argv=sys.argv[1:4])\n" + SERVE)
    async with kept(peer, manual_clock, port=8471) as page:
        await until(lambda: bool(page.status()["up"]))
        (noted,) = peer.noted
        assert noted["actor"] == "page"
        assert noted["argv"] == ["-P", "-m", "nightrake.workers.page"]
        job = noted["job"]
        assert (job["site"], job["epoch"], job["page"]["port"], job["state_dir"]) == ("fennmark", "e1", 8471, "state")
        assert job["config_dir"] == "/etc/site"
        assert "people" not in job
        status = page.status()
        assert (status["address"], status["browsers"], status["detail"], status["starts"]) == ("http://here", 3, "", 1)
        assert peer.told == []
    assert page.process is None


@pytest.mark.asyncio
async def test_worker_has_none_of_the_watchs_secrets(
    peer: Peer, manual_clock: ManualClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It talks with browsers; variables that hold passwords of others are not in its environment."""
    monkeypatch.setenv("BROKER_PASSWORD", "hunter2")
    monkeypatch.setenv("TOKEN", "hunter2")
    monkeypatch.setenv("OTHER", "here")
    settings = settings_with()
    settings = replace(
        settings,
        mqtt=settings.mqtt.model_copy(update={"password_env": "BROKER_PASSWORD"}),
        forward=settings.forward.model_copy(update={"token_env": "TOKEN"}),
    )
    peer.does("ask('note', environment=dict(os.environ))\n" + SERVE)
    async with kept(peer, manual_clock, enabled=False) as page:
        page.settings_changed(settings, [])
        await until(lambda: bool(peer.noted))
    environment = peer.noted[0]["environment"]
    assert environment["OTHER"] == "here"
    assert "hunter2" not in environment.values()


@pytest.mark.asyncio
async def test_page_that_is_off_has_no_worker(peer: Peer, manual_clock: ManualClock) -> None:
    """Until a reload switches it on, and after one that switches it off."""
    peer.does(SERVE)
    async with kept(peer, manual_clock, enabled=False) as page:
        page.settings_changed(settings_with(), [])
        await until(lambda: bool(page.status()["up"]))
        page.settings_changed(settings_with(enabled=False), [])
        await until(lambda: page.process is None and not page.status()["up"])
        assert page.status() == {
            "enabled": False, "up": False, "address": "", "browsers": 0, "detail": "", "starts": 1,
        }  # fmt: skip


@pytest.mark.asyncio
async def test_killed_worker_is_started_anew(peer: Peer, manual_clock: ManualClock) -> None:
    """With a channel of its own; nothing is told of it but in the status."""
    peer.does("ask('note')\n" + SERVE)
    async with kept(peer, manual_clock) as page:
        for starts in (1, 2, 3):
            await until(lambda n=starts: page.status()["up"] and page.status()["starts"] == n)  # type: ignore[misc]
            assert page.process is not None
            os.kill(page.process.pid, signal.SIGKILL)
            await until(lambda: not page.status()["up"])
        await until(lambda: page.status()["starts"] == 4)
    assert len(peer.noted) >= 3


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("does", "words"),
    [
        ("say(failed='port 8470 of 127.0.0.1 is taken')\n", "it cannot be served: port 8470 of 127.0.0.1 is taken"),
        ("print('no json', flush=True)\nsys.stdin.read()\n", "said what nobody understands"),
        ("print('[1]', flush=True)\nsys.stdin.read()\n", "has ended"),
        ("sys.exit(3)\n", "has ended"),
        ("lines.close()\nchannel.close()\nsys.stdin.read()\n", "has closed its channel"),
    ],
)
async def test_worker_that_cannot_work_is_tried_later_and_later(
    peer: Peer, manual_clock: ManualClock, does: str, words: str
) -> None:
    """The status says why at once; the link is told down once, after a while, and up again when it serves."""
    peer.does(does)
    async with kept(peer, manual_clock) as page:
        await until(lambda: words in page.status()["detail"])
        await until(lambda: bool(peer.told))
        assert page.status()["starts"] >= 3
        peer.does(SERVE)
        await until(lambda: bool(page.status()["up"]))
        assert page.status()["detail"] == ""
    assert [up for up, _ in peer.told] == [False, True]
    assert words in peer.told[0][1]


@pytest.mark.asyncio
async def test_silent_worker_is_ended(peer: Peer, manual_clock: ManualClock, monkeypatch: pytest.MonkeyPatch) -> None:
    """One that hangs is no better than none."""
    monkeypatch.setattr(pagekeeping, "SILENT_S", 0.5)
    peer.does(SERVE)
    async with kept(peer, manual_clock) as page:
        await until(lambda: "said nothing for 0.5 s" in page.status()["detail"])
        await until(lambda: page.status()["starts"] >= 2)


@pytest.mark.asyncio
async def test_what_it_claims_is_bounded(peer: Peer, manual_clock: ManualClock) -> None:
    """It is another process; nothing of it is believed blindly, and its own lines go into the log."""
    peer.does(
        "print('x' * 9000 + chr(27), file=sys.stderr, flush=True)\n"
        "say(up=True, address='h' * 9000 + chr(10), browsers='many', error='a\\nb')\nsys.stdin.read()\n"
    )
    async with kept(peer, manual_clock) as page:
        await until(lambda: bool(page.status()["up"]))
        status = page.status()
        assert (len(status["address"]) <= 301, status["browsers"], status["detail"]) == (True, 0, "a b")


@pytest.mark.asyncio
async def test_only_what_it_was_started_with_starts_it_anew(
    peer: Peer, manual_clock: ManualClock, tmp_path: Path
) -> None:
    """Another port or renewed certificate does; people come over the channel."""
    peer.does(SERVE)
    cert_file, key_file = map(str, write_pair(tmp_path, "page"))
    async with kept(peer, manual_clock, cert_file=cert_file, key_file=key_file) as page:
        await until(lambda: bool(page.status()["up"]))
        same = settings_with(cert_file=cert_file, key_file=key_file)
        page.settings_changed(replace(same, people={}, digest="other"), ["mqtt password"])
        assert not page._again.is_set()
        page.settings_changed(same, ["page.cert_file"])
        await until(lambda: page.status()["starts"] == 2)
        page.settings_changed(settings_with(cert_file=cert_file, key_file=key_file, port=8471), [])
        await until(lambda: page.status()["starts"] == 3)
        await until(lambda: bool(page.status()["up"]))
    assert peer.told == []
