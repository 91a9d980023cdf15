"""The watch's end of the page's channel, as an outside peer; and the page served to httpx, as a worker serves it."""

from __future__ import annotations

import asyncio
import contextlib
import json
import socket
from collections.abc import AsyncGenerator, AsyncIterator, Callable, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import argon2
import httpx

from nightrake.page.ports import Reader
from nightrake.page.scene import Changes, Scene
from nightrake.workers.page import Job, Worker

PASSWORDS = {"night1": "turn-it-slowly", "super1": "nobody-touches-it"}
CHEAP = argon2.PasswordHasher(time_cost=1, memory_cost=64, parallelism=1)
PEOPLE = {
    "night1": {"name": "Ada Nightingale", "role": "operator", "password": CHEAP.hash(PASSWORDS["night1"])},
    "super1": {"name": "Bo <b>Dayley</b>", "role": "supervisor", "password": CHEAP.hash(PASSWORDS["super1"])},
    "quiet1": {"name": "Cy Quiet", "role": "operator", "password": ""},
}
UTC_MS = 1_764_140_400_000


def drive_view(drive: str, torque_nm: float | None = 8000.0) -> dict[str, Any]:
    """A drive as the watch tells it, as far as the server looks."""
    return {
        "drive": drive,
        "name": f"Drive {drive}",
        "area": "",
        "torque_nm": {"kind": "good", "value": torque_nm, "uncertainty": 200.0, "reason": ""},
        "position_mm": {"kind": "good", "value": 12.0, "reason": ""},
    }


def site_of(drives: Sequence[str], people: dict[str, Any] | None = None, digest: str = "d1") -> dict[str, Any]:
    """A ``site`` message."""
    told = {"id": "fennmark", "name": "Fennmark", "zone": "Europe/London", "digest": digest, "epoch": "e1"}
    return {"site": {**told, "drives": [{"id": d} for d in drives], "people": PEOPLE if people is None else people}}


class WatchEnd:
    """Answers as the watch would.

    Attributes:
        asked: Every request. commands: How each is answered; notes: What was told for the journal.
    """

    def __init__(self, sock: socket.socket, drives: Sequence[str] = ("PC1", "SC1")) -> None:
        self._sock, self.drives = sock, list(drives)
        self.people: dict[str, Any] = dict(PEOPLE)
        self.asked: list[dict[str, Any]] = []
        self.answer: Callable[[dict[str, Any]], dict[str, Any]] = lambda args: {
            "ok": True, "text": f"{args['what']} noted", "durable": True}  # fmt: skip
        self._writer: asyncio.StreamWriter | None = None
        self._ref: Any = None
        self.is_mute = False
        self.tells_all = True

    def of(self, verb: str) -> list[dict[str, Any]]:
        """Arguments of every request of a verb."""
        return [r["args"] for r in self.asked if r["verb"] == verb]

    async def run(self) -> None:
        """Until the page hangs up."""
        reader, self._writer = await asyncio.open_unix_connection(sock=self._sock)
        try:
            while line := await reader.readline():
                request = json.loads(line)
                self.asked.append(request)
                self._serve(request)
        finally:
            self._writer.close()

    def _serve(self, request: dict[str, Any]) -> None:
        verb, args, ref = request["verb"], request["args"], request["ref"]
        if verb == "scene":
            self._ref = ref
            self.say(site_of(self.drives, self.people))
            if args["whole"] and self.tells_all:
                self.say({"at": UTC_MS, "drives": {d: drive_view(d) for d in self.drives}})
                self.say({"alarms": []})
                self.say({"complete": True})
        elif verb == "person_command":
            self._send({"ref": ref, "ok": True, "result": self.answer(args)})
        elif verb == "lockout" and args["drive"] in self.drives:
            self._send(
                {"ref": ref, "ok": True, "result": {"drive": args["drive"], "open": True, "missing": ["a cause"]}}
            )
        elif verb == "person_note":
            self._send({"ref": ref, "ok": True, "result": {"ok": True}})
        else:
            self._send({"ref": ref, "ok": False, "error": f"unknown verb '{verb}'"})

    def say(self, message: dict[str, Any]) -> None:
        """One message of the scene."""
        if not self.is_mute:
            self._send({"ref": self._ref, "ok": True, "more": True, "result": message})

    def _send(self, reply: dict[str, Any]) -> None:
        assert self._writer is not None
        self._writer.write(json.dumps(reply).encode() + b"\n")

    def hang_up(self) -> None:
        """The watch ends."""
        assert self._writer is not None
        self._writer.close()


class Piece(NamedTuple):
    id: str
    html: str
    order: int | None = None


