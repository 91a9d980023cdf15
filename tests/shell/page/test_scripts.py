"""The page's own scripts in a real browser: what they write is what the server would have written.

Pages and scripts are handed to Chromium from memory, under the policy that the server sends, and without a server.
"""

from __future__ import annotations

import json
import re
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.async_playwright import Axe  # type: ignore[import-untyped]
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from playwright.async_api import Page, Route, async_playwright

from nightrake.page import parts
from nightrake.page.scene import Scene
from pagescenes import DRIVES, PEOPLE, alarm, calm, drive, in_alarm, lockout, plc_lost, scene, shut_down

pytestmark = pytest.mark.asyncio

HERE = Path(parts.__file__).parent
BASE = "http://page.invalid"
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
KINDS = {".js": "text/javascript", ".css": "text/css"}
CHROMIUM = "/usr/bin/chromium"


def env() -> Environment:
    """The templates as the server loads them."""
    made = Environment(
        loader=FileSystemLoader(HERE / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.globals["static"] = lambda name: f"/static/{name}"
    parts.furnish(made)
    return made


def page_of(shown: Scene, where: str = "overview", **given: Any) -> str:
    """A page's HTML."""
    more = {"path": "/", "people": [], "may_sign_in": True, "cannot_sign_in": "", **given}
    return parts.render_page(env(), where, shown, None, "t", more)


@asynccontextmanager
async def opened(
    html: str, session: dict[str, Any] | None = None, *, silent: bool = False
) -> AsyncIterator[tuple[Page, list[str]]]:
    """Chromium with a page, and all that its console complains about; `silent`: its live line is never answered."""
    wrong: list[str] = []
    held: list[Route] = []

    async def answer(route: Route) -> None:
        path = route.request.url.removeprefix(BASE).partition("?")[0]
        if path == "/":
            await route.fulfill(body=html, content_type="text/html", headers={"Content-Security-Policy": POLICY})
        elif path.startswith("/static/"):
            file = HERE / path[1:]
            await route.fulfill(body=file.read_text(encoding="utf-8"), content_type=KINDS[file.suffix])
        elif path == "/live" and silent:
            held.append(route)
        elif path == "/live":
            await route.fulfill(body="retry: 60000\n\n", content_type="text/event-stream")
        else:
            known = session or {"person": "", "role": "", "csrf": "t", "may": []}
            await route.fulfill(body=json.dumps(known), content_type="application/json")

    async with async_playwright() as tools:
        browser = await tools.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        page = await browser.new_page(viewport={"width": 360, "height": 780}, reduced_motion="reduce")
        page.on("console", lambda said: wrong.append(said.text) if said.type == "error" else None)
        page.on("pageerror", lambda error: wrong.append(str(error)))
        await page.route("**/*", answer)
        if silent:
            await page.clock.install()
        await page.goto(f"{BASE}/")
        yield page, wrong
        for route in held:
            await route.abort()
        await browser.close()


SHOW = "values => import('/static/values.js').then(scripts => scripts.show(values))"
TORQUE = "document.querySelector('#strip-PC1 .torque').outerHTML.replace(/\\s+/g, ' ')"
VALUES = [
    (22_000.0, 440.0, "exact"),
    (36_400.0, 600.0, "exact"),
    (47_000.0, 600.0, "beyond"),
    (1_200.0, 95.0, "below"),
    (1_200.0, 9.4, "exact"),
    (-31_415.9, 94.9, "exact"),
    (20.0, None, "exact"),
    (None, None, "absent"),
]


async def test_live_values_read_as_the_server_writes_them() -> None:
    """Bar and figures after a live value are those of a page that was loaded with that value, digit for digit."""
    first = drive(*DRIVES[0][:5], 17_200.0)
    async with opened(page_of(scene({"PC1": first}))) as (page, wrong):
        for torque_nm, uncertainty_nm, kind in VALUES:
            view = drive(*DRIVES[0][:5], torque_nm)
            view["torque_nm"] |= {"uncertainty": uncertainty_nm, "kind": kind}
            await page.evaluate(SHOW, {"PC1": [torque_nm, uncertainty_nm, kind, 11.37, 0]})
            shown = await page.evaluate(TORQUE)
            html = page_of(scene({"PC1": view}))
            loaded = await page.evaluate(
                "html => new DOMParser().parseFromString(html, 'text/html')"
                ".querySelector('#strip-PC1 .torque').outerHTML.replace(/\\s+/g, ' ')",
                html,
            )

            assert _still(shown) == _still(loaded), (torque_nm, uncertainty_nm, kind)
        assert wrong == []


def _still(html: str) -> str:
    """Without what is not seen: where a bar without a value would end, and the order of its classes."""
    html = re.sub(r'class="(bar[^"]*)"', lambda m: f'class="{" ".join(sorted(m[1].split()))}"', html)
    if " none" in html:
        html = re.sub(r'(x|x1|x2|width)="[\d.]+%"', "", html)
    return re.sub(r'"([\d.]+)%"', lambda m: f'"{float(m[1]):g}%"', html)


MORPH = """html => import('/static/morph.js').then(scripts => {
  const fresh = scripts.element(html);
  scripts.morph(document.getElementById(fresh.id), fresh);
})"""
PARSED = "html => new DOMParser().parseFromString(html, 'text/html').body.firstElementChild.outerHTML"


@pytest.mark.parametrize("where", ["overview", "alarms"])
async def test_any_page_turns_into_any_other_by_its_parts(where: str) -> None:
    """Part by part, a calm page becomes what the alarmed one would be, and the way back."""
    pages, templates = [calm(), in_alarm(), calm()], env()
    async with opened(page_of(pages[0], where)) as (page, wrong):
        for shown in pages[1:]:
            made = parts.render_parts(templates, where, shown, shown.everything())
            for part in made:
                await page.evaluate(MORPH, part.html)
            for part in made:
                now = await page.evaluate("id => document.getElementById(id).outerHTML", part.id)
                meant = await page.evaluate(PARSED, part.html)

                assert _plain(now) == _plain(meant), part.id
        assert wrong == []


def _plain(html: str) -> str:
    """Without what the scripts themselves put in."""
    html = re.sub(r'<span class="needs">[^<]*</span>', "", html)
    html = re.sub(r"\s+", " ", html.replace(' disabled=""', ""))
    return html.replace("> ", ">").replace(" <", "<")


async def test_what_is_typed_and_open_stays_when_a_part_comes_anew() -> None:
    """A reason half typed, the field that has the keyboard and an open strip survive a newer version of the strip."""
    shown, newer = in_alarm(), in_alarm()
    newer.drives["PC1"] = newer.drives["PC1"] | {"quality": "failure", "reasons": ["wire broken"]}
    html = next(p.html for p in parts.render_parts(env(), "overview", newer, newer.everything()) if p.id == "strip-PC1")
    async with opened(page_of(shown)) as (page, _):
        await page.click("#act-PC1 > summary")
        await page.click("#act-PC1 .more > summary")
        await page.fill("#act-PC1 input[name=reason]", "pump te")
        await page.evaluate(MORPH, html)

        assert await page.input_value("#act-PC1 input[name=reason]") == "pump te"
        assert await page.evaluate("document.activeElement.name") == "reason"
        assert "wire broken" in await page.inner_text("#strip-PC1 .notes")


async def test_touch_meant_for_the_occurrence_before_acknowledges_nothing() -> None:
    """When an alarm comes again under the finger, its button is dead for a moment, and says why."""
    session = {"person": "night1", "role": "operator", "csrf": "t", "may": ["acknowledge"]}
    newer = scene({"PC1": in_alarm().drives["PC1"]}, (alarm("PC1", "alarm_contact", occurrence=4),))
    html = next(p.html for p in parts.render_parts(env(), "overview", newer, newer.everything()) if p.id == "strip-PC1")
    async with opened(page_of(in_alarm()), session) as (page, _):
        await page.click("#act-PC1 > summary")
        await page.evaluate(MORPH, html)
        # In one go: the moment is a second and a half.
        is_dead = await page.evaluate(
            "document.dispatchEvent(new CustomEvent('nightrake:parts')),"
            " document.querySelector('#act-PC1 button.main').disabled"
        )

        assert is_dead
        assert "come again" in await page.inner_text("#act-PC1 .answer")


async def test_page_that_hears_nothing_turns_grey_by_itself() -> None:
    """The line ends at once here: the page says so, and no value is shown as live."""
    async with opened(page_of(calm())) as (page, _):
        await page.wait_for_selector("html.away")

        assert "Nothing here is live." in await page.inner_text("#lost")
        before = "getComputedStyle(document.querySelector('#strip-PC1 .number'), '::before').content"
        assert await page.evaluate(before) == '"was "'


async def test_line_that_stays_open_and_silent_turns_the_page_grey() -> None:
    """Nothing said for 13 s of the browser's own clock: grey, although the connection stands (within 25 s is asked)."""
    async with opened(page_of(calm()), silent=True) as (page, _):
        assert await page.evaluate("document.documentElement.className") == ""
        await page.clock.fast_forward(13_000)

        assert await page.evaluate("document.documentElement.className") == "away"
        assert "Nothing has been heard" in await page.inner_text("#lost")


async def test_tab_that_nobody_sees_gives_its_line_back() -> None:
    """Hidden for a while it listens no more, and shows nothing as live; seen again it listens anew."""
    hide = """hidden => {
      Object.defineProperty(document, "hidden", { configurable: true, value: hidden });
      document.dispatchEvent(new Event("visibilitychange"));
    }"""
    async with opened(page_of(calm()), silent=True) as (page, _):
        asked: list[str] = []
        page.on("request", lambda request: asked.append(request.url) if "/live" in request.url else None)
        await page.evaluate(hide, True)
        await page.clock.fast_forward(11_000)

        assert "Nobody was looking" in await page.inner_text("#lost")
        asked.clear()  # the first line may have been told of late
        await page.clock.fast_forward(60_000)
        assert asked == []
        async with page.expect_request("**/live?**"):
            await page.evaluate(hide, False)


@pytest.mark.parametrize(
    ("where", "made"),
    [
        ("overview", in_alarm),
        ("overview", shut_down),
        ("overview", plc_lost),
        ("alarms", in_alarm),
        ("drive/PC1", in_alarm),
        ("lockout/PC1", shut_down),
        ("sign-in", calm),
        ("help", calm),
    ],
)
async def test_axe_finds_nothing(where: str, made: Callable[[], Scene]) -> None:
    """No violation of axe-core's rules on any page in either look, with everything opened, at the width of a phone."""
    more = {"lockout": lockout(), "people": [{"person": p, **known} for p, known in PEOPLE.items()]}
    async with opened(page_of(made(), where, **more)) as (page, _):
        await page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
        for look in ("light", "dark"):
            await page.emulate_media(color_scheme=look)
            found = await Axe().run(page)

            assert [(v["id"], v["nodes"][0]["html"]) for v in found.response["violations"]] == [], look
        assert await page.evaluate("document.documentElement.scrollWidth <= innerWidth"), "nothing sticks out"
