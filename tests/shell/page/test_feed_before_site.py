"""The page's own start: before the watch has said who there is."""

from __future__ import annotations

from pathlib import Path

import pytest

from nightrake.page.directory import Directory, Person
from nightrake.page.feed import SWEEP_S, SceneFeed
from nightrake.page.hub import Hub
from nightrake.page.scene import Scene
from nightrake.page.sessions import Sessions
from pagewatch import PEOPLE, Hands, PlainLook, site_of


@pytest.mark.asyncio
async def test_nobody_is_signed_out_before_it_is_known_who_there_is(tmp_path: Path) -> None:
    """The watch says nothing for long after the page's start: sessions are kept until it has named its people."""
    hands, directory = Hands(), Directory()
    sessions = Sessions(tmp_path, lambda: hands.utc_ms, print)
    await sessions.open()
    password = str(PEOPLE["night1"]["password"])
    session_id = await sessions.begin(Person("night1", "Ada", "operator", password), "10.0.0.9", 12.0)
    feed = SceneFeed(Hub(Scene(), PlainLook()), directory, sessions, lambda whole: None, lambda: hands.mono_s)
    hands.forward(3 * SWEEP_S)
    await feed.look()
    feed.heard(site_of(["PC1"]))
    await feed.look()
    known = sessions.find(session_id, directory)
    feed.heard(site_of(["PC1"], people={}))
    await feed.look()
    gone = sessions.find(session_id, directory)
    await sessions.close()

    assert known is not None
    assert gone is None
