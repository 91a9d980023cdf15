"""Lost lines on the real page: it says so, shows nothing old as live, and comes back by itself."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from browser.conftest import DRIVES
from browser.screen import LIVE, Screen, screen_of
from browser.works import PAGE_S, Works
from integration.site import until

pytestmark = pytest.mark.timeout(90)

BACK_MS = 45_000
SILENT_MS = 25_000
"""A line that stays open and silent is told within this (the project's own promise)."""
WAS = "getComputedStyle(document.querySelector('#strip-D0 .number'), '::before').content"
MARK = "document.body.dataset.seen = '1'"


@pytest.fixture
def works(tmp_path: Path, libmodbus_binary: Path) -> Iterator[Works]:
    """A works of one test: its watch is killed here."""
    made = Works(tmp_path, libmodbus_binary, names=DRIVES)
    try:
        made.start()
        yield made
    finally:
        made.close()


def grey(screen: Screen, within_ms: int) -> None:
    """Wait until it shows nothing as live."""
    screen.page.wait_for_selector("html.away", timeout=within_ms)
    screen.see("#lost", "Nothing here is live.")
    assert screen.ask(WAS) == '"was "'


def live(screen: Screen) -> None:
    """Wait until it is live again, as the watch sees the drives now."""
    screen.page.wait_for_selector(LIVE, timeout=BACK_MS)
    assert not screen.page.is_visible("#lost")
    assert screen.ask(WAS) == "none"


def test_killed_service_is_told_and_comes_back_by_itself(works: Works, chromium: Browser) -> None:
    """kill -9 of the watch: grey at once; started again, the page is live without a touch, with what came meanwhile."""
    with screen_of(chromium, works) as screen:
        screen.go()
        works.watch.end(signal.SIGKILL)
        grey(screen, 5_000)
        works.contact(1, "alarm", operated=True)
        works.start()
        live(screen)
        screen.see("#strip-D1.waits .word", "Alarm")
        assert works.watch.end() == 0


def test_killed_page_worker_is_told_and_comes_back_by_itself(works: Works, chromium: Browser) -> None:
    """kill -9 of the page's own process: grey at once; the watch starts another, and the page is live again."""
    with screen_of(chromium, works) as screen:
        screen.sign_in("night1")
        before = works.worker().pid
        works.worker().kill()
        grey(screen, 5_000)
        works.contact(1, "alarm", operated=True)
        until(works.page_up, "another worker", PAGE_S)
        live(screen)
        assert works.worker().pid != before
        screen.see("#strip-D1.waits .word", "Alarm")
        screen.page.click("#act-D1 > summary")
        screen.page.click("#act-D1 button.main")
        screen.gone("#strip-D1.waits")
        assert works.rows("alarm", "acknowledged")[-1]["data"]["actor"] == "night1", "the sign-in outlived it"


def test_line_that_is_open_and_silent_turns_grey(works: Works, chromium: Browser) -> None:
    """A frozen page worker breaks no connection: grey all the same; thawed, the page is live again."""
    with screen_of(chromium, works) as screen:
        screen.go()
        worker = works.worker()
        worker.suspend()
        try:
            grey(screen, SILENT_MS)
        finally:
            worker.resume()
        live(screen)


def test_plc_that_is_gone_is_no_lost_page(works: Works, chromium: Browser) -> None:
    """A PLC that answers no more: its drives say that they are not known, and the page itself is live."""
    with screen_of(chromium, works) as screen:
        screen.go()
        works.plcs[0].stop_hard()
        screen.see("#strip-D0.t-unknown .word")
        screen.see("#site-now", "P0")
        assert screen.page.locator(LIVE).count() == 1
