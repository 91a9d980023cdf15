"""A drive's charts and the trips in a real browser: drawn, live, zoomed, moved, gaps left open, read without seeing."""

from __future__ import annotations

import json
import re
import signal
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Route

from browser.conftest import DRIVES
from browser.screen import Screen, screen_of
from browser.works import Works
from integration.site import until

pytestmark = pytest.mark.timeout(90)

STAGE = ".charts .stage"
LABEL = f"document.querySelector('{STAGE}')?.getAttribute('aria-label')"
SPAN = "document.querySelector('.chart-foot .span').textContent"
PRESSED = "[...document.querySelectorAll('.pick[aria-pressed=true]')].map(b => b.textContent)"
MOST_BYTES = 600_000
GAP_S = 5.0
SEE_S = 20.0
"""A chart tells in words what it shows each five seconds."""
INK = """([left, width]) => {
  const canvas = document.querySelector('.charts .plot canvas');
  const dpr = canvas.width / canvas.clientWidth;
  const copy = new OffscreenCanvas(canvas.width, canvas.height).getContext('2d', { willReadFrequently: true });
  copy.drawImage(canvas, 0, 0);
  const shot = copy.getImageData(left * dpr, 60 * dpr, width * dpr, canvas.height - 110 * dpr).data;
  let dark = 0;
  for (let i = 0; i < shot.length; i += 4) dark += shot[i + 3] > 90 && shot[i] + shot[i + 1] + shot[i + 2] < 200;
  return dark;
}"""
"""Pixels of the line itself in a part of the drawing; axes, grid and set points are lighter."""
SLOW = """(() => {
  const real = window.fetch.bind(window);
  window.fetch = async (path, how = {}) => {
    await new Promise((done) => setTimeout(done, 700));
    how.signal?.throwIfAborted();
    return real(path, how);
  };
})()"""
"""Each answer takes 0.7 s more."""


def shows(screen: Screen, pattern: str, script: str = LABEL) -> str:
    """Wait until what a script gives fits a pattern; returns it."""
    seen = [""]

    def fits() -> bool:
        seen[0] = str(screen.ask(script))
        return re.search(pattern, seen[0]) is not None

    try:
        until(fits, pattern, SEE_S)
    except BaseException:
        print(f"seen: {seen[0]}")
        raise
    return seen[0]


def opened(screen: Screen, drive: str = "D0") -> None:
    """A drive's page with its chart drawn."""
    screen.go(f"/drives/{drive}")
    shows(screen, "torque [0-9]")


def readout(screen: Screen, part: float) -> str:
    """What is read off the chart at a part of its width."""
    box = screen.page.locator(f"{STAGE} .u-over").first.bounding_box()
    assert box is not None
    screen.page.mouse.move(box["x"] + part * box["width"], box["y"] + 40)
    return screen.page.inner_text(".charts .readout")


def test_torque_is_drawn_and_its_newest_value_comes_by_itself(works: Works, screen: Screen) -> None:
    """24 kN.m at 10.4 mA; at 15.2 mA 36 kN.m is on the chart without a touch."""
    opened(screen)
    before = shows(screen, "torque 24")

    works.current(0, 15_200)

    after = shows(screen, "to 36")
    works.current(0, 10_400)
    assert "to 36" not in before
    assert "1 h" in after


def test_keys_zoom_move_and_come_back(works: Works, screen: Screen) -> None:
    """Plus and minus, arrows, End: the chart is used without a mouse, and says where it is."""
    opened(screen)
    screen.page.focus(STAGE)

    screen.page.keyboard.press("+")
    closer = shows(screen, "37.5 min", SPAN)
    screen.page.keyboard.press("ArrowLeft")
    moved = shows(screen, "^((?!now).)*$", SPAN)
    screen.page.keyboard.press("End")
    shows(screen, "now, 37.5 min", SPAN)
    screen.page.keyboard.press("-")

    shows(screen, "now, 1 h", SPAN)
    assert "now" in closer
    assert "37.5 min" in moved
    until(lambda: screen.ask(PRESSED) == ["1 h"], "its button to be marked")


def test_ranges_are_picked_by_their_buttons(works: Works, screen: Screen) -> None:
    """Minutes to years; the one that is shown is marked as such."""
    opened(screen)
    for name, words in (("10 min", "10 min"), ("1 year", "365 d"), ("1 day", "1 d")):
        screen.page.click(f".pick:text-is('{name}')")
        shows(screen, f"now, {words}$", SPAN)
        until(lambda name=name: screen.ask(PRESSED) == [name], "its button to be marked")


