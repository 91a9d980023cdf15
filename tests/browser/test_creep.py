"""Torque creep in a real browser: the ranking, a drive's part with its chart, reports; by keys, small, unseen."""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe  # type: ignore[import-untyped]

from browser.screen import Screen
from browser.test_states import OPEN_ALL, SIDEWAYS, SMALL, TOUCH_PX
from browser.works import Works
from creepfiles import DAY_MS, cannot_say, days, leave, side, steady, stepped, trends
from integration.site import until

pytestmark = pytest.mark.timeout(90)

STAGE = "#drive-creep .stage"
LABEL = f"document.querySelector('{STAGE}')?.getAttribute('aria-label') || ''"
ROWS = "[...document.querySelectorAll('.creep > li h2 b')].map(one => one.textContent)"
CUT = """[...document.querySelectorAll('.said dd, .said dt')].filter(one => one.scrollWidth > one.clientWidth + 1)
  .map(one => one.textContent)"""
TONES = "[...document.querySelectorAll('.creep > li')].map(one => getComputedStyle(one.querySelector('.word')).color)"


def now_ms() -> int:
    """UTC."""
    return time.time_ns() // 1_000_000


def example(judged_ms: int) -> dict[str, Any]:
    """D0 creeps, D1 has stepped, of D2 one direction is steady and of the other nothing can be said."""
    known = days(400, 23_000.0, 1_200.0, judged_ms)
    flat = days(400, 16_000.0, 0.0, judged_ms)
    step = {"utc_ms": judged_ms - 90 * DAY_MS, "low_utc_ms": judged_ms - 93 * DAY_MS, "high_utc_ms": judged_ms}
    moved = {**step, "size_nm": {"low": 900.0, "mid": 1_300.0, "high": 1_700.0}, "why": "found"}
    sides = (
        side("D0", days=known), stepped("D1", days=flat, shifts=[moved]), steady("D2", several=True, days=flat),
        cannot_say("D2", several=True, direction="reverse"),
    )  # fmt: skip
    return trends(*sides, now_utc_ms=judged_ms)


@pytest.fixture
def left(works: Works) -> Iterator[Callable[..., None]]:
    """Leaves trends of so many hours ago, and reports; at the end nothing is left."""

    def write(hours: float = 6.0, **more: Any) -> None:
        told = {**example(now_ms() - round(hours * 3_600_000)), **more}
        leave(works.site.state, told, ("2026-11-16", "2026-11-23"))

    write()
    yield write
    (works.site.state / "learning" / "trends.json").unlink()


def label(screen: Screen, part: str) -> str:
    """Wait until the chart says this of itself; all that it says."""
    until(lambda: part in str(screen.ask(LABEL)), part, 30.0)
    return str(screen.ask(LABEL))


def picked(screen: Screen, span: str, part: str) -> bool:
    """Whether the chart says this of itself with that span picked; a busy page may take a click a little later."""
    screen.page.click(f"#drive-creep .pick:text-is('{span}')")
    return part in str(screen.ask(LABEL))


def opened(screen: Screen, drive: str = "D0") -> None:
    """A drive's page with its creep drawn."""
    screen.go(f"/drives/{drive}")
    label(screen, "level from")


def test_ranking_leads_to_the_drive_whose_creep_it_is(left: Callable[..., None], screen: Screen) -> None:
    """In order of rank, coloured only where it warns; from the navigation there, and from a row to the drive's part."""
    screen.go()
    screen.page.click("nav >> text=Creep")
    screen.see(".creep-about", "3 drives, 1 creep warning")

    assert screen.ask(ROWS) == ["D0", "D1", "D2", "D2"]
    warning, *others = screen.ask(TONES)
    assert warning not in others
    assert len(set(others)) == 1
    screen.see(".creep > li:first-child", "Creep warning")
    screen.see(".creep > li:first-child", "in 40 to 90 days")
    screen.see(".creep > li:last-child", "most of the time the torque is below what can be measured")
    screen.page.click(".creep > li:first-child a")
    label(screen, "level from")
    until(lambda: bool(screen.ask("document.querySelector('#drive-creep').getBoundingClientRect().top < 200")), "it")
    screen.see("#drive-creep dd", "32 kN·m in 40 to 90 days, 90 % interval")


def test_chart_is_used_with_keys_and_said_in_words(left: Callable[..., None], screen: Screen) -> None:
    """Closer, sideways, all; what is in sight in words, the same as a table, and steps dated."""
    opened(screen, "D1")
    assert "400 days; level from 16.00 to 16.00 kN·m; 1 step" in label(screen, "400 days")
    screen.page.focus(STAGE)

    screen.page.keyboard.press("+")
    # Of the days in these the first is in sight or not, by the time of day.
    until(lambda: re.search("; (249|250|251) days", str(screen.ask(LABEL))), lambda: str(screen.ask(LABEL)), 30.0)
    screen.page.keyboard.press("ArrowLeft")
    screen.page.keyboard.press("Home")
    label(screen, "400 days")
    until(lambda: picked(screen, "3 months", ", 91 d; 9"), "three months", 30.0)
    screen.page.click("#drive-creep .numbers summary")
    screen.see("#drive-creep .numbers table", "Band from")
    assert screen.page.locator("#drive-creep .numbers table >> nth=0 >> tbody tr").count() in range(20, 41)
    screen.see("#drive-creep .numbers", "step +1.3 kN·m")
    screen.see("#drive-creep .rows", "+1.3 kN·m (+0.9 to +1.7); found in the readings")


