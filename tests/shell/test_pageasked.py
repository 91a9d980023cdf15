"""The page at a watch, over its own channel: who acts, what they may, what is told, and what the socket lacks."""

from __future__ import annotations

import asyncio
import json
import socket
import threading
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

import pytest

from nightrake.alarms.rights import MAY
from nightrake.app import Watch
from nightrake.beginning import Given, open_store
from nightrake.clock import SystemClock
from nightrake.control.channel import Channel
from nightrake.control.place import Place
from nightrake.domain.inputs import SettingsChanged
from nightrake.domain.sceneview import scene_view, with_values
from nightrake.pageasked import PAGE, READING
from nightrake.polling import Pollers
from nightrake.settings import Settings, load, secrets_of
from unit.settings.test_page import FAST, HASH, OTHER

CONFIG = Path(__file__).parents[2] / "config"


def settings_in(folder: Path) -> Settings:
    """The example, with its store here, and passwords for three people; the fitter has none."""
    settings = load(CONFIG, {"store.dir": str(folder / "state"), "control.socket": str(folder / "control")})
    hashes = {"night1": HASH, "super1": OTHER, "drives": FAST}
    people = {i: p.model_copy(update={"page_password": hashes.get(i, "")}) for i, p in settings.people.items()}
    return replace(settings, people=people)