def test_wheel_scrolls_the_page_until_the_chart_was_touched(works: Works, screen: Screen) -> None:
    """Then it zooms about the pointer; with Ctrl it always does; a drag moves."""
    opened(screen)
    screen.page.locator(STAGE).scroll_into_view_if_needed()
    readout(screen, 0.5)
    screen.page.mouse.wheel(0, 120)
    screen.see(".charts .hint", "touch the chart first")
    assert "1 h" in screen.ask(SPAN)

    screen.page.locator(f"{STAGE} .u-over").first.click()
    screen.page.mouse.wheel(0, -240)
    zoomed = shows(screen, "^((?!, 1 h).)*$", SPAN)
    box = screen.page.locator(f"{STAGE} .u-over").first.bounding_box()
    assert box is not None
    screen.page.mouse.move(box["x"] + 300, box["y"] + 60)
    screen.page.mouse.down()
    screen.page.mouse.move(box["x"] + 600, box["y"] + 60, steps=5)
    screen.page.mouse.up()
    moved = shows(screen, "^((?!now).)*$", SPAN)

    assert re.findall(r", ([\d.]+ min)$", zoomed) == re.findall(r", ([\d.]+ min)$", moved)


def test_two_fingers_zoom(works: Works, make_screen: Callable[..., Screen]) -> None:
    """On a phone: what lay under the fingers stays there while they part; the page is no wider than the phone."""
    screen = make_screen(390, 844, has_touch=True, is_mobile=True)
    opened(screen)
    screen.page.locator(STAGE).scroll_into_view_if_needed()
    box = screen.page.locator(f"{STAGE} .u-over").first.bounding_box()
    assert box is not None
    tools = screen.page.context.new_cdp_session(screen.page)
    y, middle = box["y"] + 100, box["x"] + box["width"] / 2

    def fingers(kind: str, *places: float) -> None:
        points = [{"x": x, "y": y, "id": n} for n, x in enumerate(places)]
        tools.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    fingers("touchStart", middle - 20, middle + 20)
    for apart in (30, 40, 60, 80):
        fingers("touchMove", middle - apart, middle + apart)
    fingers("touchEnd")

    shows(screen, r", 1[5-7](\.\d)? min$", SPAN)
    assert screen.ask("document.documentElement.scrollWidth") <= 390


def test_same_numbers_stand_in_a_table(works: Works, screen: Screen) -> None:
    """With units, times and events, for who does not see the chart."""
    opened(screen)
    screen.page.click(".numbers > summary")
    screen.see(".numbers caption", "Torque, ")
    screen.see(".numbers tbody td", "24.00")

    heads = screen.page.locator(".numbers thead").first.inner_text()
    assert "Lowest, kN·m" in heads
    assert screen.page.get_attribute(STAGE, "role") == "group"


def test_position_comes_when_it_is_asked_for(works: Works, screen: Screen) -> None:
    """And only then."""
    asked: list[str] = []
    screen.page.on("request", lambda request: asked.append(request.url))
    opened(screen)
    assert not [url for url in asked if "position_mm" in url]

    screen.page.click(".pick:text-is('position')")

    shows(screen, "^2$", "document.querySelectorAll('.stage .uplot').length")
    until(lambda: bool(screen.ask("true")) and any("position_mm" in url for url in asked), "the position")


def test_chart_takes_the_look_that_is_picked(works: Works, make_screen: Callable[..., Screen]) -> None:
    """Words and numbers on it have the colour of the light look; picked dark, they are drawn anew at once."""
    screen = make_screen(color_scheme="light")
    sums = "shot[i] + shot[i + 1] + shot[i + 2]"
    of_dark = INK.replace(f"{sums} < 200", f"Math.abs({sums} - 0x98 - 0xa1 - 0xa4) < 12")
    assert of_dark != INK
    opened(screen)
    everything = [0, 1320]
    before = screen.ask(of_dark, everything)

    for _ in range(2):
        screen.page.click("#theme")

    until(lambda: screen.ask(of_dark, everything) > 5 * before + 50, "the chart in dark")
    assert screen.ask("document.documentElement.dataset.theme") == "dark"


def test_what_stands_behind_the_number_is_there(works: Works, screen: Screen) -> None:
    """The record by name, who made it, its curve; and why there is no data sheet."""
    screen.go("/drives/D0")

    screen.see("#behind h3", "Calibration record D0")
    screen.see("#behind dd", "T. Ester")
    screen.see("#behind .curve")
    screen.see("#behind .quiet", "has no specification")


