"""Nothing old is shown as live on the real page: half-typed text, a broken line, clocks, and its sound."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page

from browser.conftest import DRIVES
from browser.screen import LIVE, Screen
from browser.works import PAGE_S, WORD, Works
from integration.site import until
from peers.line import Line

pytestmark = pytest.mark.timeout(90)

BACK_MS = 45_000
SILENT_MS = 25_000
AWAY = "document.documentElement.classList.contains('away')"
CLOCK = "(() => { const real = Date.now.bind(Date); window.ahead = 0; Date.now = () => real() + window.ahead; })()"


@pytest.fixture(scope="module")
def line(works: Works) -> Iterator[Line]:
    """Between a browser and the page."""
    made = Line(works.port)
    yield made
    made.close()


@pytest.fixture
def far(chromium: Browser, line: Line) -> Iterator[Page]:
    """A page at the other end of the line."""
    context = chromium.new_context()
    context.add_init_script(CLOCK)
    yield context.new_page()
    context.close()


def sign_in(page: Page, line: Line, person: str, path: str) -> None:
    """By the form, over the line."""
    page.goto(f"http://127.0.0.1:{line.port}/sign-in?person={person}&next={path}")
    page.fill("main input[name=password]", WORD)
    page.click("main button[type=submit]")
    page.wait_for_selector(LIVE)


def another_worker(works: Works) -> None:
    """The page's process is killed, and the next serves."""
    works.worker().kill()
    until(lambda: not works.page_up(), "the page to be away", PAGE_S)
    until(works.page_up, "another worker", PAGE_S)


def test_half_typed_text_keeps_no_old_alarm_on_a_live_page(works: Works, screen: Screen) -> None:
    """A worker dies while a reason is half typed: grey until the page is loaded anew, not live with what it had."""
    works.contact(1, "alarm", operated=True)
    screen.sign_in("night1")
    screen.see("#strip-D1.waits")
    screen.page.click("#act-D1 > summary")
    screen.page.click("#act-D1 .more > summary")
    screen.page.fill("#act-D1 input[name=reason]", "half a rea")
    works.contact(0, "alarm", operated=True)
    another_worker(works)
    screen.see("#lost", "loaded anew")

    assert screen.ask(AWAY)
    assert screen.page.input_value("#act-D1 input[name=reason]") == "half a rea"
    screen.page.fill("#act-D1 input[name=reason]", "")
    screen.page.wait_for_selector(LIVE, timeout=BACK_MS)
    screen.see("#strip-D0.waits .word", "Alarm")


@pytest.mark.parametrize("span", ["1 h", "1 year"])
def test_chart_that_stands_still_does_not_say_now(far: Page, line: Line, span: str) -> None:
    """What it shows ends when it was heard last; live again, it goes on, also where a column is hours wide."""
    sign_in(far, line, "night1", "/drives/D0")
    far.wait_for_selector(".charts .chart-foot")  # the line may be there before the chart is
    foot = "document.querySelector('.charts .chart-foot .span').textContent"
    first = far.evaluate(foot)
    until(lambda: first != (told := far.evaluate(foot)) and " to now, " in told, "the chart to follow", 20.0)
    far.click(f".charts .pick:text-is('{span}')")
    until(lambda: " to now, " in far.evaluate(foot), "the chart to follow")
    line.cut()
    far.wait_for_selector("html.away")
    until(lambda: "now" not in far.evaluate(foot), "its end to be said")
    line.join()
    far.wait_for_selector(LIVE, timeout=BACK_MS)

    until(lambda: " to now, " in far.evaluate(foot), "the chart to go on", 15.0)


def test_lockout_after_a_broken_line_has_what_was_reported_meanwhile(
    works: Works, screen: Screen, far: Page, line: Line
) -> None:
    """A lock is put on while the line is broken: the walk that is live again has it."""
    works.shut_down(2)
    sign_in(far, line, "super1", "/lockout/D2")
    screen.sign_in("fitter1", "/lockout/D2")
    line.cut()
    far.wait_for_selector("html.away")
    screen.page.fill("form[data-verb=isolation_reported] [name=lock_number]", "17")
    screen.page.click("form[data-verb=isolation_reported] button")
    screen.see("#walk .said", "17")
    line.join()
    far.wait_for_selector(LIVE, timeout=BACK_MS)

    assert "lock 17" in far.inner_text("#walk")


def test_clock_that_is_set_back_hides_no_silence(far: Page, line: Line) -> None:
    """The browser's clock goes back an hour, and the line goes silent: grey all the same."""
    far.goto(f"http://127.0.0.1:{line.port}/")
    far.wait_for_selector(LIVE)
    far.evaluate("window.ahead = -3600000")
    line.silence(True)
    try:
        far.wait_for_selector("html.away", timeout=SILENT_MS)
    finally:
        line.silence(False)


def test_sound_goes_on_after_the_page_has_loaded_itself_anew(works: Works, screen: Screen) -> None:
    """Turned on once, it is on after a worker's end too, for that loads the page anew without anybody's touch."""
    screen.go()
    screen.page.click("#sound")
    screen.see("#sound", "Sound on")
    with screen.page.expect_event("load", timeout=BACK_MS):
        another_worker(works)
    screen.page.wait_for_selector(LIVE, timeout=BACK_MS)

    screen.see("#sound", "Sound on")
    assert screen.page.get_attribute("#sound", "aria-pressed") == "true"


def test_an_answer_under_way_is_not_asked_for_twice(works: Works, screen: Screen) -> None:
    """A newer version of the strip comes between two touches: the command is sent once."""
    sent: list[Any] = []
    works.contact(1, "alarm", operated=True)
    screen.sign_in("night1")
    screen.see("#act-D1")
    screen.page.route("**/api/v1/commands", lambda route: sent.append(route))  # noqa: PLW0108  playwright takes no built-in
    screen.page.click("#act-D1 > summary")
    screen.page.click("#act-D1 .more > summary")
    screen.page.fill("#act-D1 input[name=reason]", "sensor is changed")
    button = "#act-D1 form[data-verb=shelve] button"
    screen.page.click(button)
    before = screen.page.inner_html("#strip-D1 > .row")
    works.current(1, 0)  # a broken wire
    until(lambda: screen.page.inner_html("#strip-D1 > .row") != before, "a newer version of the strip")
    screen.page.click(button)
    screen.page.wait_for_timeout(100)

    assert len(sent) == 1
    sent[0].abort()


@pytest.fixture(scope="module")
def works(tmp_path_factory: pytest.TempPathFactory, libmodbus_binary: Path) -> Iterator[Works]:
    """A works of its own: its page's process is killed here."""
    made = Works(tmp_path_factory.mktemp("works"), libmodbus_binary, names=DRIVES)
    try:
        made.start()
        yield made
    finally:
        made.close()