class Page:
    """The worker's end of the channel: asks, and keeps what the scene tells."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._reader, self._writer = reader, writer
        self._ref = self._scene = 0
        self.told: list[dict[str, Any]] = []

    def _send(self, verb: str, args: dict[str, Any]) -> int:
        self._ref += 1
        self._writer.write(json.dumps({"verb": verb, "args": args, "ref": self._ref}).encode() + b"\n")
        return self._ref

    async def ask(self, verb: str, **args: Any) -> Any:
        """The reply to one request; what the scene says meanwhile is kept."""
        ref = self._send(verb, args)
        while (reply := await self._next())["ref"] != ref:
            self._keep(reply)
        return reply.get("result") if reply["ok"] else reply["error"]

    def look(self, whole: bool = True) -> None:
        """Ask for the scene."""
        self._scene = self._send("scene", {"whole": whole})

    async def until(self, key: str) -> Any:
        """What the scene says under a key, as soon as it does."""
        while True:
            if found := [message[key] for message in self.told if key in message]:
                return found[-1]
            self._keep(await self._next())

    def _keep(self, reply: dict[str, Any]) -> None:
        if reply["ref"] == self._scene:
            self.told.append(reply["result"])

    async def _next(self) -> dict[str, Any]:
        return dict(json.loads(await self._reader.readline()))


@asynccontextmanager
async def watching(folder: Path) -> AsyncIterator[tuple[Watch, Page]]:
    """A watch with its store at work and nobody polled, and the page at its channel."""
    settings, clock = settings_in(folder), SystemClock()
    place = Place(settings.control.socket)
    store = open_store(settings, clock)
    log = cast("Any", None)
    given = Given(settings, secrets_of(settings), CONFIG, {}, store, clock, place, log, log, threading.Event())
    watch = Watch(given)
    store.start(watch._durable, lambda *_: None, lambda *_: None, lambda: None, lambda *_: None)
    watch.engine.begin(watch._started)
    watch.pollers = Pollers(cast("Any", None), clock, lambda _: None, lambda *_: None)
    ours, theirs = socket.socketpair()
    asked = watch._page_asked
    serving = asyncio.create_task(Channel(ours, PAGE, asked.verbs(), asked.streams()).run())
    reader, writer = await asyncio.open_unix_connection(sock=theirs, limit=2**26)
    try:
        yield watch, Page(reader, writer)
    finally:
        writer.close()
        await serving
        await store.close()


async def rows(watch: Watch, kind: str) -> list[dict[str, Any]]:
    """Rows of one kind: event, and what they hold."""
    await watch.store.wait_durable(watch.engine.last_seq, 5.0)
    found = await watch.store.rows_after(0, 1000)
    return [{"event": r.event, "drive": r.drive, **json.loads(r.payload)} for r in found if r.kind == kind]


STANDBY = {"what": "standby", "drive": "PC1", "args": {"for_s": 3600, "reason": "drained"}}


@pytest.mark.asyncio
async def test_command_is_its_persons_and_their_role_is_looked_up(tmp_path: Path) -> None:
    """Whatever role the page would claim; the row says who it was and how that is known."""
    async with watching(tmp_path) as (watch, page):
        done = await page.ask("person_command", person="super1", role="nobody", **STANDBY)
        assert (done["ok"], done["durable"]) == (True, True)
        assert "in standby" in done["text"]
        (row,) = [r for r in await rows(watch, "drive") if r["event"] == "standby_began"]
        who = (row["drive"], row["actor"], row["role"], row["known_by"])
        assert who == ("PC1", "super1", "supervisor", "page session")


@pytest.mark.asyncio
@pytest.mark.parametrize(("for_s", "words"), [(600, "10 min"), (3600, "1 h"), (5400, "1 h 30 min"), (259_200, "3 d")])
async def test_standby_is_answered_in_words(tmp_path: Path, for_s: int, words: str) -> None:
    """Not in hours with six decimals."""
    async with watching(tmp_path) as (_, page):
        args = {"for_s": for_s, "reason": "drained"}
        told = await page.ask("person_command", person="super1", what="standby", drive="PC1", args=args)
    assert told["text"] == f"PC1: in standby for {words}; it ends by itself"


@pytest.mark.asyncio
async def test_what_the_role_may_not_is_refused_in_the_watchs_own_sentence(tmp_path: Path) -> None:
    """And journalled as refused, with the name."""
    verb = next(v for v in MAY if "operator" not in MAY[v])
    async with watching(tmp_path) as (watch, page):
        done = await page.ask("person_command", person="night1", what=verb, drive="PC1", args={}, role="supervisor")
        assert done["ok"] is False
        (row,) = await rows(watch, "command")
        assert (row["event"], row["actor"], row["role"], row["verb"]) == ("refused", "night1", "operator", verb)
        assert row["reason"][:40] in done["text"]


@pytest.mark.asyncio
@pytest.mark.parametrize("person", ["fitter1", "nobody", "", "night1\n", 7])
async def test_who_cannot_sign_in_cannot_act(tmp_path: Path, person: object) -> None:
    """Neither people without a password, as after it was taken out, nor strangers; nothing is done."""
    async with watching(tmp_path) as (watch, page):
        seq = watch.engine.last_seq
        answer = await page.ask("person_command", person=person, **STANDBY)
        assert "no such person has a page_password now" in answer
        assert watch.engine.last_seq == seq


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("args", "words"),
    [
        ({"person": "super1"}, "wrong arguments"),
        ({"person": "super1", "what": "standby", "args": [1]}, "'args' is an object"),
        ({"person": "super1", "what": "standby", "args": {"a": {"b": 1}}}, "is a text, a number or a list"),
        ({"what": "standby"}, "wrong arguments"),
    ],
)
async def test_nonsense_is_refused_in_a_sentence(tmp_path: Path, args: dict[str, Any], words: str) -> None:
    """The channel goes on."""
    async with watching(tmp_path) as (_, page):
        assert words in await page.ask("person_command", **args)
        assert "words" in await page.ask("lockout", drive="PC1")


@pytest.mark.asyncio
async def test_only_the_channel_speaks_for_people(tmp_path: Path) -> None:
    """The control socket for all has neither these verbs nor the scene; the channel, only what changes nothing else."""
    async with watching(tmp_path) as (watch, page):
        assert not {"scene", "person_command", "person_note"} & set(watch._asked.verbs())
        assert set(watch._page_asked.verbs()) == {*READING, "person_command", "person_note"}
        for verb in ("command", "reload", "recompute", "compact", "probe", "retry_letters"):
            assert f"unknown verb '{verb}'" in await page.ask(verb, what="reset", drive="PC1")


@pytest.mark.asyncio
async def test_sign_ins_are_rows_that_name_no_stranger(tmp_path: Path) -> None:
    """What a stranger typed as a name may be a password; facts are bounded, and many refusals are counted."""
    async with watching(tmp_path) as (watch, page):
        assert await page.ask("person_note", event="signed_in", person="night1", data={"address": "10.0.0.7"}) == {
            "ok": True
        }
        data = {"address": "x" * 500, "password": "hunter2", "why": "a\nb"}
        await page.ask("person_note", event="sign_in_refused", person="hunter2", data=data)
        assert "is no event of the page" in await page.ask("person_note", event="reset", person="night1")
        assert "is an object" in await page.ask("person_note", event="signed_in", person="night1", data=[1])
        signed_in, refused = await rows(watch, "page")
        assert (signed_in["event"], signed_in["actor"], signed_in["address"]) == ("signed_in", "night1", "10.0.0.7")
        assert (refused["stranger"], refused["why"], len(refused["address"]) <= 65) == (True, "a b", True)
        assert "hunter2" not in json.dumps(refused)
        for times in (12, 1, 0, -3, 10**9, "7", True):
            await page.ask("person_note", event="sign_in_refused", person="day1", data={"times": times})
        assert [r.get("times") for r in (await rows(watch, "page"))[2:]] == [12, *[None] * 6]
        for _ in range(100):
            await page.ask("person_note", event="sign_in_refused", person="night1", data={})
        assert len(await rows(watch, "page")) < 30


@pytest.mark.asyncio
async def test_scene_is_whole_and_then_follows(tmp_path: Path) -> None:
    """First the site, with who may sign in; then everything; then what changes, in views, alarms and rows."""
    async with watching(tmp_path) as (watch, page):
        page.look()
        assert await page.until("complete") is True
        site = page.told[0]["site"]
        assert (site["id"], site["zone"], site["epoch"]) == ("fennmark", "Europe/London", watch.store.epoch)
        assert [d["id"] for d in site["drives"]] == list(watch.settings.site.drives)
        assert site["people"]["night1"] == {"name": "Night shift operator", "role": "operator", "password": HASH}
        assert site["people"]["fitter1"]["password"] == ""
        assert site["needs"]
        drives: dict[str, Any] = {}
        for message in page.told:
            drives |= message.get("drives", {})
        assert set(drives) == set(watch.settings.site.drives)
        assert await page.until("alarms") == []
        service = await page.until("service")
        assert (service["plcs"], service["history"]["enabled"], service["scans"]["late"]) == ({}, True, 0)

        page.told.clear()
        await page.ask("person_command", person="super1", **STANDBY)
        changed = await page.until("drives")
        assert changed["PC1"]["standby"]["by"] == "super1"
        assert "standby_began" in [row["event"] for row in await page.until("rows")]


@pytest.mark.asyncio
async def test_rows_that_came_too_fast_are_said_to_be_missing(tmp_path: Path) -> None:
    """More than are at hand before their turn: whoever lives by rows is told, and nobody else is."""
    async with watching(tmp_path) as (watch, page):
        page.look()
        await page.until("complete")
        await page.ask("person_command", person="super1", **STANDBY)
        while max((r["seq"] for m in page.told for r in m.get("rows", ())), default=0) < watch.recent[-1].seq:
            page._keep(await page._next())
        calm = [message for message in page.told if "rows" in message]
        last = watch.recent[-1]
        watch.recent.append(last._replace(seq=last.seq + 5))  # those between have left it again
        missed = await page.until("missed")
    assert calm
    assert not any("missed" in message for message in calm)
    assert missed is True


@pytest.mark.asyncio
async def test_changed_settings_come_as_a_new_site(tmp_path: Path) -> None:
    """A person without a password any more is told at once, to listeners of either kind."""
    async with watching(tmp_path) as (watch, page):
        page.look(whole=False)
        await page.until("site")
        page.told.clear()
        people = {i: p.model_copy(update={"page_password": ""}) for i, p in watch.settings.people.items()}
        watch.settings = replace(watch.settings, people=people, digest="another")
        site = await page.until("site")
        assert site["digest"] == "another"
        assert not any(p["password"] for p in site["people"].values())
        assert not watch._page_asked.scene._feeds.copy().pop()._told  # nothing was looked at for nobody


@pytest.mark.asyncio
async def test_nobody_looking_costs_a_sign_of_life_only(tmp_path: Path) -> None:
    """The site, and every two seconds that the watch is there; asked for the whole, it is told anew."""
    async with watching(tmp_path) as (watch, page):
        page.look(whole=False)
        assert await page.until("alive") > 0
        assert {key for message in page.told for key in message} == {"site", "alive"}
        page.told.clear()
        page.look()
        await page.until("complete")
        assert "site" in page.told[0]
        assert len(watch._page_asked.scene._feeds) == 1


@pytest.mark.asyncio
async def test_drive_that_a_reload_adds_or_removes_follows(tmp_path: Path) -> None:
    """What the page has is what the watch has, drive by drive."""
    async with watching(tmp_path) as (watch, page):
        page.look()
        await page.until("complete")
        page.told.clear()
        old = watch.settings
        left = {i: d for i, d in old.site.drives.items() if i != "SC2"}
        site = replace(old.site, drives=left, digest="fewer")
        watch.settings = replace(old, site=site, digest="fewer")
        now = (watch._clock.mono_ns(), watch._clock.utc_ms())
        watch.engine.submit(SettingsChanged(*now, site, old.response))
        told = await page.until("site")
        assert "SC2" not in [d["id"] for d in told["drives"]]

        page.told.clear()
        watch.settings = old
        watch.engine.submit(SettingsChanged(*now, old.site, old.response))
        views = await page.until("drives")
        assert set(views) == {"SC2"}
        whole = scene_view(watch.engine.state, "SC2", *now)
        assert views["SC2"]["contacts"] == whole["contacts"]
        assert with_values(views["SC2"], [None, None, "absent", None, 0])["torque_nm"] == whole["torque_nm"]
