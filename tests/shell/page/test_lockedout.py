"""Somebody guesses, or the page has just begun: the right person still comes in, and out when they want to."""

from __future__ import annotations

import asyncio
import contextlib
import resource
import sqlite3
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import argon2
import httpx
import pytest

from nightrake.page.guesses import FREE
from nightrake.page.problems import Problem
from nightrake.page.sessions import Sessions
from nightrake.page.signin import WAITING, Passwords
from pagewatch import PASSWORDS, PEOPLE, Hands, serving, signed_in, site_of, until

ACK = {"what": "acknowledge", "drive": "PC1", "args": {"alarm": "PC1/forward/alarm_contact", "occurrence": 3}}
JSON = {"Accept": "application/json"}


async def tried(client: httpx.AsyncClient, person: str, password: str) -> httpx.Response:
    """One try to sign in."""
    csrf = (await client.get("/api/v1/session")).json()["csrf"]
    return await client.post("/sign-in", data={"person": person, "password": password, "csrf": csrf}, headers=JSON)


@pytest.mark.asyncio
async def test_guesser_behind_the_same_address_locks_nobody_out(tmp_path: Path, free_port: int) -> None:
    """One gateway for the whole plant, and somebody behind it guesses all night: a browser that is known comes in."""
    hands = Hands()
    async with serving(tmp_path, free_port, hands=hands) as page, page.client() as desk, page.client() as guesser:
        session = await signed_in(desk)
        await desk.post("/sign-out", data={"csrf": session["csrf"]}, headers=JSON)
        for n in range(3 * FREE):
            for person in ("night1", "super1", "nobody"):
                await tried(guesser, person, f"guess {n}")
            hands.forward(60.0)
        refused = await tried(guesser, "super1", PASSWORDS["super1"])
        again = await tried(desk, "night1", PASSWORDS["night1"])

    assert refused.status_code == 429
    assert again.status_code == 200


@pytest.mark.asyncio
async def test_a_known_browser_is_no_way_to_guess_faster(tmp_path: Path, free_port: int) -> None:
    """It has a count of its own, for the people who have signed in with it, and as long a wait as an address."""
    hands = Hands()
    async with serving(tmp_path, free_port, hands=hands) as page, page.client() as desk:
        session = await signed_in(desk)
        await desk.post("/sign-out", data={"csrf": session["csrf"]}, headers=JSON)
        own = [(await tried(desk, "night1", f"guess {n}")).status_code for n in range(3 * FREE)]
        planted = {"nightrake-browser": "x" * 43}
        async with page.client(cookies=planted) as other:
            theirs = [(await tried(other, "super1", f"guess {n}")).status_code for n in range(2 * FREE)]
            await tried(other, "super1", PASSWORDS["super1"])
            kept = other.cookies.get("nightrake-browser", "")

    assert own.count(401) == 2 * FREE  # by the browser and by the address
    assert theirs.count(401) <= FREE
    assert kept == "x" * 43  # refused: nothing new was given, and what was planted is known to nobody


@pytest.mark.asyncio
async def test_the_browsers_id_is_the_pages_own_and_outlives_everything(tmp_path: Path, free_port: int) -> None:
    """One that was planted is replaced; that of a shared screen stays, for each person who signs in there."""
    async with serving(tmp_path, free_port) as page, page.client() as desk:
        desk.cookies.set("nightrake-browser", "planted-by-somebody-else", domain="127.0.0.1")
        answer = await tried(desk, "night1", PASSWORDS["night1"])
        (first,) = [c for c in answer.headers.get_list("set-cookie") if c.startswith("nightrake-browser=")]
        mine = first.partition("=")[2].partition(";")[0]
        desk.cookies.clear()
        desk.cookies.set("nightrake-browser", mine, domain="127.0.0.1")
        answer = await tried(desk, "super1", PASSWORDS["super1"])
        (second,) = [c for c in answer.headers.get_list("set-cookie") if c.startswith("nightrake-browser=")]
        kept = (tmp_path / "page.db").read_bytes()

    assert mine != "planted-by-somebody-else"
    assert len(mine) >= 43
    assert "HttpOnly; SameSite=Strict; Max-Age=2592000" in first
    assert second == first
    assert mine.encode() not in kept


@pytest.mark.asyncio
async def test_a_telephone_is_known_by_its_network(tmp_path: Path) -> None:
    """IPv6: it changes its address each day within a network of 2^64. Source: RFC 8981, temporary addresses."""
    hands = Hands()
    sessions = Sessions(tmp_path, lambda: hands.utc_ms, print)
    await sessions.open()
    person: Any = type("Known", (), {"id": "night1", "mark": b"m"})
    await sessions.begin(person, "2001:db8:0:7::1", 12.0)
    await sessions.begin(person, "192.0.2.7", 12.0)
    await sessions.close()
    anew = Sessions(tmp_path, lambda: hands.utc_ms, print)
    await anew.open()
    known = {
        address: anew.is_familiar("night1", address)
        for address in ("2001:db8:0:7:a:b:c:d", "2001:db8:0:8::1", "192.0.2.7", "192.0.2.8")
    }
    await anew.close()

    assert known == {"2001:db8:0:7:a:b:c:d": True, "2001:db8:0:8::1": False, "192.0.2.7": True, "192.0.2.8": False}


