"""Pages whose scripts never come: after some seconds they say that nothing on them is live, and grey by themselves."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from playwright.sync_api import Page, Route

from browser.screen import LIVE, Screen
from browser.works import Works
from integration.site import until

pytestmark = pytest.mark.timeout(60)

TOLD_MS = 10_000
"""By then it is told."""
NOTE = ".unheard"
GREY = """() => {
  const style = (selector, pseudo) => getComputedStyle(document.querySelector(selector), pseudo);
  const was = style("#strip-D0 .number", "::before");
  return style("main").filter.includes("grayscale") && was.content === '"was "' && parseFloat(was.fontSize) > 8
    && style("#strip-D0 .number b").color === style(".quiet").color && style("#strip-D0 .bar .value").fill === "none";
}"""
"""Whether values look as those of a page that is away: grey, with "was" before them, bars empty."""


def told(page: Page) -> str:
    """Wait until the page has said it; what it said."""
    page.locator(NOTE).wait_for(state="visible", timeout=TOLD_MS)
    until(lambda: bool(page.evaluate(GREY)), "grey values")
    return page.inner_text(NOTE)


@pytest.mark.parametrize("motion", ["reduce", "no-preference"])
@pytest.mark.parametrize("lacks", ["**/*.js", "**/live.js", "**/presence.js"])
def test_page_whose_scripts_never_come_greys_by_itself(
    works: Works, make_screen: Callable[..., Screen], lacks: str, motion: str
) -> None:
    """All of them, the one that listens, or one that it needs: numbers are not shown as live, whatever the motion."""
    screen = make_screen()
    screen.page.emulate_media(reduced_motion="reduce" if motion == "reduce" else "no-preference")
    screen.page.route(lacks, lambda route: route.abort())
    screen.go(live=False)

    words = told(screen.page)

    assert "Nothing here is live." in words
    assert "has not heard the service yet" in words


def test_page_whose_scripts_hang_greys_by_itself(works: Works, screen: Screen) -> None:
    """The server took the request for a script and died with it: the same, and live once it has come after all."""
    held: list[Route] = []
    screen.page.route("**/live.js", lambda route: held.append(route))  # noqa: PLW0108  playwright takes no built-in
    screen.page.goto(f"{works.url}/", wait_until="commit")
    told(screen.page)
    screen.page.route("**/live.js", lambda route: route.continue_())
    held[0].continue_()

    screen.page.wait_for_selector(LIVE)
    assert not screen.page.is_visible(NOTE)
    assert not screen.ask(GREY)


def test_page_that_hears_is_never_grey(works: Works, screen: Screen) -> None:
    """On a load as usual no frame shows the note or a grey value."""
    screen.page.add_init_script(
        """window.seen = [];
        window.looked = 0;
        const look = () => {
          const note = document.querySelector('.unheard');
          if (note && note.checkVisibility({visibilityProperty: true})) window.seen.push('note');
          const main = document.querySelector('main');
          if (main && getComputedStyle(main).filter !== 'none') window.seen.push('grey');
          window.looked += 1;
          requestAnimationFrame(look);
        };
        requestAnimationFrame(look);"""
    )
    screen.go()
    until(lambda: bool(screen.ask("window.looked > 30")), "some frames")

    assert screen.ask("window.seen") == []


def test_browser_without_scripts_is_told_at_once(works: Works, make_screen: Callable[..., Screen]) -> None:
    """What it shows is of when it was loaded; said once, above everything, and grey from the first."""
    screen = make_screen(java_script_enabled=False)
    screen.go(live=False)

    screen.see("noscript .lost", "Without scripts this page shows how things stood at")
    assert not screen.page.is_visible(NOTE)
    top = screen.page.locator("noscript .lost").bounding_box()
    values = screen.page.locator("main").bounding_box()
    assert top is not None
    assert values is not None
    assert top["y"] < values["y"]
    assert screen.page.locator("main").evaluate("one => getComputedStyle(one).filter") == "grayscale(1)"
