"""A function check begun and ended on the drive's page, by those whose role may."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from browser.screen import Screen
from browser.works import Works
from integration.site import until

pytestmark = pytest.mark.timeout(60)

FORM = "#do-test form[data-verb=test]"
END = "#drive-do form[data-verb=test_end]"


def test_maintenance_puts_a_drive_in_test_and_ends_it(works: Works, make_screen: Callable[..., Screen]) -> None:
    """With a reason and a time; everybody sees it and by whom it was, its contacts call nobody; ended, it is over."""
    fitter, other = make_screen(390, 844), make_screen()
    fitter.sign_in("fitter1", "/drives/D1")
    other.go()
    fitter.page.click("#do-test > summary")
    fitter.page.fill(f"{FORM} [name=reason]", "springs are proved")
    fitter.page.select_option(f"{FORM} [name=for_s]", label="15 min")
    fitter.page.click(f"{FORM} button")

    fitter.see(f"{FORM} .answer", "in test for 15 minutes")
    other.see("#strip-D1 .notes", "in test: nobody is called in 15 min")
    fitter.see("#rows li", "Fred Fitter put it in test for 15 min: 'springs are proved'.")
    works.contact(1, "alarm", operated=True)
    other.see("#strip-D1 .notes", "in test")
    until(lambda: bool(works.rows("alarm", "raised")), "the alarm")
    assert works.alarm(1)["suppressed"] == "in test"
    assert works.rows("call", "called") == []
    works.contact(1, "alarm", operated=False)
    works.acknowledge(1)
    until(lambda: works.alarm(1) is None, "the end of the alarm")

    fitter.page.click(f"{END} button")
    fitter.gone(END)
    other.see("#strip-D1.t-calm")
    (began,), (ended,) = works.rows("drive", "test_began"), works.rows("drive", "test_ended")
    assert (began["data"]["actor"], began["data"]["known_by"]) == ("fitter1", "page session")
    assert (began["data"]["limit_s"], began["data"]["reason"]) == (900.0, "springs are proved")
    assert ended["data"]["actor"] == "fitter1"


def test_operator_may_not(works: Works, screen: Screen) -> None:
    """The button says so, and the watch refuses who sends it all the same."""
    screen.sign_in("night1", "/drives/D0")
    screen.page.click("#do-test > summary")
    screen.see(f"{FORM} .needs", "Not for the role operator.")
    assert screen.page.is_disabled(f"{FORM} button")
    send = """async () => {
      const reply = await fetch("/api/v1/commands", {method: "POST",
        headers: {"Content-Type": "application/json",
                  "X-CSRF-Token": document.querySelector("meta[name=csrf]").content},
        body: JSON.stringify({what: "test", drive: "D0", args: {reason: "quiet please", for_s: 900}})});
      return [reply.status, (await reply.json()).detail];
    }"""
    status, words = screen.ask(send)

    assert status == 409
    assert "test is for supervisor, maintenance, engineer or local" in words
    assert not [row for row in works.rows("drive", "test_began") if row["drive"] == "D0"]
