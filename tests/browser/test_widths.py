"""The overview between a telephone and a wall: nothing on anything else, nothing cut off, and the last hour."""

from __future__ import annotations

import pytest

from browser.screen import Screen
from browser.works import Works
from integration.site import until

pytestmark = pytest.mark.timeout(90)

WIDTHS = (360, 390, 600, 800, 1000, 1130, 1200, 1217, 1280, 1313, 1440, 1601, 1920)
PARTS = ".mark, .drive, .bar, .number, .hour, .notes, .act"
# What a strip shows, pair by pair: places that share more than a hair of each other; and texts wider than their place.
# Of a bar what is drawn counts, which leaves room above and below free.
WRONG = """parts => [...document.querySelectorAll("#strips > li")].flatMap(strip => {
  const shown = [...strip.querySelectorAll(parts)]
    .filter(one => one.checkVisibility() && getComputedStyle(one).clipPath === "none")
    .map(one => [one, (one.querySelector(".tick.stop") || one).getBoundingClientRect(), one.getBoundingClientRect()])
    .map(([one, drawn, box]) => [one, new DOMRect(box.x, drawn.y, box.width, drawn.height)])
    .filter(([, box]) => box.width > 1 && box.height > 1);
  const name = one => `${strip.id} ${one.classList[0]}`;
  const met = shown.flatMap(([one, a], i) => shown.slice(i + 1)
    .filter(([other, b]) => !one.contains(other) && !other.contains(one)
      && Math.min(a.right, b.right) - Math.max(a.left, b.left) > 1
      && Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 1)
    .map(([other]) => `${name(one)} on ${name(other)}`));
  const cut = shown.filter(([one]) => !one.matches("svg") && one.scrollWidth > one.clientWidth + 1)
    .map(([one]) => `${name(one)} cut`);
  return [...met, ...cut];
})"""
HOURS = "[...document.querySelectorAll('#strips .hour')].filter(one => one.checkVisibility()).length"


@pytest.fixture(scope="module")
def busy(works: Works) -> Works:
    """One drive shut down, one in alarm, one at rest."""
    works.shut_down(0)
    works.current(1, 15_000)
    works.contact(1, "alarm", operated=True)
    until(lambda: works.alarm(1) is not None, "the alarm")
    return works


@pytest.mark.parametrize("opened", [False, True], ids=["closed", "opened"])
def test_nothing_stands_on_anything_else(busy: Works, screen: Screen, opened: bool) -> None:
    """At any width; closed, and with all that can be opened."""
    screen.go()
    screen.see("#strip-D0.waits")
    screen.see("#strip-D1.waits")
    if opened:
        screen.ask("document.querySelectorAll('#strips details').forEach(one => one.open = true)")
    for width in WIDTHS:
        screen.page.set_viewport_size({"width": width, "height": 900})
        assert screen.ask(WRONG, PARTS) == [], width


def test_last_hour_is_on_every_desk(busy: Works, screen: Screen) -> None:
    """Of every drive, on a small laptop as on a wall; on a telephone of those that are not well."""
    screen.go()
    screen.see("#strip-D1.waits")
    shown = {}
    for width in (390, 1280, 1440, 1920):
        screen.page.set_viewport_size({"width": width, "height": 900})
        shown[width] = screen.ask(HOURS)

    assert shown == {390: 2, 1280: 3, 1440: 3, 1920: 3}
