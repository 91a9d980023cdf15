"""A window whose scripts stand still while it has the turn: the others take it, and nobody is left without a line.

A debugger stops them here. Chromium itself freezes no window that holds a lock (seen: it goes on when told to freeze).
"""

from __future__ import annotations

import pytest
from playwright.sync_api import CDPSession, Page

from browser.screen import LIVE, Screen
from browser.test_windows import another, shows
from browser.works import Works
from integration.site import until

pytestmark = pytest.mark.timeout(120)

TURN = (
    """navigator.locks.query().then(found => found.held.find(one => one.name === "nightrake turn")?.clientId || "")"""
)
OWN = """navigator.locks.request("who am I", () => navigator.locks.query()).then(
  found => found.held.find(one => one.name === "who am I").clientId)"""
VALUE = "document.querySelector('#strip-D2 [data-value]').textContent"
COMES_BACK_S = 30.0
"""After 8 s the turn is taken, looked for each 2 to 3 s; on a machine that is busy."""


def stopped_with_turn(screen: Screen, window: Page) -> CDPSession:
    """Stop a window's scripts while it has the turn; the debugger that holds it."""
    own, tools = window.evaluate(OWN), window.context.new_cdp_session(window)
    window.route("**/live?**turn=1**", lambda route: None)  # without an answer it keeps its turn for all of 5 s
    until(lambda: bool(screen.ask(TURN) == own), "its turn", 30.0)
    tools.send("Debugger.enable")
    tools.send("Debugger.pause")
    return tools


def test_turn_of_a_window_that_stands_still_is_taken(works: Works, screen: Screen) -> None:
    """The window that waits behind it shows what is now; when the first goes on, both do."""
    screen.go()
    windows = [another(screen, path) for path in ("/", "/alarms", "/", "/")]
    still, other = windows[2:]
    tools = stopped_with_turn(screen, still)
    try:
        works.current(2, 12_000)
        until(lambda: other.evaluate(VALUE) == "28.0", "the other to have its turn", COMES_BACK_S)
        until(lambda: other.locator(LIVE).count() == 1, "it to be live")
    finally:
        tools.send("Debugger.disable")
        still.unroute_all()
    works.current(2, 8_000)
    for window in (still, other):
        until(lambda window=window: window.evaluate(VALUE) == "18.0", "what is now on both", COMES_BACK_S)
        shows(window, "document.documentElement.matches('.heard:not(.away)')")