def test_pointer_reads_a_day_off_the_chart(left: Callable[..., None], screen: Screen) -> None:
    """Its date, median, level and band."""
    opened(screen)
    screen.page.locator(STAGE).scroll_into_view_if_needed()
    box = screen.page.locator(f"{STAGE} .u-over").bounding_box()
    assert box is not None

    screen.page.mouse.move(box["x"] + box["width"] * 0.98, box["y"] + 40)

    text = screen.page.inner_text("#drive-creep .readout")
    assert "level 2" in text
    assert "band 2" in text


def test_both_directions_have_their_own(left: Callable[..., None], screen: Screen) -> None:
    """One with a level, one below what can be measured: two charts, each with its name."""
    screen.go("/drives/D2")
    until(lambda: screen.page.locator(STAGE).count() == 2, "two charts", 30.0)

    names = screen.ask(f"[...document.querySelectorAll('{STAGE}')].map(one => one.getAttribute('aria-label'))")
    assert [name.partition(":")[0] for name in names] == ["Creep of D2, forward", "Creep of D2, reverse"]
    assert "no level" in names[1]
    screen.see("#drive-creep .chart-foot", "hooks: days below what can be measured")


def test_report_is_kept_to_disk(left: Callable[..., None], screen: Screen, tmp_path: Path) -> None:
    """The newest at a touch, older ones from the list."""
    screen.go("/creep")
    with screen.page.expect_download() as newest:
        screen.page.click(".creep-about a.button")
    screen.page.click("#creep-reports summary")
    with screen.page.expect_download() as older:
        screen.page.click("#creep-reports a")

    assert [one.value.suggested_filename for one in (newest, older)] == [
        "creep-2026-11-23.html",
        "creep-2026-11-16.html",
    ]
    newest.value.save_as(tmp_path / "kept.html")
    assert "Report of 2026-11-23" in (tmp_path / "kept.html").read_text(encoding="utf-8")


def test_what_is_old_missing_or_damaged_says_so(works: Works, left: Callable[..., None], screen: Screen) -> None:
    """Greyed, and since when; a sentence in place of the ranking; on the drive's page likewise."""
    left(hours=9 * 24)
    screen.go("/creep")
    screen.see(".creep-about", "Not judged since")
    screen.see(".creep-about", "9 d ago")
    assert len(set(screen.ask(TONES))) == 1
    screen.go("/drives/D0")
    screen.see("#drive-creep", "9 d ago")

    leave(works.site.state, b'{"form": "nightrake tre')
    screen.go("/creep")
    screen.see(".creep-about", "learning/trends.json: is damaged")
    assert screen.ask(ROWS) == []
    screen.go("/drives/D0")
    screen.see("#drive-creep", "is damaged")
    left(sides=[])
    screen.go("/creep")
    screen.see("main", "No drive could be judged")


def test_screen_that_stays_open_shows_the_next_judgement(left: Callable[..., None], screen: Screen) -> None:
    """Looked at each hour, in place: what is open stays open."""
    screen.page.clock.install()
    screen.go("/creep")
    screen.page.click("#creep-knows summary")
    left(sides=[steady("D1"), side("D0")])

    screen.page.clock.fast_forward(3_601_000)

    until(lambda: screen.ask(ROWS) == ["D1", "D0"], "the new order", 30.0)
    assert screen.ask("document.querySelector('#creep-knows').open")


def test_keys_alone_lead_from_the_ranking_into_the_chart(left: Callable[..., None], screen: Screen) -> None:
    """Tab and Enter: the row, then the drive's page, then the chart, whose focus is to be seen."""
    screen.go("/creep")
    for _ in range(30):
        screen.page.keyboard.press("Tab")
        if "D0" in str(screen.ask("document.activeElement.textContent")) and screen.ask(
            "document.activeElement.matches('.creep a')"
        ):
            break
    screen.page.keyboard.press("Enter")
    screen.page.wait_for_url("**/drives/D0#drive-creep")
    label(screen, "level from")
    for _ in range(80):
        screen.page.keyboard.press("Tab")
        if screen.ask(f"document.activeElement === document.querySelector('{STAGE}')"):
            break

    assert screen.ask(f"document.activeElement === document.querySelector('{STAGE}')")
    assert screen.ask("getComputedStyle(document.activeElement).outlineStyle") == "solid"


def test_no_violation_of_accessibility(left: Callable[..., None], screen: Screen) -> None:
    """axe-core finds nothing, in either look, with everything opened, fresh and old."""
    for hours in (6, 200):
        left(hours=hours)
        for path in ("/creep", "/drives/D1"):
            screen.go(path)
            if path != "/creep":
                label(screen, "level from")
            screen.ask(OPEN_ALL)
            for look in ("light", "dark"):
                screen.page.emulate_media(color_scheme=look)
                found = Axe().run(screen.page)
                wrong = [(v["id"], v["nodes"][0]["html"][:200]) for v in found.response["violations"]]
                assert wrong == [], (path, look, hours)


@pytest.mark.parametrize("width", [360, 390])
def test_telephone(left: Callable[..., None], make_screen: Callable[..., Screen], width: int) -> None:
    """Nothing goes sideways, and whatever is touched is large enough for a finger."""
    screen = make_screen(width, 844, has_touch=True, is_mobile=True)
    for path in ("/creep", "/drives/D1"):
        screen.go(path)
        if path != "/creep":
            label(screen, "level from")
        screen.ask(OPEN_ALL)

        assert screen.ask(SIDEWAYS, width) == [], path
        assert screen.ask(SMALL, TOUCH_PX) == [], path
        assert screen.ask(CUT) == []
