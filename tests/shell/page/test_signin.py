"""Signing in, out and everywhere; sessions over restarts; changing the person; roles."""

from __future__ import annotations

import asyncio
import contextlib
import sqlite3
from pathlib import Path

import httpx
import pytest

from nightrake.page.guesses import FREE
from pagewatch import CHEAP, PASSWORDS, PEOPLE, Hands, serving, signed_in, site_of, told_in, until

ACK = {"what": "acknowledge", "drive": "PC1", "args": {"alarm": "PC1/forward/alarm_contact", "occurrence": 3}}


@pytest.mark.asyncio
async def test_form_signs_in_and_a_command_carries_the_person(tmp_path: Path, free_port: int) -> None:
    """What a person does on the page reaches the watch in their name, once."""
    async with serving(tmp_path, free_port) as page, page.client() as client:
        form = told_in(await client.get("/sign-in?next=/alarms"))
        fields = {"person": "night1", "password": PASSWORDS["night1"], "csrf": form["csrf"], "next": form["next"]}
        entered = await client.post("/sign-in", data=fields)
        shown = told_in(await client.get("/alarms"))
        done = await client.post("/api/v1/commands", json=ACK, headers={"X-CSRF-Token": shown["csrf"]})
        asked = page.watch.of("person_command")

    assert (entered.status_code, entered.headers["location"]) == (303, "/alarms")
    assert shown["who"]["name"] == "Ada Nightingale"
    assert done.json() == {"ok": True, "text": "acknowledge noted", "durable": True}
    assert [{k: v for k, v in one.items() if k != "until_boottime_ns"} for one in asked] == [
        {"person": "night1", "direction": "", **ACK}
    ]
    assert [n["event"] for n in page.watch.of("person_note")] == ["signed_in"]


@pytest.mark.asyncio
async def test_role_decides_what_is_offered_and_the_watch_has_the_last_word(tmp_path: Path, free_port: int) -> None:
    """An operator is not offered a release; asked for all the same, the watch refuses in words with names in them."""
    text = "PC1: not released: night1 has not reported their own lock 17 as removed"
    async with serving(tmp_path, free_port) as page, page.client() as client:
        page.watch.answer = lambda args: {"ok": False, "text": text, "durable": True}
        session = await signed_in(client)
        body = {"what": "release", "drive": "PC1"}
        refused = await client.post("/api/v1/commands", json=body, headers={"X-CSRF-Token": session["csrf"]})
        supervisor = await signed_in(client, "super1")

    assert "release" not in session["may"]
    assert "release" in supervisor["may"]
    assert (refused.status_code, refused.headers["content-type"]) == (409, "application/problem+json")
    assert refused.json()["detail"] == text.replace("night1", "Ada Nightingale")


@pytest.mark.asyncio
async def test_changing_the_person_ends_the_session_before(tmp_path: Path, free_port: int) -> None:
    """On a shared screen the next person needs their own password only; the cookie before is worth nothing."""
    async with serving(tmp_path, free_port) as page, page.client() as client, page.client() as copy:
        first = await signed_in(client)
        copy.cookies.set("nightrake", client.cookies["nightrake"], domain="127.0.0.1")
        wrong = await client.post(
            "/sign-in",
            data={"person": "super1", "password": "no", "csrf": first["csrf"]},
            headers={"Accept": "application/json"},
        )
        still = (await client.get("/api/v1/session")).json()
        fields = {"person": "super1", "password": PASSWORDS["super1"], "csrf": still["csrf"]}
        changed = await client.post("/sign-in", data=fields, headers={"Accept": "application/json"})
        old = (await copy.get("/api/v1/session")).json()

    assert (wrong.status_code, still["person"]) == (401, "night1")
    assert (changed.json()["person"], changed.json()["role"]) == ("super1", "supervisor")
    assert old["person"] == ""
    notes = [(n["event"], n["person"]) for n in page.watch.of("person_note")]
    assert notes == [
        ("signed_in", "night1"), ("sign_in_refused", "super1"), ("signed_out", "night1"), ("signed_in", "super1"),
    ]  # fmt: skip


@pytest.mark.asyncio
async def test_session_id_is_new_at_each_sign_in(tmp_path: Path, free_port: int) -> None:
    """Fixation: an id that was planted before, or read off the screen's former user, is never taken over."""
    async with serving(tmp_path, free_port) as page, page.client() as client:
        client.cookies.set("nightrake", "planted-by-somebody-else", domain="127.0.0.1")
        await signed_in(client)
        ids = {c.value for c in client.cookies.jar if c.name == "nightrake"}
        await signed_in(client)
        ids |= {c.value for c in client.cookies.jar if c.name == "nightrake"}
        async with page.client() as thief:
            thief.cookies.set("nightrake", "planted-by-somebody-else", domain="127.0.0.1")
            thief_is = (await thief.get("/api/v1/session")).json()["person"]

    assert thief_is == ""
    assert len(ids - {"planted-by-somebody-else"}) == 2


