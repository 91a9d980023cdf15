"""A site that shows nothing to strangers, not even who works there; whoever signs in types a name and is found."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import httpx
import pytest

from nightrake.page.directory import Directory
from pagewatch import PASSWORDS, PEOPLE, Served, serving, signed_in, told_in

NAMES = ("Ada", "Dayley", "night1", "super1")


async def enter(page: Served, person: str, password: str = PASSWORDS["night1"]) -> httpx.Response:
    """Sign in with what somebody typed."""
    async with page.client() as client:
        form = (await client.get("/api/v1/session")).json()
        fields = {"person": person, "password": password, "csrf": form["csrf"]}
        return await client.post("/sign-in", data=fields, headers={"Accept": "application/json"})


async def told_to_strangers(page: Served) -> str:
    """Everything that somebody without a sign-in can get hold of."""
    paths = (
        "/",
        "/sign-in",
        "/sign-in?person=x",
        "/help",
        "/nowhere",
        "/drives/PC1",
        "/api/v1/session",
        "/api/v1/site",
    )
    async with page.client() as client:
        found = [(await client.get(path)).text for path in paths]
        form = (await client.get("/api/v1/session")).json()
        fields = {"person": "x", "password": "x", "csrf": form["csrf"]}
        found.append((await client.post("/sign-in", data=fields)).text)
    return "\n".join(found)


@pytest.mark.asyncio
async def test_stranger_learns_no_name(tmp_path: Path, free_port: int) -> None:
    """On no page, in no answer, also after a wrong password."""
    async with serving(tmp_path, free_port, open_view=False) as page:
        told = await told_to_strangers(page)

    assert [name for name in NAMES if name in told] == []


@pytest.mark.asyncio
async def test_site_may_list_them_all_the_same(tmp_path: Path, free_port: int) -> None:
    """`list_people`; and where the view is open they are listed anyway."""
    for is_open in (False, True):
        named = serving(tmp_path, free_port, open_view=is_open, list_people=not is_open)
        async with named as page, page.client() as client:
            people = (await client.get("/api/v1/session")).json()["people"]
            form = told_in(await client.get("/sign-in"))["people"]

        assert [one["person"] for one in people] == ["night1", "super1"]
        assert form == people


@pytest.mark.asyncio
async def test_who_is_signed_in_sees_who_could_take_over(tmp_path: Path, free_port: int) -> None:
    """On a shared screen the next person is chosen; after the sign-out nobody is shown any more."""
    async with serving(tmp_path, free_port, open_view=False) as page, page.client() as client:
        session = await signed_in(client)
        listed = told_in(await client.get("/sign-in?person=super1"))["people"]
        await client.post("/sign-out", data={"csrf": session["csrf"]})
        after = told_in(await client.get("/sign-in"))["people"]

    assert [one["person"] for one in listed] == [one["person"] for one in session["people"]] == ["night1", "super1"]
    assert after == []


@pytest.mark.asyncio
@pytest.mark.parametrize("typed", ["night1", "Ada Nightingale", " ada  nightingale ", "NIGHT1"])
async def test_name_or_id_is_found_as_people_type_it(tmp_path: Path, free_port: int, typed: str) -> None:
    """In large or small letters; the journal has the id."""
    async with serving(tmp_path, free_port, open_view=False) as page:
        answer = await enter(page, typed)
        note = page.watch.of("person_note")[-1]

    assert (answer.status_code, answer.json()["person"]) == (200, "night1")
    assert (note["event"], note["person"]) == ("signed_in", "night1")


@pytest.mark.asyncio
async def test_wrong_name_and_wrong_password_are_told_alike(tmp_path: Path, free_port: int) -> None:
    """Whoever tries names hears nothing of which there are."""
    async with serving(tmp_path, free_port, open_view=False) as page:
        answers = [await enter(page, typed, "wrong") for typed in ("night1", "ada nightingale", "nobody", "quiet1", "")]

    assert len({(a.status_code, a.text) for a in answers}) == 1
    assert answers[0].status_code == 401


@pytest.mark.asyncio
async def test_guesses_at_a_name_and_at_its_id_count_together(tmp_path: Path, free_port: int) -> None:
    """Other letters are no further tries."""
    typed = ("night1", "Night1", "NIGHT1", "ada nightingale", "Ada Nightingale", "ADA NIGHTINGALE", "night1 ")
    async with serving(tmp_path, free_port, open_view=False) as page:
        codes = [(await enter(page, one, "wrong")).status_code for one in typed]

    assert codes[:5] == [401] * 5
    assert 429 in codes[5:]


def test_name_of_two_people_is_nobody_s() -> None:
    """Then only the id tells them apart; an id is no other person's name; whoever cannot sign in is no other."""

    def meant(typed: str, **people: dict[str, Any]) -> str:
        directory = Directory()
        directory.take(people)
        return directory.meant(typed)

    ada, quiet = PEOPLE["night1"], PEOPLE["quiet1"]
    assert meant("ada nightingale", n1=ada, n2=ada) == "ada nightingale"
    assert meant("n2", n1=ada, n2=ada) == "n2"
    assert meant("n1", n1={**ada, "name": "x"}, n2={**ada, "name": "n1"}) == "n1"
    assert meant("Ada Nightingale", n1=ada, n2={**quiet, "name": "Ada Nightingale"}) == "n1"
    assert meant("", n1={**ada, "name": ""}) == ""