@pytest.mark.asyncio
async def test_before_it_is_known_who_there_is_nobody_is_told_a_wrong_password(tmp_path: Path, free_port: int) -> None:
    """The page's process was started anew and the watch is busy: the right password is neither wrong nor counted."""
    async with serving(tmp_path, free_port, hands=Hands(), mute=True) as page, page.client() as client:
        early = [await tried(client, "night1", PASSWORDS["night1"]) for _ in range(2 * FREE)]
        page.watch.is_mute = False
        page.watch.say(site_of(["PC1"]))
        async with contextlib.aclosing(_people(client)) as told:
            await anext(told)
        late = await tried(client, "night1", PASSWORDS["night1"])

    assert {a.status_code for a in early} == {503}
    assert {a.json()["detail"].partition(";")[0] for a in early} == {
        "the page has just been started and does not know its people yet"
    }
    assert {a.headers["retry-after"] for a in early} == {"2"}
    assert late.status_code == 200


async def _people(client: httpx.AsyncClient) -> Any:
    while not (await client.get("/api/v1/session")).json()["people"]:
        pass
    yield


@pytest.mark.asyncio
@pytest.mark.parametrize("everywhere", ["0", "1"])
async def test_sign_out_before_it_is_known_who_there_is_holds(tmp_path: Path, free_port: int, everywhere: str) -> None:
    """It takes the cookie away, so it has to end the session: a copy of the cookie is worth nothing afterwards."""
    async with serving(tmp_path, free_port) as page, page.client() as client:
        csrf = (await signed_in(client))["csrf"]
        cookies = dict(client.cookies)
    async with serving(tmp_path, free_port, mute=True) as page, page.client(cookies=cookies) as client:
        command = await client.post("/api/v1/commands", json=ACK, headers={"X-CSRF-Token": csrf})
        forged = await client.post("/sign-out", data={"csrf": "x"}, headers=JSON)
        out = await client.post("/sign-out", data={"csrf": csrf, "everywhere": everywhere}, headers=JSON)
    async with serving(tmp_path, free_port) as page, page.client(cookies=cookies) as thief:
        async with contextlib.aclosing(_people(thief)) as told:
            await anext(told)
        person = (await thief.get("/api/v1/session")).json()["person"]

    assert command.status_code == 503  # neither done nor "sign in first"
    assert (forged.status_code, out.status_code) == (403, 204)
    assert person == ""


@pytest.mark.asyncio
async def test_a_closed_site_sends_nobody_to_the_sign_in_who_is_signed_in(tmp_path: Path, free_port: int) -> None:
    """Before the watch has said who there is, a page that is not open says so and shows nothing."""
    async with serving(tmp_path, free_port, open_view=False) as page, page.client() as client:
        await signed_in(client)
        cookies = dict(client.cookies)
    async with serving(tmp_path, free_port, open_view=False, mute=True) as page, page.client(cookies=cookies) as client:
        answers = [await client.get(path) for path in ("/", "/api/v1/drives", "/live", "/drives/PC1")]

    assert [a.status_code for a in answers] == [503] * 4


@pytest.mark.asyncio
@pytest.mark.parametrize("way", ["removed", "replaced"])
async def test_sessions_outlive_their_file(tmp_path: Path, free_port: int, way: str) -> None:
    """page.db is removed, or an old copy put in its place, under the page: what ended stays ended."""
    file, copy = tmp_path / "page.db", tmp_path / "copy.db"
    async with serving(tmp_path, free_port) as page, page.client() as client, page.client() as other:
        session = await signed_in(client)
        stolen = client.cookies["nightrake"]
        with contextlib.closing(sqlite3.connect(file)) as db, contextlib.closing(sqlite3.connect(copy)) as to:
            db.backup(to)
        await signed_in(other, "super1")
        stays = other.cookies["nightrake"]
        file.unlink()
        if way == "replaced":
            copy.rename(file)
        await client.post("/sign-out", data={"csrf": session["csrf"]}, headers=JSON)
    people = {}
    async with serving(tmp_path, free_port) as page, page.client() as client:
        await until(lambda: bool(page.watch.of("scene")))
        async with contextlib.aclosing(_people(client)) as told:
            await anext(told)
        for name, cookie in (("stolen", stolen), ("stays", stays)):
            client.cookies.clear()
            client.cookies.set("nightrake", cookie, domain="127.0.0.1")
            people[name] = (await client.get("/api/v1/session")).json()["person"]

    assert people == {"stolen": "", "stays": "super1"}


HUGE = "$argon2id$v=19$m=2147483647,t=1,p=1$c29tZXNhbHRzb21l$" + "A" * 43
"""A hash that takes 2 TB."""


