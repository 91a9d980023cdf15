"""Many windows of one browser, which has six connections to the page for all of them: none is stopped by the others."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress

import pytest
from playwright.sync_api import Error, Page

from browser.screen import LIVE, Screen
from browser.works import Works
from integration.site import until

pytestmark = pytest.mark.timeout(90)

WINDOWS = ("/", "/alarms", "/drives/D0", "/drives/D1", "/drives/D2", "/trips", "/", "/alarms", "/lockout/D2")
HEARS = "document.querySelector('#site-now').dataset.waiting.includes('D1/forward/alarm_contact')"


def another(screen: Screen, path: str) -> Page:
    """A window more of the same browser, live."""
    page = screen.page.context.new_page()
    page.goto(f"{screen.works.url}{path}")
    page.wait_for_selector(LIVE)
    return page


def shows(window: Page, script: str) -> None:
    """Wait until a script says yes there."""
    until(lambda: bool(window.evaluate(script)), script, 15.0)


def test_nine_windows_are_live_at_once_and_any_of_them_acknowledges(works: Works, screen: Screen) -> None:
    """An alarm is on all of them within seconds, they stay live, and the last one's acknowledgement goes through."""
    screen.sign_in("night1")
    windows = [another(screen, path) for path in WINDOWS]

    works.contact(1, "alarm", operated=True)
    for window in windows:
        shows(window, HEARS)
    overview = windows[6]
    overview.click("#act-D1 > summary")
    overview.click("#act-D1 button.main")
    until(lambda: bool(works.rows("alarm", "acknowledged")), "the acknowledgement")
    for window in (*windows, screen.page):
        shows(window, f"!{HEARS}")
        assert window.locator(LIVE).count() == 1


def test_window_that_closes_hands_its_line_over(works: Works, screen: Screen) -> None:
    """Those that took turns follow at once when there is a line for them: without a request each second."""
    screen.go()
    windows = [another(screen, "/") for _ in range(4)]
    asked: list[str] = []
    windows[3].on("request", lambda request: asked.append(request.url) if "/live?" in request.url else None)
    until(lambda: windows[3].evaluate("1") and len(asked) >= 2, "two turns of the last")
    for window in windows[:3]:
        window.close()

    def keeps() -> bool:
        asked.clear()
        windows[3].evaluate("new Promise(done => setTimeout(done, 2500))")
        return not asked

    until(keeps, "a line of its own", 15.0)
    works.current(2, 12_000)
    shows(windows[3], "document.querySelector('#strip-D2 [data-value]').textContent === '28.0'")


def test_lockout_by_turns_has_what_others_report(works: Works, make_screen: Callable[..., Screen]) -> None:
    """A walk is read anew at each turn, for rows between two turns are not told."""
    fitter = make_screen()
    fitter.sign_in("fitter1", "/lockout/D0")
    works.shut_down(0)
    fitter.see("#walk", "open since")
    windows = [another(fitter, path) for path in ("/", "/alarms", "/trips", "/lockout/D0")]
    form = "#step-isolation_reported form"
    fitter.page.fill(f"{form} [name=lock_number]", "17")
    fitter.page.click(f"{form} button")

    windows[3].locator("#walk .said").filter(has_text="lock 17").wait_for()


def test_window_that_is_killed_holds_nothing_back(works: Works, screen: Screen) -> None:
    """A window that crashes while it holds a line or a turn: the others go on within seconds."""
    screen.go()
    windows = [another(screen, "/") for _ in range(4)]
    for window in windows[:2]:
        tools = window.context.new_cdp_session(window)
        tools.send("Page.enable")
        with window.expect_event("crash"), suppress(Error):  # the answer dies with the window
            tools.send("Page.crash", timeout=1_000)
    works.current(1, 15_200)
    for window in (screen.page, *windows[2:]):
        shows(window, "document.querySelector('#strip-D1 [data-value]').textContent === '36.0'")
        assert window.locator(LIVE).count() == 1