def test_first_load_of_a_page_with_charts_is_small(works: Works, screen: Screen) -> None:
    """Under 600 kB on the wire with everything that it asks for; the second time scripts come from the cache."""
    wire = "performance.getEntriesByType('resource').concat(performance.getEntriesByType('navigation'))"
    opened(screen)
    first = screen.ask(f"{wire}.reduce((sum, one) => sum + one.transferSize, 0)")
    screen.page.reload()
    shows(screen, "torque [0-9]")
    again = screen.ask(
        f"{wire}.filter(one => one.name.includes('/static/')).reduce((sum, one) => sum + one.transferSize, 0)"
    )

    assert 10_000 < first < MOST_BYTES
    assert again < 2_000


def test_trip_is_listed_and_shown_second_by_second(works: Works, screen: Screen) -> None:
    """A shutdown leaves a record: in the list with words, on its page with lanes, set points and what happened."""
    works.shut_down(1)
    row = ".trips .trip-row:has-text('Shutdown contact operated')"

    def listed() -> bool:
        screen.go("/trips?drive=D1")
        return screen.page.locator(row).count() > 0

    until(listed, "the trip in the list", 30.0)
    screen.page.click(row)

    def known() -> bool:
        screen.page.reload()
        return "shutdown forward 40 kN·m" in screen.page.locator("#known-title ~ dl").inner_text()

    until(known, "the set points then, which come with the first readings", 30.0)
    assert "events" in shows(screen, "torque [0-9]")
    screen.see(".rows", "Shutdown contact operated")
    assert screen.ask("document.querySelector('.lanes').clientHeight") >= 90
    assert screen.page.locator(".trips").count() == 0


def kept_s(works: Works) -> float:
    """For how long readings of the first drive are kept; 0 while a busy machine has not begun to read them."""
    try:
        with urllib.request.urlopen(f"{works.url}/api/v1/signals?drive=D0", timeout=10) as reply:
            told = json.load(reply)
    except urllib.error.HTTPError as error:
        if error.code != 503:
            raise
        return 0.0
    except TimeoutError:
        return 0.0
    return (told["until_utc_ms"] - told["readings_from_utc_ms"]) / 1000 if told["until_utc_ms"] else 0.0


@pytest.fixture
def own(tmp_path: Path, libmodbus_binary: Path) -> Iterator[Works]:
    """A works of one test: its watch is killed here."""
    made = Works(tmp_path, libmodbus_binary, names=DRIVES)
    try:
        made.start()
        yield made
    finally:
        made.close()


@pytest.mark.timeout(180)
def test_gap_is_left_open(own: Works, chromium: Browser) -> None:
    """Killed for a while: over that time nothing is read off the chart, and no line is drawn across it."""
    until(lambda: kept_s(own) > GAP_S, "some seconds of readings in the store", 60.0)
    own.watch.end(signal.SIGKILL)
    dead_s = time.monotonic()
    until(lambda: time.monotonic() - dead_s > GAP_S, "a gap that can be seen")
    own.start()
    with screen_of(chromium, own) as screen:
        opened(screen)
        screen.page.click(".pick:text-is('10 min')")
        for _ in range(3):
            screen.page.locator(STAGE).press("+")
        shows(screen, "now, 2.4 min", SPAN)
        parts = [0.6 + n / 250 for n in range(96)]

        found: list[re.Match[str]] = []

        def is_seen() -> bool:
            texts = [readout(screen, part) for part in parts]
            signs = "".join("-" if "not read" in text else "+" if "kN·m" in text else "?" for text in texts)
            found[:] = re.finditer(r"(?<=\+)-{3,}(?=\+{2,})", signs)
            return bool(found)

        until(is_seen, "reading, gap, reading", 40.0)
        readout(screen, 0.5)
        screen.page.mouse.down()
        readout(screen, 0.51)
        screen.page.mouse.up()
        shows(screen, "^((?!now).)*$", SPAN)  # it goes on no more
        until(is_seen, "the same, standing still", 20.0)
        hole = found[0]
        box = screen.page.locator(f"{STAGE} .u-over").first.bounding_box()
        plot = screen.page.locator(".charts .plot").first.bounding_box()
        assert box is not None
        assert plot is not None
        inside, after = (box["x"] - plot["x"] + parts[i] * box["width"] for i in (hole.start() + 1, hole.end()))

        assert screen.ask(INK, [inside, 8]) == 0
        assert screen.ask(INK, [after, 8]) > 0


