"""Whatever the watch tells and whenever a browser reads: its picture is the scene, and nothing piles up."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Mapping
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightrake.page.hub import ROWS, Hub, Listener
from nightrake.page.rendering import KEPT_S, PARTS
from nightrake.page.scene import Changes, Scene
from pagewatch import Piece, PlainLook, drive_view, site_of

DRIVES = ["PC1", "PC2", "SC1", "GT1"]
drives_of = st.lists(st.sampled_from(DRIVES), min_size=1, unique=True)
views = st.dictionaries(st.sampled_from(DRIVES), st.integers(0, 9)).map(
    lambda d: {"at": 1, "drives": {k: {**drive_view(k, float(v)), "area": str(v)} for k, v in d.items()}}
)
values = st.dictionaries(st.sampled_from(DRIVES), st.integers(0, 9)).map(
    lambda d: {"at": 2, "values": {k: [float(v), 1.0, "good", v / 10, v] for k, v in d.items()}}
)
messages = st.one_of(
    views,
    values,
    drives_of.map(site_of),
    st.tuples(drives_of, st.sampled_from(["d1", "d2"])).map(lambda t: site_of(t[0], digest=t[1])),
    st.lists(st.sampled_from(DRIVES), max_size=3).map(lambda ids: {"alarms": [{"alarm": d, "drive": d} for d in ids]}),
    st.integers(0, 3).map(lambda n: {"service": {"late": n}}),
    st.integers(0, 9).map(lambda n: {"rows": [{"seq": n, "drive": "PC1"}]}),
    st.just({"alive": 7}),
)
steps = st.lists(
    st.one_of(messages, st.sampled_from(["read fast", "read slow", "leave", "back", "flush"])), max_size=40
)


class Browser:
    """What a page holds of the site after the events that it has had."""

    def __init__(self) -> None:
        self.drives: dict[str, Any] = {}
        self.parts: dict[str, Any] = {}
        self.told: dict[str, Any] = {}
        self.is_off = False
        self.mark = ""

    def read(self, text: str) -> None:
        for block in text.split("\n\n")[:-1]:
            name, _, data = block.partition("event: ")[2].partition("\ndata: ")
            self._take(name, json.loads(data))

    def _take(self, name: str, data: Any) -> None:
        if name == "drives":
            self.drives |= data
        elif name == "values":
            for drive, value in data.items():
                self.drives.setdefault(drive, {})["measured"] = value
        elif name == "parts":
            self.parts |= {p["id"]: json.loads(p["html"]) for p in data}
        elif name in ("off", "back"):
            self.is_off = name == "off"
        else:
            self.told[name] = data

    def torque_of(self, drive: str) -> Any:
        """The torque that it shows."""
        held = self.drives[drive]
        return held["measured"][0] if "measured" in held else held["torque_nm"]["value"]


def picture(hub: Hub, listener: Listener, browser: Browser) -> None:
    """The browser reads all that waits, and forgets measured values that a newer view brings."""
    text = hub.take(listener)
    for block in text.split("\n\n")[:-1]:
        if block.startswith("event: drives\n"):
            for drive in json.loads(block.partition("\ndata: ")[2]):
                browser.drives.pop(drive, None)
    browser.read(text)


@given(steps=steps, one=st.sampled_from(["", "PC1"]))
def test_picture_is_the_scene_after_any_messages(steps: list[Any], one: str) -> None:
    """Fast or slow, whole site or one drive, JSON or parts: what was read last is how things stand."""
    asyncio.run(_walk(steps, one))


async def _walk(steps: list[Any], one: str) -> None:
    scene = Scene()
    scene.apply(site_of(DRIVES))
    scene.apply({"at": 1, "drives": {d: drive_view(d) for d in DRIVES}})
    scene.back()
    hub = Hub(scene, PlainLook())
    fast, slow, shown = hub.join("", one, "a"), hub.join("", one, "b"), hub.join("overview", "", "c")
    browsers = {fast: Browser(), slow: Browser(), shown: Browser()}
    for step in steps:
        if isinstance(step, Mapping):
            hub.told(scene.apply(step))
        elif step == "read slow":
            picture(hub, slow, browsers[slow])
        elif step == "read fast":
            hub.flush()
            picture(hub, fast, browsers[fast])
        elif step == "flush":
            hub.flush()
        else:
            hub.told(scene.leave("gone") if step == "leave" else scene.back())
    hub.flush()
    late = hub.join("overview", "", "d")
    browsers[late] = Browser()
    for listener, browser in browsers.items():
        picture(hub, listener, browser)
        assert browser.is_off == (scene.away is not None)
        assert browser.told["service"] == scene.service
        mine = [a for a in scene.alarms if not listener.drive or a["drive"] == listener.drive]
        assert browser.told.get("alarms") == (None if listener.where else mine), "pages have them in their parts"
        assert not listener.news.is_set()
    for drive, view in scene.drives.items():
        if one in ("", drive):
            assert browsers[fast].torque_of(drive) == browsers[slow].torque_of(drive) == view["torque_nm"]["value"]
        for strips in (browsers[shown], browsers[late]):
            assert strips.parts[f"strip-{drive}"]["name"] == view["name"]
            assert strips.torque_of(drive) == view["torque_nm"]["value"]


class VanishingLook(PlainLook):
    """Parts of every drive there ever was, also to say that it is gone; measured values are not in them."""

    def parts(self, where: str, scene: Scene, changes: Changes) -> list[Piece]:
        ids = DRIVES if changes.all or changes.site else changes.drives
        return [Piece(f"strip-{d}", scene.drives[d]["area"] or "?" if d in scene.drives else "") for d in ids]


class Clock:
    """Goes on when told."""

    now_s = 0.0


@given(steps=st.lists(st.lists(st.one_of(messages, st.just("a minute")), max_size=8), min_size=2, max_size=4))
def test_page_that_listens_again_is_told_what_it_lacks_or_to_load_anew(steps: list[list[Any]]) -> None:
    """Just loaded, or after a broken connection: together with what it holds it has the picture, or hears `again`."""
    asyncio.run(_again_and_again(steps))


async def _again_and_again(steps: list[list[Any]]) -> None:
    scene, look, clock = Scene(), VanishingLook(), Clock()
    hub = Hub(scene, look, lambda: clock.now_s)
    scene.apply(site_of(DRIVES))
    hub.told(scene.apply({"at": 1, "drives": {d: drive_view(d) for d in DRIVES}}))
    page = Browser()
    page.mark, page.parts = hub.mark_of("overview"), parts_of(look, scene)
    for some in steps:
        for step in some:
            if isinstance(step, Mapping):
                hub.told(scene.apply(step))
                hub.flush()
            else:
                clock.now_s += KEPT_S + 1.0
        listener = hub.join("overview", "", "a", since=page.mark)
        text = hub.take(listener)
        hub.leave(listener)
        if "event: again\n" in text:
            assert "a minute" in some
            page.mark, page.parts = hub.mark_of("overview"), parts_of(look, scene)
            continue
        told = [(p["id"], p["html"]) for p in parts_in(text)]
        page.parts = {k: v for k, v in {**page.parts, **dict(told)}.items() if v}
        page.mark = [line for line in text.splitlines() if line.startswith("id: ")][-1].removeprefix("id: ")
        assert page.parts == parts_of(look, scene)
    assert hub.mark_of("overview") == page.mark


def parts_of(look: PlainLook, scene: Scene) -> dict[str, str]:
    """What a page rendered now shows."""
    return {p.id: p.html for p in look.parts("overview", scene, scene.everything()) if p.html}


def parts_in(text: str) -> list[dict[str, Any]]:
    """Parts that events bring."""
    blocks = [b.partition("event: parts\ndata: ")[2] for b in text.split("\n\n")]
    return [part for block in blocks if block for part in json.loads(block)]


class BrokenLook(PlainLook):
    """Fails on one page, once told to."""

    is_broken = False

    def parts(self, where: str, scene: Scene, changes: Changes) -> list[Piece]:
        if self.is_broken and where == "alarms":
            raise KeyError("of ours")
        return super().parts(where, scene, changes)


def test_page_that_cannot_be_rendered_ends_and_does_not_stand_still() -> None:
    """Its listeners are told and ended, for what they show has stopped; the others go on; the log has one line."""
    lines: list[str] = []
    scene, look = Scene(), BrokenLook()
    scene.apply(site_of(DRIVES))
    hub = Hub(scene, look, log=lines.append)
    broken, sound = hub.join("alarms", "", "a"), hub.join("overview", "", "b")
    look.is_broken = True

    async def change() -> None:
        hub.told(scene.apply({"at": 1, "drives": {"PC1": drive_view("PC1")}}))
        hub.flush()

    asyncio.run(change())

    assert "event: ended\n" in hub.take(broken)
    assert "strip-PC1" in hub.take(sound)
    assert lines == ["alarms cannot be rendered: KeyError: 'of ours'"]


def test_mark_of_another_process_is_not_trusted() -> None:
    """Nor one that is none: the page is loaded anew."""
    hub = Hub(Scene(), PlainLook())

    for since in ("0badcafe-0", "x", "-", "-1", hub.mark_of("overview") + "9", hub.mark_of("overview") + "x"):
        assert "event: again\n" in hub.take(hub.join("overview", "", "a", since=since))
    assert "event: again\n" not in hub.take(hub.join("overview", "", "a", since=hub.mark_of("overview")))


@pytest.mark.parametrize("where", ["", "overview"])
def test_a_browser_that_never_reads_holds_one_picture(where: str) -> None:
    """After ten thousand messages it lacks each drive once, and a bounded number of rows and parts."""

    async def flood() -> None:
        scene = Scene()
        scene.apply(site_of(DRIVES))
        hub = Hub(scene, PlainLook())
        listener = hub.join(where, "", "a")
        for n in range(10_000):
            at = {"at": n, "drives": {d: drive_view(d, float(n)) for d in DRIVES[n % 4 :]}}
            hub.told(scene.apply({**at, "rows": [{"seq": n, "drive": ""}]}))
            if n % 10 == 0:
                hub.flush()
        hub.flush()
        assert len(listener.rows) == ROWS
        assert len(listener.parts) <= len(DRIVES)
        text = hub.take(listener)
        assert len(text) < 30_000
        assert "9999.0" in text

    asyncio.run(flood())


class RestlessLook(PlainLook):
    """Parts under ever new ids."""

    made = 0

    def parts(self, *_: Any) -> list[Piece]:
        self.made += 100
        return [Piece(f"row-{n}", "x") for n in range(self.made, self.made + 100)]


def test_parts_without_end_become_one_word_to_load_anew() -> None:
    """A page whose elements change names all the time is told to begin anew in place of being told all of them."""

    async def flood() -> None:
        scene = Scene()
        scene.apply(site_of(DRIVES))
        hub = Hub(scene, RestlessLook())
        listener = hub.join("alarms", "", "a")
        for n in range(2 * PARTS // 100):
            hub.told(scene.apply({"alarms": [], "at": n}))
            hub.flush()
            assert len(listener.parts) <= PARTS
        assert "event: again\n" in hub.take(listener)
        assert "event: again\n" not in hub.take(listener)

    asyncio.run(flood())


def test_password_hashes_never_reach_the_scene() -> None:
    """What everybody is shown holds names and roles only."""
    scene = Scene()
    scene.apply(site_of(DRIVES))

    assert set(scene.site["people"]["night1"]) == {"name", "role"}
    assert "argon2" not in json.dumps(scene.site)
