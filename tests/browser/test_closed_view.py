"""A site that shows nothing to strangers, in a real browser: the form for a typed name, by keys, small, unseen.

And two people who report different causes of one lockout, each on a screen of their own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe  # type: ignore[import-untyped]

from browser.conftest import DRIVES
from browser.screen import Screen
from browser.test_states import SIDEWAYS, SMALL, TOUCH_PX
from browser.works import WORD, Works

pytestmark = pytest.mark.timeout(90)

PERSON = "main form input[name=person]"


@pytest.fixture(scope="module")
def works(tmp_path_factory: pytest.TempPathFactory, libmodbus_binary: Path) -> Iterator[Works]:
    """As ever, but closed."""
    made = Works(tmp_path_factory.mktemp("closed"), libmodbus_binary, names=DRIVES)
    try:
        with (made.site.folder / "page.toml").open("a") as page:
            page.write("open_view = false\n")
        made.start()
        yield made
    finally:
        made.close()


def enter(screen: Screen, name: str, path: str = "/") -> None:
    """Sign in as somebody does who is asked for a name."""
    screen.go(path, live=False)
    screen.page.fill(PERSON, name)
    screen.page.fill("main input[name=password]", WORD)
    screen.page.click("main button[type=submit]")
    screen.page.wait_for_url(f"{screen.works.url}{path}")


def test_name_is_typed_with_keys_alone_and_nobody_is_listed(screen: Screen) -> None:
    """From a drive's address to its page: name, password, Enter; before that no name and no drive is to be seen."""
    screen.go("/drives/D1", live=False)
    assert "Nina" not in screen.page.content()
    assert "clarifier" not in screen.page.content()
    assert screen.ask(f"document.activeElement === document.querySelector('{PERSON}')")

    screen.page.keyboard.type("nina night")
    screen.page.keyboard.press("Tab")
    screen.page.keyboard.type(WORD)
    screen.page.keyboard.press("Enter")

    screen.page.wait_for_selector('body[data-person="night1"]')
    screen.see("main", "Secondary clarifier 1")
    screen.page.click("#person summary")
    screen.see("#person", "Sam Supervisor")


def test_form_is_fit_for_a_telephone_and_a_screen_reader(make_screen: Callable[..., Screen]) -> None:
    """Nothing goes sideways, all is large enough, axe-core finds nothing; also after a wrong password."""
    screen = make_screen(360, 844, has_touch=True, is_mobile=True)
    screen.go("/", live=False)
    for _ in range(2):
        assert screen.ask(SIDEWAYS, 360) == []
        assert screen.ask(SMALL, TOUCH_PX) == []
        found = Axe().run(screen.page)
        assert [(v["id"], v["nodes"][0]["html"][:200]) for v in found.response["violations"]] == []
        screen.page.fill(PERSON, "Nina Night")
        screen.page.fill("main input[name=password]", "wrong")
        screen.page.click("main button[type=submit]")
        screen.see(".refused", "do not go together")
    assert screen.page.input_value(PERSON) == "Nina Night"


def test_second_of_two_hears_which_cause_stands_and_both_see_both(
    works: Works, make_screen: Callable[..., Screen]
) -> None:
    """By name on the page, and on the walk of the first as well."""
    fitter, night = make_screen(), make_screen()
    enter(fitter, "fitter1", "/lockout/D0")
    enter(night, "night1", "/lockout/D0")
    works.shut_down(0)
    form = "#step-cause form"
    for screen, cause in ((fitter, 1), (night, 2)):
        screen.see("#walk", "open since")
        screen.page.click("#form-cause > summary")
        choice = screen.page.locator(f"{form} select, {form} input[name=cause]").first
        if choice.evaluate("one => one.tagName") == "SELECT":
            choice.select_option(index=cause)
        else:
            choice.fill(("", "ice", "a plank")[cause])
        screen.page.click(f"{form} button[type=submit]")
        screen.see(f"{form} .answer", "recorded")

    night.see(f"{form} .answer", "another cause stands: ")
    night.see(f"{form} .answer", " by Fred Fitter; yours is recorded beside it")
    for screen in (fitter, night):
        screen.see("#step-cause", "reported differently: settle which it was")
        said = screen.page.locator("#step-cause .said").all_inner_texts()
        assert [one.partition(" (")[0] for one in said] == ["Fred Fitter", "Nina Night"]