class PlainLook:
    """Pages and parts with nothing in them but what a test looks for."""

    def page(self, where: str, scene: Scene, who: dict[str, Any] | None, csrf: str, more: dict[str, Any]) -> str:
        told = {"where": where, "who": who, "csrf": csrf, "away": scene.away, "drives": list(scene.drives), **more}
        return f"<!doctype html><title>{where.partition('/')[0]}</title><pre>{json.dumps(told)}</pre>"

    def parts(self, where: str, scene: Scene, changes: Changes) -> list[Piece]:
        ids = scene.drives if changes.all else [d for d in scene.drives if d in changes.drives]
        return [Piece(f"strip-{d}", json.dumps(scene.drives[d]), n) for n, d in enumerate(ids)]


def told_in(answer: httpx.Response) -> dict[str, Any]:
    """What `PlainLook` wrote into a page."""
    return dict(json.loads(answer.text.partition("<pre>")[2].partition("</pre>")[0]))


class Hands:
    """Clocks that tests move.

    Attributes:
        mono_s, utc_ms: Now.
    """

    def __init__(self) -> None:
        self.mono_s, self.utc_ms = 1000.0, UTC_MS

    def forward(self, seconds: float) -> None:
        """Both go on."""
        self.mono_s += seconds
        self.utc_ms += round(seconds * 1000)


class Served(NamedTuple):
    """A page that is served.

    Attributes:
        port: Of 127.0.0.1. base: Its address. watch: The other end. said: What the worker tells the watch.
        work: The worker at work.
    """

    port: int
    base: str
    watch: WatchEnd
    said: list[dict[str, Any]]
    work: asyncio.Task[None]

    def client(self, **more: Any) -> httpx.AsyncClient:
        """A browser of its own, as far as cookies and the Origin header go."""
        headers = {"Origin": self.base, **more.pop("headers", {})}
        return httpx.AsyncClient(base_url=self.base, headers=headers, trust_env=False, timeout=10.0, **more)


@contextlib.asynccontextmanager
async def serving(
    state_dir: Path,
    port: int,
    *,
    hands: Hands | None = None,
    reader: Reader | None = None,
    drives: Sequence[str] = ("PC1", "SC1"),
    tls: tuple[str, str] = ("", ""),
    mute: bool = False,
    **page: Any,
) -> AsyncIterator[Served]:
    """The worker's own composition in this loop, on a port of 127.0.0.1, with the watch's end as a peer."""
    ours, theirs = socket.socketpair()
    watch = WatchEnd(ours, drives)
    watch.is_mute = mute
    keys = {"port": port, "cert_file": tls[0], "key_file": tls[1], **page}
    job = Job.of({"fd": theirs.detach(), "state_dir": str(state_dir), "site": "fennmark", "page": keys})
    said: list[dict[str, Any]] = []
    clocks = {"clocks": (lambda: hands.mono_s, lambda: hands.utc_ms)} if hands is not None else {}
    worker = Worker(job, lambda **facts: said.append(facts), reader, PlainLook(), **clocks)
    peer = asyncio.create_task(watch.run())
    work = asyncio.create_task(worker.run())
    try:
        await until(lambda: bool(said) or work.done())
        if work.done():
            work.result()
        await until(lambda: bool(watch.of("scene")))
        yield Served(port, f"{'https' if tls[0] else 'http'}://127.0.0.1:{port}", watch, said, work)
    finally:
        work.cancel()
        await asyncio.gather(work, return_exceptions=True)
        peer.cancel()
        await asyncio.gather(peer, return_exceptions=True)
        ours.close()


async def until(true: Callable[[], bool], timeout_s: float = 10.0) -> None:
    """Look again and again until something holds."""
    async with asyncio.timeout(timeout_s):
        while not true():  # noqa: ASYNC110  what is waited for is on the other side of a socket
            await asyncio.sleep(0.01)


async def signed_in(client: httpx.AsyncClient, person: str = "night1", password: str = "") -> dict[str, Any]:
    """Sign in as a script would; the session as it is told then."""
    form = (await client.get("/api/v1/session")).json()
    answer = await client.post(
        "/sign-in",
        data={"person": person, "password": password or PASSWORDS[person], "csrf": form["csrf"]},
        headers={"Accept": "application/json"},
    )
    answer.raise_for_status()
    return dict(answer.json())


@contextlib.asynccontextmanager
async def listening(page: Served, path: str) -> AsyncIterator[AsyncGenerator[tuple[str, Any], None]]:
    """A browser that listens."""
    async with page.client() as client, contextlib.aclosing(events(client, path)) as stream:
        yield stream


async def events(client: httpx.AsyncClient, path: str) -> AsyncGenerator[tuple[str, Any], None]:
    """Server-sent events as they come: (name, data). Source: WHATWG HTML, server-sent events, section 9.2.6."""
    async with client.stream("GET", path) as answer:
        answer.raise_for_status()
        name = ""
        async for line in answer.aiter_lines():
            if line.startswith("event: "):
                name = line[7:]
            elif line.startswith("data: "):
                yield name, json.loads(line[6:])