@pytest.mark.asyncio
async def test_nothing_holds_after_sign_out_not_even_over_a_restart(tmp_path: Path, free_port: int) -> None:
    """A copied cookie is worth nothing once its owner has signed out."""
    async with serving(tmp_path, free_port) as page, page.client() as client:
        session = await signed_in(client)
        stolen = client.cookies["nightrake"]
        out = await client.post("/sign-out", data={"csrf": session["csrf"]})
        async with page.client(cookies={"nightrake": stolen}) as thief:
            at_once = await thief.post("/api/v1/commands", json=ACK, headers={"X-CSRF-Token": session["csrf"]})
    async with serving(tmp_path, free_port) as page, page.client(cookies={"nightrake": stolen}) as thief:
        later = await thief.post("/api/v1/commands", json=ACK, headers={"X-CSRF-Token": session["csrf"]})
        commands = page.watch.of("person_command")

    assert (out.status_code, out.headers["location"]) == (303, "/")
    assert (at_once.status_code, later.status_code) == (401, 401)
    assert commands == []


@pytest.mark.asyncio
async def test_sign_out_holds_over_a_restart_when_the_disk_was_full(tmp_path: Path, free_port: int) -> None:
    """An end that cannot be written takes the file with it; once there is room again, who is signed in is kept."""
    async with serving(tmp_path, free_port) as page, page.client() as client, page.client() as other:
        session = await signed_in(client)
        stolen = client.cookies["nightrake"]
        file = tmp_path / "page.db"
        with sqlite3.connect(file) as db:  # no room: not one page more than it has
            db.execute("CREATE TRIGGER full BEFORE DELETE ON session BEGIN SELECT RAISE(FAIL, 'disk full'); END")
        db.close()
        fields = {"csrf": session["csrf"], "everywhere": "1"}
        out = await client.post("/sign-out", data=fields, headers={"Accept": "application/json"})
        assert (out.status_code, file.exists()) == (204, False)
        await signed_in(other, "super1")
        kept = other.cookies["nightrake"]
    async with serving(tmp_path, free_port) as page, page.client() as client:
        people = []
        for cookie in (stolen, kept):
            client.cookies.clear()
            client.cookies.set("nightrake", cookie, domain="127.0.0.1")
            people.append((await client.get("/api/v1/session")).json()["person"])

    assert people == ["", "super1"]


@pytest.mark.asyncio
async def test_session_made_under_a_clock_that_was_ahead_ends_with_its_mending(tmp_path: Path, free_port: int) -> None:
    """Signed in while the clock was a year ahead: not for a year; a clock set back by minutes ends nothing."""
    hands = Hands()
    async with serving(tmp_path, free_port, hands=hands) as page, page.client() as client:
        await signed_in(client)
        hands.utc_ms -= 300_000
        soon = (await client.get("/api/v1/session")).json()["person"]
        hands.utc_ms -= 365 * 86_400_000
        later = (await client.get("/api/v1/session")).json()["person"]

    assert (soon, later) == ("night1", "")


@pytest.mark.asyncio
async def test_session_outlives_a_restart_of_the_page(tmp_path: Path, free_port: int) -> None:
    """A worker that dies signs nobody out, and the page that is open goes on with its token."""
    async with serving(tmp_path, free_port) as page, page.client() as client:
        session = await signed_in(client)
        cookies = dict(client.cookies)
    async with serving(tmp_path, free_port) as page, page.client(cookies=cookies) as client:
        done = await client.post("/api/v1/commands", json=ACK, headers={"X-CSRF-Token": session["csrf"]})

    assert done.status_code == 200
    assert PASSWORDS["night1"].encode() not in (tmp_path / "page.db").read_bytes()
    assert cookies["nightrake"].encode() not in (tmp_path / "page.db").read_bytes()
    assert (tmp_path / "page.db").stat().st_mode & 0o077 == 0


@pytest.mark.asyncio
async def test_sign_out_everywhere_ends_every_session_of_the_person(tmp_path: Path, free_port: int) -> None:
    """A telephone that was lost is signed out from the control room; others stay."""
    async with contextlib.AsyncExitStack() as stack:
        page = await stack.enter_async_context(serving(tmp_path, free_port))
        desk, phone, other = [await stack.enter_async_context(page.client()) for _ in range(3)]
        session = await signed_in(desk)
        await signed_in(phone)
        await signed_in(other, "super1")
        await desk.post("/sign-out", data={"csrf": session["csrf"], "everywhere": "1"})
        who = [(await c.get("/api/v1/session")).json()["person"] for c in (desk, phone, other)]

    assert who == ["", "", "super1"]


