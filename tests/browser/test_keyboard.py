"""The real page with a keyboard alone: no pointer is used here at all."""

from __future__ import annotations

import pytest

from browser.screen import Screen
from browser.works import WORD, Works
from integration.site import until

pytestmark = pytest.mark.timeout(60)

PRESSES = 120
SEEN = """() => {
  const one = document.activeElement, style = getComputedStyle(one), box = one.getBoundingClientRect();
  return style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2
    && box.width > 0 && box.bottom > 0 && box.top < innerHeight;
}"""


def walk_to(screen: Screen, selector: str) -> None:
    """Tab on until an element that fits has the keyboard, and see that this shows."""
    for _ in range(PRESSES):
        if screen.ask("selector => document.activeElement.matches(selector)", selector):
            assert screen.ask(SEEN), f"the focus on {selector} is not to be seen"
            return
        screen.page.keyboard.press("Tab")
    raise AssertionError(f"{selector} is not reached by Tab")


def press(screen: Screen, key: str) -> None:
    screen.page.keyboard.press(key)


def test_sign_in_acknowledge_and_shelve_by_keyboard(works: Works, screen: Screen) -> None:
    """From the skip link to an alarm that is acknowledged and then shelved, with a reason and a time."""
    screen.go()
    press(screen, "Tab")
    assert screen.ask("document.activeElement.className") == "skip"
    walk_to(screen, "#person > summary")
    press(screen, "Enter")
    walk_to(screen, 'a.pick[href*="person=night1"]')
    press(screen, "Enter")
    screen.see("#sign-in-title")
    walk_to(screen, "input[name=password]")
    screen.page.keyboard.type(WORD)
    press(screen, "Enter")
    screen.page.wait_for_selector('body[data-person="night1"]')

    works.contact(2, "alarm", operated=True)
    screen.see("#act-D2 > summary")
    walk_to(screen, "#act-D2 > summary")
    press(screen, "Enter")
    walk_to(screen, "#act-D2 button.main")
    press(screen, "Enter")
    screen.gone("#strip-D2.waits")
    assert works.rows("alarm", "acknowledged")[-1]["data"]["actor"] == "night1"

    walk_to(screen, "#act-D2 .more > summary")
    press(screen, "Enter")
    walk_to(screen, "#act-D2 input[name=reason]")
    screen.page.keyboard.type("greasing the lift")
    walk_to(screen, "#act-D2 select[name=for_s]")
    press(screen, "ArrowDown")
    chosen = int(screen.page.input_value("#act-D2 select[name=for_s]"))
    walk_to(screen, "#act-D2 form[data-verb=shelve] button")
    press(screen, "Enter")
    until(lambda: works.rows("alarm", "shelved"), "the shelving")
    (row,) = works.rows("alarm", "shelved")
    assert (row["data"]["actor"], row["data"]["reason"]) == ("night1", "greasing the lift")
    until(lambda: works.alarm(2) is None or works.alarm(2).get("shelved") or works.alarm(2).get("over"), "put aside")
    screen.gone("#strip-D2.waits")
    assert chosen > 0


def test_escape_closes_what_is_open_and_keeps_the_place(screen: Screen) -> None:
    """The menu of people goes, and the keyboard stays on what opened it."""
    screen.go()
    walk_to(screen, "#person > summary")
    press(screen, "Enter")
    walk_to(screen, "a.pick")
    press(screen, "Escape")
    assert screen.ask("document.getElementById('person').open") is False
    assert screen.ask("document.activeElement.matches('#person > summary')")


def test_skip_link_leads_past_the_menus(screen: Screen) -> None:
    """Tab, Enter: the next Tab is within the content."""
    screen.go()
    press(screen, "Tab")
    press(screen, "Enter")
    press(screen, "Tab")
    assert screen.ask("document.activeElement.closest('main') !== null")
