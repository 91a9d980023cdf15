"""An alarm on the real page: it appears, is acknowledged in two touches, and the journal has the name."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest

from browser.screen import Screen
from browser.works import Works
from integration.site import until

pytestmark = pytest.mark.timeout(60)

TWO_TOUCHES = ("#act-D0 > summary", "#act-D0 button.main")


@pytest.fixture(autouse=True)
def _calm(works: Works) -> Iterator[None]:
    """Every test leaves a calm works behind."""
    yield
    for n in range(3):
        works.contact(n, "alarm", operated=False)
        if (stands := works.alarm(n)) is not None and "unack" in stands["life"]:
            works.acknowledge(n)
    until(lambda: all(works.alarm(n) is None for n in range(3)), "no alarm")


def raise_alarm(works: Works, drive: int = 0) -> int:
    """Open a drive's alarm contact; the occurrence that stands then."""
    works.contact(drive, "alarm", operated=True)
    until(lambda: works.alarm(drive) is not None, "the alarm")
    return int(works.alarm(drive)["occurrence"])


def test_two_touches_acknowledge_and_the_journal_has_the_name(works: Works, make_screen: Callable[..., Screen]) -> None:
    """On a telephone: the alarm comes by itself to the top; one touch opens it, one acknowledges what it shows."""
    phone = make_screen(390, 844, has_touch=True, is_mobile=True)
    phone.sign_in("night1")
    assert phone.page.locator("#strips .waits").count() == 0
    works.contact(1, "alarm", operated=True)
    phone.see("#strip-D1.waits .word", "Alarm")
    until(lambda: phone.order()[0] == "strip-D1", "it at the top")

    phone.page.tap("#act-D1 > summary")
    phone.page.tap("#act-D1 button.main")
    phone.gone("#strip-D1.waits")

    (row,) = [r["data"] for r in works.rows("alarm", "acknowledged") if r["drive"] == "D1"]
    assert (row["actor"], row["role"], row["known_by"]) == ("night1", "operator", "page session")
    phone.see("#strip-D1 .notes", "Nina Night")


def test_acknowledgement_of_an_occurrence_that_is_over_is_refused(works: Works, screen: Screen) -> None:
    """What is on the screen has been dealt with elsewhere and has come again: refused, and then shown as it is now."""
    first = raise_alarm(works)
    screen.sign_in("night1")
    screen.see("#act-D0")
    screen.page.context.route(f"{works.url}/live?**", lambda route: route.abort())
    screen.go(live=False)
    screen.page.click(TWO_TOUCHES[0])
    works.acknowledge(0)
    works.contact(0, "alarm", operated=False)
    until(lambda: works.alarm(0) is None, "the end of the first")
    second = raise_alarm(works)
    assert second != first

    screen.page.click(TWO_TOUCHES[1])
    screen.see("#act-D0 .answer.no", str(second))
    assert "unack" in works.alarm(0)["life"], "nobody has seen the second"

    screen.page.context.unroute(f"{works.url}/live?**")
    screen.see("#act-D0 .meta", f"occurrence {second}")
    screen.page.wait_for_selector("#act-D0 button.main:enabled")
    screen.page.click(TWO_TOUCHES[1])
    screen.gone("#strip-D0.waits")


def test_nobody_signed_in_is_asked_who_they_are_and_led_back(works: Works, screen: Screen) -> None:
    """The second touch asks for a sign-in and acknowledges nothing."""
    raise_alarm(works)
    screen.go()
    screen.page.click(TWO_TOUCHES[0])
    screen.page.click(TWO_TOUCHES[1])
    screen.see("#sign-in-title")
    assert "unack" in works.alarm(0)["life"]
    screen.page.check("main input[value=night1]")
    screen.page.fill("main input[name=password]", "turn-it-slowly-now")
    screen.page.click("main button[type=submit]")
    screen.see("#strip-D0.waits")


def test_wrong_role_is_refused_by_page_and_watch(works: Works, screen: Screen) -> None:
    """Maintenance shelves nothing: the button says so, and who sends it all the same has the watch's own sentence."""
    raise_alarm(works)
    screen.sign_in("fitter1")
    screen.page.click(TWO_TOUCHES[0])
    screen.page.click("#act-D0 .more > summary")
    screen.see("#act-D0 form[data-verb=shelve] .needs", "Not for the role maintenance.")
    assert screen.page.is_disabled("#act-D0 form[data-verb=shelve] button")
    send = """async () => {
      const reply = await fetch("/api/v1/commands", {method: "POST",
        headers: {"Content-Type": "application/json",
                  "X-CSRF-Token": document.querySelector("meta[name=csrf]").content},
        body: JSON.stringify({what: "shelve", drive: "D0", direction: "forward",
                              args: {alarm: "D0/forward/alarm_contact", reason: "quiet please", for_s: 3600}})});
      return [reply.status, reply.headers.get("content-type"), (await reply.json()).detail];
    }"""
    status, kind, words = screen.ask(send)
    assert status in (403, 409)
    assert kind.startswith("application/problem+json")
    assert "operator or supervisor" in words
    assert works.rows("alarm", "shelved") == []


def test_silencing_a_page_is_not_acknowledging(works: Works, screen: Screen) -> None:
    """Sound is off until somebody turns it on; silenced, it says what that is not, and the alarm waits as before."""
    screen.go()
    assert screen.page.get_attribute("#sound", "aria-pressed") == "false"
    screen.page.click("#sound")
    screen.see("#sound[aria-pressed=true]", "Sound on")
    raise_alarm(works)
    screen.see("#silence", "Silence 10 min")
    screen.page.click("#silence")
    screen.see("#silence[aria-pressed=true]", "Silenced, not acknowledged")
    assert "unack" in works.alarm(0)["life"]
    raise_alarm(works, 2)
    screen.see("#silence[aria-pressed=false]", "Silence 10 min")