@pytest.mark.asyncio
@pytest.mark.parametrize(
    "people",
    [
        {"super1": PEOPLE["super1"]},
        {**PEOPLE, "night1": {**PEOPLE["night1"], "password": PEOPLE["super1"]["password"]}},
        {**PEOPLE, "night1": {**PEOPLE["night1"], "password": ""}},
    ],
    ids=["removed", "other password", "no password"],
)
async def test_session_ends_with_its_person_or_password(
    tmp_path: Path, free_port: int, people: dict[str, dict[str, str]]
) -> None:
    """As soon as the settings say so, and for good: the old ones put back do not bring it back."""
    async with serving(tmp_path, free_port) as page, page.client() as client:
        await signed_in(client)
        page.watch.say(site_of(["PC1"], people, digest="d2"))
        async with asyncio.timeout(5.0):
            while (await client.get("/api/v1/session")).json()["person"]:
                pass
        await until(lambda: not rows_in(tmp_path))
        page.watch.say(site_of(["PC1"], PEOPLE, digest="d3"))
        async with asyncio.timeout(5.0):
            while (await client.get("/api/v1/site")).json()["digest"] != "d3":
                pass
        person = (await client.get("/api/v1/session")).json()["person"]

    assert person == ""


def rows_in(folder: Path) -> int:
    """Sessions in the file, as another program counts them: Python's own module for SQLite."""
    with contextlib.closing(sqlite3.connect(f"file:{folder / 'page.db'}?mode=ro", uri=True)) as db:
        return int(db.execute("SELECT count(*) FROM session").fetchone()[0])


@pytest.mark.asyncio
async def test_sign_in_lasts_a_shift(tmp_path: Path, free_port: int) -> None:
    """After its hours it is over, by the clock."""
    hands = Hands()
    async with serving(tmp_path, free_port, hands=hands, sign_in_hours=12) as page, page.client() as client:
        await signed_in(client)
        hands.forward(12 * 3600 - 60)
        before = (await client.get("/api/v1/session")).json()["person"]
        hands.forward(61)
        after = (await client.get("/api/v1/session")).json()["person"]

    assert (before, after) == ("night1", "")


@pytest.mark.asyncio
async def test_guessing_is_slowed_told_and_journalled(tmp_path: Path, free_port: int) -> None:
    """After five wrong ones even the right password has to wait; one sentence says how long; the journal has it."""
    hands = Hands()
    async with serving(tmp_path, free_port, hands=hands) as page, page.client() as client:
        form = (await client.get("/api/v1/session")).json()["csrf"]

        async def guess(password: str) -> tuple[int, str, str]:
            fields = {"person": "night1", "password": password, "csrf": form}
            answer = await client.post("/sign-in", data=fields, headers={"Accept": "application/json"})
            told = answer.json()
            return answer.status_code, told.get("detail", ""), answer.headers.get("retry-after", "")

        wrong = [await guess(f"guess {n}") for n in range(FREE)]
        waiting = await guess(PASSWORDS["night1"])
        hands.forward(2.0)
        right = await guess(PASSWORDS["night1"])
        whys = [n["data"].get("why") for n in page.watch.of("person_note")]

    assert [status for status, _, _ in wrong] == [401] * FREE
    assert waiting == (429, "too many wrong passwords; try again in 2 s", "2")
    assert right[0] == 200
    assert whys == ["password"] * FREE + ["waiting", None]


@pytest.mark.asyncio
async def test_guessing_at_full_speed_costs_the_watch_ten_rows_a_minute(tmp_path: Path, free_port: int) -> None:
    """What was refused besides is counted in the next row."""
    hands = Hands()
    async with serving(tmp_path, free_port, hands=hands) as page, page.client() as client:
        form = (await client.get("/api/v1/session")).json()["csrf"]
        fields = {"person": "night1", "password": "guess", "csrf": form}
        for n in range(101):
            if n == 100:
                hands.forward(61.0)
            await client.post("/sign-in", data=fields, headers={"Accept": "application/json"})
        times = [n["data"]["times"] for n in page.watch.of("person_note")]

    assert times == [1] * 10 + [91]


@pytest.mark.asyncio
async def test_a_link_in_a_message_finds_the_session(tmp_path: Path, free_port: int) -> None:
    """A browser keeps strict cookies from a link on another site; the page then asks once more by itself."""
    link = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate"}
    async with serving(tmp_path, free_port, open_view=False) as page, page.client() as client, page.client() as mail:
        await signed_in(client)
        first = await mail.get("/drives/PC1?x=%22%3E%3Cscript%3E", headers=link)
        again = await client.get("/drives/PC1", headers={"Sec-Fetch-Site": "same-origin"})

    assert '<meta http-equiv="refresh" content="0;url=/drives/PC1?x=' in first.text
    assert "<script>" not in first.text
    assert told_in(again)["who"]["person"] == "night1"