def test_answers_slower_than_the_chart_goes_on_are_waited_for(works: Works, screen: Screen) -> None:
    """Close to now it goes on four times a second; an answer that takes longer is drawn all the same."""
    screen.page.add_init_script(SLOW)
    opened(screen)
    screen.page.click(".pick:text-is('10 min')")
    for _ in range(4):
        screen.page.locator(STAGE).press("+")
    shows(screen, "now, 1.5 min", SPAN)

    shows(screen, "^every reading", "document.querySelector('.chart-foot .quiet').textContent")


def test_link_to_a_moment_shows_that_moment(works: Works, screen: Screen) -> None:
    """From the journal of the alarms page: the drive's chart stands around it; on that page nothing reloads."""
    works.shut_down(1)
    screen.go("/alarms")
    link = "#rows li:has-text('shutdown contact') a.moment[href*='/drives/D1?']"
    until(lambda: screen.page.locator(link).count() > 0, "the row of the shutdown", 30.0)
    screen.page.locator(link).first.click()
    shows(screen, "torque [0-9]")

    shows(screen, r", 10 min$", SPAN)
    screen.page.evaluate("window.stays = true")
    screen.page.click(".pick:text-is('1 h')")
    shows(screen, r", 1 h$", SPAN)
    screen.page.locator("#rows a.moment").first.click()
    shows(screen, r", 10 min$", SPAN)
    assert screen.page.evaluate("window.stays")
    assert "?at=" in screen.page.url


def test_last_time_below_the_chart_is_whole(works: Works, screen: Screen) -> None:
    """A tick exactly at the right edge: its label has room beyond it, nothing is drawn at the picture's very end."""
    until(lambda: kept_s(works) > 50, "some readings", 80.0)
    end_ms = (round(time.time() * 1000) - 5_000) // 10_000 * 10_000
    screen.go(f"/drives/D0?at={end_ms - 15_000}&span=30000")
    shows(screen, "30 s$", SPAN)
    shows(screen, "torque [0-9]")
    labels = """([right, wide]) => {
      const canvas = document.querySelector('.charts .plot canvas');
      const dpr = canvas.width / canvas.clientWidth;
      const copy = new OffscreenCanvas(canvas.width, canvas.height).getContext('2d', { willReadFrequently: true });
      copy.drawImage(canvas, 0, 0);
      const [x, y] = [Math.round(canvas.width - right * dpr), Math.round(canvas.height - 38 * dpr)];
      const shot = copy.getImageData(x, y, Math.round(wide * dpr), Math.round(36 * dpr)).data;
      return shot.filter((value, i) => i % 4 === 3 && value > 90).length;
    }"""

    until(lambda: screen.ask(labels, [60, 60]) > 0, "the last label")
    assert screen.ask(labels, [2, 2]) == 0


def test_lanes_go_on_by_themselves(works: Works, screen: Screen) -> None:
    """A contact that operates is in its lane as it is told, before anything is asked for anew."""
    opened(screen, "D2")
    screen.page.click(".pick:text-is('10 min')")
    for _ in range(4):
        screen.page.locator(STAGE).press("+")
    shows(screen, "now, 1.5 min", SPAN)
    screen.page.route("**/api/v1/history?*signal=forward*", lambda route: route.abort())

    works.shut_down(2)

    def is_seen() -> bool:
        screen.page.locator(".charts .lanes").scroll_into_view_if_needed()
        return "shutdown A, as read" in readout(screen, 0.97)

    until(is_seen, "the contact at the right end", 20.0)


def test_lane_out_of_summaries_claims_no_channel(works: Works, screen: Screen) -> None:
    """Summaries know a stage as it counted: its lane says so, and none says that a channel was read so."""

    def of_summaries(route: Route) -> None:
        told = route.fetch().json()
        route.fulfill(json={**told, "grain": "hour"})

    screen.page.route("**/api/v1/history?*signal=forward*", of_summaries)
    works.contact(2, "alarm", operated=True)
    opened(screen, "D2")
    screen.page.click(".pick:text-is('10 min')")
    for _ in range(4):
        screen.page.locator(STAGE).press("+")
    shows(screen, "now, 1.5 min", SPAN)

    def is_seen() -> bool:
        screen.page.locator(".charts .lanes").scroll_into_view_if_needed()
        return "alarm, as it counted" in readout(screen, 0.97)

    until(is_seen, "the stage at the right end", 20.0)
    assert "as read" not in readout(screen, 0.97)
