"""The stream of events: live values, the watch away and back, silence, limits, slow browsers."""

from __future__ import annotations

import asyncio
import contextlib
import json
import re
import socket
from pathlib import Path
from typing import Any

import pytest

from nightrake.page.feed import ASLEEP, SILENT, SILENT_S, UNWANTED_S
from nightrake.page.hub import LISTENERS, PER_ADDRESS, Hub
from nightrake.page.live import BEAT_S
from nightrake.page.problems import Problem
from nightrake.page.scene import Scene
from pagewatch import UTC_MS, Hands, PlainLook, drive_view, events, listening, serving, signed_in, told_in, until


async def next_of(stream: Any, name: str) -> Any:
    """The data of the next event of a name."""
    async with asyncio.timeout(8.0):
        async for told, data in stream:
            if told == name:
                return data
    raise AssertionError(f"the stream ended before '{name}' came")


@pytest.mark.asyncio
async def test_values_reach_the_browser_as_told(tmp_path: Path, free_port: int) -> None:
    """The full picture first, then what changed; a page of one drive hears of that one only."""
    async with contextlib.AsyncExitStack() as stack:
        page = await stack.enter_async_context(serving(tmp_path, free_port))
        whole = await stack.enter_async_context(listening(page, "/live?where=overview"))
        one = await stack.enter_async_context(listening(page, "/live?where=drive/SC1"))
        parts = await next_of(whole, "parts")
        await next_of(whole, "service")
        await next_of(one, "service")
        page.watch.say({"at": UTC_MS + 500, "values": {"PC1": [9.0, None, "good", 1.5, UTC_MS + 400]}})
        page.watch.say({"at": UTC_MS + 500, "values": {"SC1": [7.0, 0.5, "good", 2.5, UTC_MS + 400]}})
        told, single = await next_of(whole, "values"), await next_of(one, "values")

    assert [p["id"] for p in parts] == ["strip-PC1", "strip-SC1"]
    assert told["PC1"] == [9.0, None, "good", 1.5, UTC_MS + 400]
    assert single == {"SC1": [7.0, 0.5, "good", 2.5, UTC_MS + 400]}


@pytest.mark.asyncio
async def test_a_page_just_loaded_gets_no_part_twice(tmp_path: Path, free_port: int) -> None:
    """Its mark says what it has; after a broken connection a browser says the last mark, and gets what it missed.

    Source: WHATWG HTML, section 9.2.4, the Last-Event-ID header.
    """
    async with serving(tmp_path, free_port) as page, page.client() as client:
        since = told_in(await client.get("/"))["since"]
        async with listening(page, f"/live?where=overview&since={since}") as stream:
            names = []
            while "service" not in names:
                names.append((await anext(stream))[0])
            page.watch.say({"at": UTC_MS, "drives": {"SC1": {**drive_view("SC1", 5.0), "area": "east"}}})
            changed = await next_of(stream, "parts")
        page.watch.say({"at": UTC_MS, "drives": {"PC1": {**drive_view("PC1", 6.0), "area": "west"}}})
        headers = {"Last-Event-ID": told_in(await client.get("/alarms"))["since"]}
        page.watch.say({"at": UTC_MS, "drives": {"PC1": {**drive_view("PC1", 7.0), "area": "north"}}})
        while (await client.get("/api/v1/drives/PC1")).json()["torque_nm"]["value"] != 7.0:
            pass
        async with client.stream("GET", f"/live?where=overview&since={since}", headers=headers) as stream:
            text = ""
            async for line in stream.aiter_lines():
                text += f"{line}\n"
                if line.startswith("event: service"):
                    break

    assert "parts" not in names
    assert [p["id"] for p in changed] == ["strip-SC1"]
    assert "strip-PC1" in text
    assert "strip-SC1" not in text
    assert "\nid: " in text


@pytest.mark.asyncio
async def test_something_is_said_within_five_seconds(tmp_path: Path, free_port: int) -> None:
    """With nothing new the stream still says that it is alive: a browser can tell silence from calm."""
    async with serving(tmp_path, free_port) as page, listening(page, "/live") as stream:
        await next_of(stream, "alive")
        begin_s = asyncio.get_running_loop().time()
        await next_of(stream, "alive")
        took_s = asyncio.get_running_loop().time() - begin_s

    assert BEAT_S <= 5.0
    assert took_s > 1.0


@pytest.mark.asyncio
async def test_silent_watch_is_told_as_away_and_nothing_old_is_served_as_new(tmp_path: Path, free_port: int) -> None:
    """After six seconds without a word: `off`, the API refuses; with its next word: `back`, and the whole picture."""
    hands = Hands()
    async with (
        serving(tmp_path, free_port, hands=hands) as page,
        page.client() as client,
        listening(page, "/live") as stream,
    ):
        await next_of(stream, "service")
        hands.forward(SILENT_S + 0.1)
        off = await next_of(stream, "off")
        refused = await client.get("/api/v1/drives")
        shown = told_in(await client.get("/"))
        page.watch.say({"alive": UTC_MS + 7000})
        await next_of(stream, "back")
        drives = await next_of(stream, "drives")

    assert off == {"since": UTC_MS, "why": SILENT}
    assert (refused.status_code, refused.json()["detail"]) == (503, SILENT)
    assert shown["away"] == [UTC_MS, SILENT]
    assert list(drives) == ["PC1", "SC1"]