@pytest.fixture
def least_memory() -> Iterator[None]:
    """A machine that promises no more than 64 GB, whatever its kernel would."""
    soft, hard = resource.getrlimit(resource.RLIMIT_AS)
    resource.setrlimit(resource.RLIMIT_AS, (64 << 30, hard))
    yield
    resource.setrlimit(resource.RLIMIT_AS, (soft, hard))


@pytest.mark.asyncio
@pytest.mark.usefixtures("least_memory")
async def test_password_that_cannot_be_looked_at_is_not_a_wrong_one(tmp_path: Path, free_port: int) -> None:
    """The machine is short of memory: that is said, and does not count as a guess."""
    people = {**PEOPLE, "night1": {**PEOPLE["night1"], "password": HUGE}}
    async with serving(tmp_path, free_port, hands=Hands()) as page, page.client() as client:
        page.watch.say(site_of(["PC1"], people, digest="d2"))
        async with asyncio.timeout(5.0):
            while (await client.get("/api/v1/site")).json()["digest"] != "d2":
                pass
        answers = [await tried(client, "night1", PASSWORDS["night1"]) for _ in range(2 * FREE)]
        rows = page.watch.of("person_note")
        other = await tried(client, "super1", PASSWORDS["super1"])

    assert {a.status_code for a in answers} == {503}
    assert "no memory left to look at a password (Memory allocation error)" in answers[0].json()["detail"]
    assert rows == []
    assert other.status_code == 200


@pytest.mark.asyncio
async def test_a_crowd_of_strangers_keeps_no_known_person_waiting() -> None:
    """As many passwords as may wait are of strangers; one of somebody who is known is looked at beside them."""
    passwords = Passwords()
    slow = argon2.PasswordHasher(time_cost=2, memory_cost=16_384, parallelism=1).hash("right")
    strangers = [asyncio.create_task(passwords.hold(slow, "wrong")) for _ in range(WAITING + 1)]
    await asyncio.sleep(0)
    with pytest.raises(Problem, match="many people are signing in"):
        await passwords.hold(slow, "wrong")
    holds = await passwords.hold(slow, "right", known=True)
    before = sum(one.done() for one in strangers)
    await asyncio.gather(*strangers)
    passwords.close()

    assert holds
    assert before < WAITING


@pytest.mark.asyncio
async def test_a_name_that_nobody_has_takes_as_long_as_one_that_somebody_has(tmp_path: Path, free_port: int) -> None:
    """The ratio of the shortest of several, each beside the other: whoever listens to the clock learns no names."""
    people = {p: {**k, "password": argon2.PasswordHasher(2, 32_768, 1).hash(p)} for p, k in PEOPLE.items()}
    took: dict[str, list[float]] = {"night1": [], "nobody": [], "quiet1": []}
    people["quiet1"]["password"] = ""
    hands = Hands()
    async with serving(tmp_path, free_port, hands=hands) as page, page.client() as client:
        page.watch.say(site_of(["PC1"], people, digest="d2"))
        async with asyncio.timeout(5.0):
            while (await client.get("/api/v1/site")).json()["digest"] != "d2":
                pass
        csrf = (await client.get("/api/v1/session")).json()["csrf"]
        for n in range(15):
            person = list(took)[n % 3]
            hands.forward(4000.0)  # no guess waits
            began_s = time.perf_counter()
            form = {"person": person, "password": f"x{n}", "csrf": csrf}
            assert (await client.post("/sign-in", data=form, headers=JSON)).status_code == 401
            took[person].append(time.perf_counter() - began_s)

    shortest = {person: min(times) for person, times in took.items()}
    assert max(shortest.values()) / min(shortest.values()) < 2.0, shortest


@pytest.mark.asyncio
async def test_nobody_behind_a_proxy_guesses_under_anothers_address(tmp_path: Path, free_port: int) -> None:
    """A proxy that adds a line of its own: the line that came with the request counts for nobody."""
    public = "https://drives.fennmark.example"
    async with serving(tmp_path, free_port, public_url=public, hands=Hands()) as page:
        for n in range(2 * FREE):
            headers = [("X-Forwarded-For", f"192.0.2.{n}"), ("X-Forwarded-For", "203.0.113.66")]
            cookie = {"Cookie": f"__Host-nightrake-form={'x' * 43}", "Origin": public}
            async with httpx.AsyncClient(base_url=page.base, trust_env=False) as client:
                seen = await client.get("/api/v1/session", headers=[*headers, *cookie.items()])
                form = {"person": "night1", "password": f"guess {n}", "csrf": seen.json()["csrf"]}
                await client.post("/sign-in", data=form, headers=[*headers, *cookie.items(), *JSON.items()])
        rows = page.watch.of("person_note")

    assert {row["data"]["address"] for row in rows} == {"203.0.113.66"}
    assert "waiting" in {row["data"]["why"] for row in rows}
