"""Every page in five states: no violation of axe-core's rules, of the policy, of a telephone's width; nothing outside.

The states follow one another on one works: calm, alarm, shutdown with its lockout, PLC lost, page offline.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import suppress
from typing import Any, Literal

import pytest
from axe_playwright_python.sync_playwright import Axe  # type: ignore[import-untyped]
from playwright.sync_api import Browser, Page

from browser.screen import Screen, screen_of
from browser.works import Works
from integration.site import until

pytestmark = pytest.mark.timeout(120)

PATHS = ("/", "/drives/D0", "/alarms", "/lockout/D0", "/trips", "/creep", "/sign-in", "/help", "/nowhere")
TOUCH_PX = 44
SETTLES_S = 5.0
WIDTHS = (360, 390)
COLOURS = {"runOnly": ["color-contrast", "link-in-text-block"]}
"""The rules of axe-core 4 that judge colours; no other one can find anything else in another look."""
LOOKS: tuple[tuple[Literal["light", "dark"], dict[str, list[str]]], ...] = (
    ("light", {"resultTypes": ["violations"]}),
    ("dark", {"resultTypes": ["violations"], **COLOURS}),
)
OPEN_ALL = "document.querySelectorAll('details').forEach(one => one.open = true)"
# Not innerWidth: a telephone that shrinks a page that is too wide makes that larger.
SIDEWAYS = """width => {
  const wide = Math.max(document.documentElement.scrollWidth, innerWidth) - width;
  if (wide <= 0) return [];
  const out = [...document.querySelectorAll("body *")]
    .filter(one => one.getBoundingClientRect().right > width + 1);
  return [`${wide} px too wide`, ...out.slice(0, 3).map(one => one.outerHTML.slice(0, 120))];
}"""
# What stands within a sentence is as high as its line (the exception "inline" of WCAG 2.2, 2.5.8).
SMALL = """least => [...document.querySelectorAll("a, button, summary, select, input:not([type=hidden]), textarea")]
  .filter(one => one.checkVisibility({visibilityProperty: true}) && !one.closest(".unseen, .skip")
    && getComputedStyle(one).display !== "inline")
  .map(one => [one.closest("label.choice") || one, one])
  .filter(([area]) => { const box = area.getBoundingClientRect();
    return box.width > 0 && (box.height < least - 0.5 || box.width < least - 0.5); })
  .map(([area, one]) => { const box = area.getBoundingClientRect();
    return `${Math.round(box.width)}x${Math.round(box.height)} ${one.outerHTML.slice(0, 90)}`; })"""


def calm(works: Works) -> None:
    """Nothing stands."""
    assert all(works.watch.stage(f"D{n}") == "normal" for n in range(3))


def in_alarm(works: Works) -> None:
    """One drive is in alarm."""
    works.current(1, 15_000)
    works.contact(1, "alarm", operated=True)
    until(lambda: works.alarm(1) is not None, "the alarm")


def shut_down(works: Works) -> None:
    """Another is shut down, its lockout open."""
    works.shut_down(0)


def plc_lost(works: Works) -> None:
    """The PLC answers no more."""
    works.plcs[0].stop_hard()
    until(lambda: not any(plc["up"] for plc in works.watch.status()["plcs"].values()), "the loss of the PLC", 20.0)


STATES: tuple[Callable[[Works], None], ...] = (calm, in_alarm, shut_down, plc_lost)


def trip_on(page: Page) -> str:
    """Address of the first trip of the list, which is a moment behind the alarm."""
    link = page.locator("a.trip-row").first
    until(lambda: link.count() or page.reload() is None, "the trip to be listed", 20.0)
    return str(link.get_attribute("href"))


@pytest.fixture(scope="module", params=[*STATES, None], ids=lambda state: state.__name__ if state else "offline")
def state(works: Works, request: pytest.FixtureRequest) -> Any:
    """The works in a state, and in those before it; None: the page's own worker hears nobody (see `shown`)."""
    if request.param is not None:
        request.param(works)
    return request.param


@pytest.fixture
def shown(works: Works, chromium: Browser, state: Any) -> Callable[..., Iterator[Screen]]:
    """Gives every page in the state, one after the other, on one screen."""

    def pages(width: int, **more: Any) -> Iterator[Screen]:
        with screen_of(chromium, works, width, 844, **more) as screen:
            screen.sign_in("night1")
            paths = [*PATHS]
            for path in paths:
                if state is None:
                    screen.page.context.route(f"{works.url}/live?**", lambda route: route.abort())
                screen.go(path, live=state is not None)
                if state is None and screen.page.locator("body[data-live]").count():
                    screen.page.wait_for_selector("html.away")
                screen.ask(OPEN_ALL)
                yield screen
                if path == "/trips" and state in (shut_down, plc_lost):
                    paths.append(trip_on(screen.page))

    return pages


def test_no_violation_of_accessibility_or_policy(shown: Callable[..., Iterator[Screen]]) -> None:
    """axe-core finds nothing, in either look, with everything opened; the policy is kept, and nobody else is asked."""
    for screen in shown(1440):
        for look, options in LOOKS:
            screen.page.emulate_media(color_scheme=look)
            found = Axe().run(screen.page, options=options)
            wrong = [(v["id"], v["nodes"][0]["html"][:200]) for v in found.response["violations"]]
            assert wrong == [], (screen.page.url, look)


def sideways(screen: Screen, width: int) -> list[str]:
    """What is too wide; a chart follows the window in a moment."""
    with suppress(pytest.fail.Exception):
        until(lambda: screen.ask(SIDEWAYS, width) == [], "the chart to follow", SETTLES_S)
    return list(screen.ask(SIDEWAYS, width))


def test_telephone(shown: Callable[..., Iterator[Screen]]) -> None:
    """No page goes sideways, and whatever is touched is large enough for a finger; at both widths."""
    for screen in shown(WIDTHS[0], has_touch=True, is_mobile=True):
        for width in WIDTHS:
            screen.page.set_viewport_size({"width": width, "height": 844})
            assert sideways(screen, width) == [], screen.page.url
            assert screen.ask(SMALL, TOUCH_PX) == [], screen.page.url
        screen.page.set_viewport_size({"width": WIDTHS[0], "height": 844})  # the next page is loaded at this one


def test_the_policy_is_sent_and_reports_would_be_seen(works: Works, screen: Screen) -> None:
    """The look-out works: a script that is put into the page is refused, and its report is noticed."""
    screen.go()
    policy = screen.ask("fetch('/').then(reply => reply.headers.get('content-security-policy'))")
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    screen.ask("document.body.append(Object.assign(document.createElement('script'), {textContent: 'window.bad = 1'}))")
    until(lambda: any(one.startswith("policy: ") for one in screen.complaints), "the report")
    assert screen.ask("window.bad") is None
    screen.complaints.clear()