@pytest.mark.asyncio
async def test_when_the_watch_hangs_up_browsers_are_told_and_the_worker_ends(tmp_path: Path, free_port: int) -> None:
    """`off` comes at once, then the connection ends; nothing is served after."""
    async with serving(tmp_path, free_port) as page, listening(page, "/live") as stream:
        await next_of(stream, "service")
        page.watch.hang_up()
        off = await next_of(stream, "off")

        await until(page.work.done)

        assert is_refused(page.port)
        page.work.result()
    assert "watch is away" in off["why"]


def is_refused(port: int) -> bool:
    """Whether nobody listens there."""
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) != 0


@pytest.mark.asyncio
async def test_the_watch_is_asked_for_all_only_while_somebody_looks(tmp_path: Path, free_port: int) -> None:
    """Heartbeat only, before the first visitor and a minute after the last; the next one gets values of now."""
    hands = Hands()
    async with serving(tmp_path, free_port, hands=hands) as page, page.client() as client:
        alone = page.watch.of("scene")
        async with contextlib.aclosing(events(client, "/live")) as stream:
            await next_of(stream, "service")
            hands.forward(UNWANTED_S + 1)
            page.watch.say({"alive": UTC_MS})
            await next_of(stream, "alive")
            looked_at = page.watch.of("scene")
        hands.forward(UNWANTED_S - 1)
        page.watch.say({"alive": UTC_MS + 1000})

        async def left() -> None:
            while len(page.watch.of("scene")) == 2:
                hands.forward(0.5)
                page.watch.say({"alive": UTC_MS + 1000})
                await asyncio.sleep(0.02)

        await asyncio.wait_for(left(), 10.0)
        asleep = page.watch.of("scene")
        page.watch.tells_all = False
        early = told_in(await client.get("/"))
        page.watch.say({"at": UTC_MS + 9000, "drives": {d: drive_view(d, 1.0) for d in page.watch.drives}})
        page.watch.say({"complete": True})
        drives = (await client.get("/api/v1/drives")).json()

    assert alone == [{"whole": False}]
    assert looked_at == [{"whole": False}, {"whole": True}]
    assert asleep == [{"whole": False}, {"whole": True}, {"whole": False}]
    assert early["away"][1] == ASLEEP
    assert [d["torque_nm"]["value"] for d in drives] == [1.0, 1.0]


@pytest.mark.asyncio
async def test_what_comes_through_a_slow_line_is_of_now(tmp_path: Path, free_port: int) -> None:
    """A line slower than the news: what arrives is an event or two behind, not a pile that waits in between."""
    filler, piece = "x" * 60_000, 300
    async with serving(tmp_path, free_port, drives=("PC1",)) as page:
        sock = socket.socket()
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        sock.setblocking(False)
        await asyncio.get_running_loop().sock_connect(sock, ("127.0.0.1", page.port))
        reader, writer = await asyncio.open_connection(sock=sock, limit=4096)
        try:
            writer.write(b"GET /live HTTP/1.1\r\nHost: localhost\r\n\r\n")
            await reader.readuntil(b"event: service")
            got, ages = b"", []
            for said in range(1500):
                view = drive_view("PC1", float(said))
                page.watch.say({"at": UTC_MS + said, "drives": {"PC1": {**view, "area": f"{said}{filler}"}}})
                await asyncio.sleep(0.002)
                got = (got + await reader.read(piece))[-130_000:]
                if found := re.findall(rb'"area":"([0-9]+)xx', got):
                    ages.append(said - int(found[-1]))
        finally:
            writer.transport.abort()

    assert max(ages) * piece < 4 * len(filler)  # bytes between us: two buffers, each with its last event whole


@pytest.mark.asyncio
async def test_the_time_is_told_also_where_there_is_always_news(tmp_path: Path, free_port: int) -> None:
    """With the first news, and again: how long the stream goes on, so that a browser can tell delay."""
    async with serving(tmp_path, free_port) as page, listening(page, "/live?where=overview") as stream:
        alive = await next_of(stream, "alive")

    assert alive == {"utc_ms": alive["utc_ms"], "line_ms": 0}