@pytest.mark.asyncio
async def test_many_guesses_at_once_are_no_way_round(tmp_path: Path, free_port: int) -> None:
    """Tries count before their passwords are looked at."""
    hands = Hands()
    async with serving(tmp_path, free_port, hands=hands) as page, page.client() as client:
        form = (await client.get("/api/v1/session")).json()["csrf"]
        fields = {"person": "night1", "csrf": form}
        sent = [
            client.post("/sign-in", data={**fields, "password": f"guess {n}"}, headers={"Accept": "application/json"})
            for n in range(40)
        ]
        statuses = sorted(a.status_code for a in await asyncio.gather(*sent))

    assert statuses.count(401) == FREE
    assert set(statuses) == {401, 429}


@pytest.mark.asyncio
async def test_unknown_names_are_answered_as_known_ones(tmp_path: Path, free_port: int) -> None:
    """The same words, also for somebody without a password; and a password of another person opens nothing."""
    async with serving(tmp_path, free_port) as page, page.client() as client:
        form = (await client.get("/api/v1/session")).json()["csrf"]
        told = []
        for person in ("night1", "quiet1", "nobody", "a\nb\x00<i>"):
            fields = {"person": person, "password": PASSWORDS["super1"], "csrf": form}
            answer = await client.post("/sign-in", data=fields, headers={"Accept": "application/json"})
            told.append((answer.status_code, answer.json()["detail"]))

    assert len(set(told)) == 1
    assert told[0][0] == 401


@pytest.mark.asyncio
async def test_a_password_is_the_same_however_its_letters_are_put_together(tmp_path: Path, free_port: int) -> None:
    """One keyboard sends an accent with its letter, another after it. Source: Unicode Annex 15, NFC."""
    composed, apart = "caf\u00e9 at night", "cafe\u0301 at night"
    person = {**PEOPLE["night1"], "password": CHEAP.hash(composed)}
    async with serving(tmp_path, free_port) as page, page.client() as client:
        page.watch.say(site_of(["PC1"], {"night1": person}))
        await until_told(client, 1)
        session = await signed_in(client, "night1", apart)

    assert session["person"] == "night1"


async def until_told(client: httpx.AsyncClient, people: int) -> None:
    """Until so many people can sign in."""
    async with asyncio.timeout(5.0):
        while len((await client.get("/api/v1/session")).json()["people"]) != people:
            pass


@pytest.mark.asyncio
async def test_a_page_that_is_not_open_shows_nothing_to_strangers(tmp_path: Path, free_port: int) -> None:
    """Pages lead to the sign-in, the API and the stream refuse; a session that ends takes its stream along."""
    async with serving(tmp_path, free_port, open_view=False) as page, page.client() as client:
        sent = await client.get("/drives/PC1")
        paths = ("site", "drives", "drives/PC1", "alarms", "trips", "journal", "lockout/PC1", "sheet/PC1")
        statuses = {(await client.get(f"/api/v1/{p}")).status_code for p in paths}
        statuses.add((await client.get("/live")).status_code)
        moment = await client.get("/drives/PC1?at=1795688494968&span=600000")
        form = await client.get(sent.headers["location"])
        session = await signed_in(client)
        async with client.stream("GET", "/live") as stream:
            lines = stream.aiter_lines()
            while "event: service" not in await anext(lines):
                pass
            await client.post("/sign-out", data={"csrf": session["csrf"]})
            rest = [line async for line in lines]

    assert (sent.status_code, sent.headers["location"]) == (303, "/sign-in?next=/drives/PC1")
    assert moment.headers["location"] == "/sign-in?next=/drives/PC1%3Fat%3D1795688494968%26span%3D600000"
    assert statuses == {401}
    assert told_in(form)["drives"] == ["PC1", "SC1"] or form.status_code == 200
    assert 'data: {"why":"this sign-in has ended"}' in rest


@pytest.mark.asyncio
async def test_damaged_sessions_file_signs_people_out_and_is_kept(tmp_path: Path, free_port: int) -> None:
    """The page comes up all the same; the damaged file is moved aside."""
    (tmp_path / "page.db").write_bytes(b"no database at all" * 500)
    async with serving(tmp_path, free_port) as page, page.client() as client:
        session = await signed_in(client)

    assert session["person"] == "night1"
    assert (tmp_path / "page.db.damaged").exists()
