"""A lockout on the real page, from the shutdown to the release, by the people that it needs."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from browser.screen import Screen
from browser.works import Works

pytestmark = pytest.mark.timeout(90)

STEPS = ("zero_energy_reported", "cause", "cleared", "contacts_proved", "area_clear", "lock_removed")


def report(screen: Screen, step: str, **said: str) -> None:
    """Report one step, and wait until the page shows it as reported."""
    form = f"#step-{step} form[data-verb={step}]"
    if not screen.page.is_visible(f"{form} button"):
        screen.page.click(f"#step-{step} .more > summary")
    for name, text in said.items():
        field = screen.page.locator(f"{form} [name={name}]")
        if field.evaluate("one => one.tagName") == "SELECT":
            field.select_option(label=text)
        else:
            field.fill(text)
    screen.page.click(f"{form} button")
    screen.see(f"#step-{step} .said")


def release(screen: Screen) -> None:
    """Ask for the release."""
    screen.page.click("form[data-verb=release] button")


def test_lockout_is_walked_to_its_release(works: Works, make_screen: Callable[..., Screen]) -> None:
    """A fitter reports; an operator asks for the release; the fitter is no second for that, a supervisor is."""
    works.shut_down(0)
    operator = make_screen(390, 844)
    operator.sign_in("night1")
    operator.see("#strip-D0 .word", "Shutdown")
    operator.page.click("#act-D0 > summary")
    while operator.page.locator("#act-D0 button.main").count():
        words = operator.page.locator("#act-D0 button.main").first.inner_text()
        operator.page.click(f'#act-D0 button.main:text-is("{words}")')
        operator.gone(f'#act-D0 button.main:text-is("{words}")')
    operator.page.click("#act-D0 a.button")
    operator.see("#walk .against li", "the shutdown contact is still operated")
    release(operator)
    operator.see("form[data-verb=release] .answer", "still operated")

    fitter = make_screen()
    fitter.sign_in("fitter1", "/lockout/D0")
    fitter.see("#step-isolation_reported.next")
    report(fitter, "isolation_reported", lock_number="17", remark="isolator Q3")
    fitter.see(".locks li", "lock 17")
    operator.see("#step-isolation_reported .said", "Fred Fitter")
    works.contact(0, "shutdown", operated=False)
    works.contact(0, "alarm", operated=False)
    for step in STEPS:
        report(fitter, step, **({"cause": "foreign object", "remark": "a plank"} if step == "cause" else {}))

    release(operator)
    operator.see(".against", "Nina Night has asked for the release")
    release(operator)
    operator.see("form[data-verb=release] .answer.no", "somebody else confirms")
    release(fitter)
    fitter.see("form[data-verb=release] .answer.no", "release is for supervisor")
    assert works.watch.ask("lockout", drive="D0")["open"], "neither twice the same, nor two without the role"
    supervisor = make_screen()
    supervisor.sign_in("super1", "/lockout/D0")
    release(supervisor)
    for screen in (supervisor, operator, fitter):
        screen.see("#lockout-title", "released by Sam Supervisor")

    assert not works.watch.ask("lockout", drive="D0")["open"]
    (row,) = works.rows("lockout", "released")
    assert (row["data"]["actor"], row["data"]["known_by"]) == ("super1", "page session")
    assert "night1" in str(row["data"])