@pytest.mark.asyncio
async def test_a_browser_that_reads_slowly_gets_the_latest_and_no_pile(tmp_path: Path, free_port: int) -> None:
    """Of forty megabytes said while it slept it is sent a small part, and the last of it is how things stand."""
    filler = "x" * 20_000
    async with serving(tmp_path, free_port, drives=("PC1",)) as page:
        reader, writer = await asyncio.open_connection("127.0.0.1", page.port, limit=4096)
        try:
            writer.write(b"GET /live HTTP/1.1\r\nHost: localhost\r\n\r\n")
            await reader.readuntil(b"event: service")
            for n in range(2000):
                page.watch.say(
                    {"at": UTC_MS + n, "drives": {"PC1": {**drive_view("PC1", float(n)), "area": f"{n}{filler}"}}}
                )
                await asyncio.sleep(0)
            page.watch.say({"at": UTC_MS, "service": {"last": True}})
            got = b""
            async with asyncio.timeout(10.0):
                while b'"last":true' not in got:
                    got += await reader.read(65536)
        finally:
            writer.transport.abort()

    assert len(got) < 20_000_000
    lines = [line for line in got.decode().splitlines() if line.startswith('data: {"PC1"')]
    assert json.loads(lines[-1][6:])["PC1"]["torque_nm"]["value"] == 1999.0


@pytest.mark.asyncio
async def test_listeners_are_bounded_and_told_so(tmp_path: Path, free_port: int) -> None:
    """Twenty of one address, in one sentence; those that left make room."""
    far = {"X-Forwarded-For": "10.0.0.9", "Origin": "https://drives.fennmark.example"}
    public = "https://drives.fennmark.example"
    async with serving(tmp_path, free_port, public_url=public) as page, page.client(headers=far) as client:
        streams = [events(client, "/live?where=alarms") for _ in range(PER_ADDRESS)]
        for stream in streams:
            await next_of(stream, "site")
        refused = await client.get("/live")
        await streams[0].aclose()
        async with asyncio.timeout(5.0):
            while (again := (await client.send(client.build_request("GET", "/live"), stream=True))).status_code != 200:
                await again.aclose()
        await again.aclose()
        for stream in streams[1:]:
            await stream.aclose()

    assert refused.status_code == 429
    assert refused.json()["detail"] == "20 pages listen from 10.0.0.9 already; close one, then try again"


def test_listeners_of_all_addresses_are_bounded() -> None:
    """Two hundred and no more."""
    hub = Hub(Scene(), PlainLook())
    for n in range(LISTENERS):
        hub.join("", "", f"10.0.0.{n}")

    with pytest.raises(Problem, match="200 pages listen already"):
        hub.join("", "", "10.0.1.1")
    assert hub.count == LISTENERS


@pytest.mark.asyncio
@pytest.mark.parametrize(
    "path",
    [
        "/live?where=nowhere",
        "/live?where=drive/XX9",
        "/live?drive=XX9",
        "/live?where=drive/",
        "/live?where=overview/1",  # each place is rendered anew with every change: nobody makes up further ones
        "/live?where=trips/1",
        "/live?where=trip/",
        "/live?where=trip/a%20b",
    ],
)
async def test_streams_of_nothing_are_problems(tmp_path: Path, free_port: int, path: str) -> None:
    """A page that is not there has no stream."""
    async with serving(tmp_path, free_port) as page, page.client() as client:
        answer = await client.get(path)

    assert (answer.status_code, answer.headers["content-type"]) == (404, "application/problem+json")


@pytest.mark.asyncio
async def test_many_who_look_at_a_lockout_ask_the_watch_once(tmp_path: Path, free_port: int) -> None:
    """Once a second for all of them together; after a command at once again."""
    hands = Hands()
    async with serving(tmp_path, free_port, hands=hands) as page, page.client() as client:
        csrf = (await signed_in(client))["csrf"]
        await asyncio.gather(*(client.get("/api/v1/lockout/PC1") for _ in range(20)))
        many = len(page.watch.of("lockout"))
        body = {"what": "cause", "drive": "PC1"}
        await client.post("/api/v1/commands", json=body, headers={"X-CSRF-Token": csrf})
        await client.get("/lockout/PC1")
        after = len(page.watch.of("lockout"))
        hands.forward(1.1)
        await client.get("/lockout/PC1")

    assert (many, after, len(page.watch.of("lockout"))) == (1, 2, 3)


@pytest.mark.asyncio
async def test_worker_says_how_many_look(tmp_path: Path, free_port: int) -> None:
    """`status` of the watch shows address and browsers."""
    async with serving(tmp_path, free_port) as page:
        await until(lambda: len(page.said) >= 1)

    assert page.said[0] == {"up": True, "address": page.base, "browsers": 0}


@pytest.mark.asyncio
async def test_commands_while_the_watch_says_nothing_are_503(tmp_path: Path, free_port: int) -> None:
    """A refusal of the channel is told in its words."""
    async with serving(tmp_path, free_port) as page, page.client() as client:
        csrf = (await signed_in(client))["csrf"]
        page.watch.drives.remove("PC1")  # removed this moment: the page has not been told
        refused = await client.get("/api/v1/lockout/PC1")
        page.watch.hang_up()
        body = {"what": "acknowledge", "drive": "PC1"}
        gone = await client.post("/api/v1/commands", json=body, headers={"X-CSRF-Token": csrf})

    assert (refused.status_code, refused.json()["detail"]) == (409, "unknown verb 'lockout'")
    assert gone.status_code == 503
    assert "the watch is away" in gone.json()["detail"]
