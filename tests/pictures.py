"""Makes the README's pictures anew, of the demo as it is: python tests/pictures.py

Needs Chromium, and Pillow, which matplotlib brings. Look at them before they are committed.
"""

from __future__ import annotations

import io
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from PIL import Image
from playwright.sync_api import Browser, Page, ViewportSize, sync_playwright

ROOT = Path(__file__).resolve().parent.parent
PICTURES = ROOT / "deploy" / "pictures"
CHROMIUM = "/usr/bin/chromium"
MOST_BYTES = 120_000
"""Of one picture: a clone should stay small."""
COLOURS = 128
"""Enough for flat greys and a few signal colours."""
DESK: ViewportSize = {"width": 1440, "height": 810}
PHONE: ViewportSize = {"width": 390, "height": 844}
TALL = 2000
DEMO_S = 150
WAIT_S = 90.0
SETTLES_MS = 2000
"""For what follows from an event, and for what was just loaded."""


@contextmanager
def demo() -> Iterator[tuple[str, str]]:
    """The demo at work: its page's address and password."""
    words = [sys.executable, "-u", "-m", "nightrake.cli", "demo", "--for", str(DEMO_S), "--no-browser"]
    process = subprocess.Popen(words, cwd=ROOT, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    found: dict[str, str] = {}
    try:
        for line in process.stdout:
            for key, pattern in (("at", r"page: (http://\S+)"), ("word", r"the password ([^;\s]+)")):
                found |= {key: m.group(1)} if (m := re.search(pattern, line)) else {}
            if len(found) == 2:
                break
        os.set_blocking(process.stdout.fileno(), False)
        yield found["at"], found["word"]
    finally:
        process.send_signal(signal.SIGINT)
        process.communicate(timeout=20.0)


def until(holds: Callable[[], bool], what: str) -> None:
    """Wait for something, not for ever."""
    end = time.monotonic() + WAIT_S
    while not holds():
        if time.monotonic() > end:
            raise TimeoutError(f"{what} did not come within {WAIT_S:g} s")
        time.sleep(0.25)


def keep(page: Page, name: str, **how: Any) -> None:
    """One picture, in few colours, and no larger than agreed."""
    image = Image.open(io.BytesIO(page.screenshot(**how))).convert("RGB")
    file = PICTURES / f"{name}.png"
    image.quantize(COLOURS, dither=Image.Dither.NONE).save(file, optimize=True)
    size = file.stat().st_size
    print(f"{file.relative_to(ROOT)}: {image.width} x {image.height}, {size} bytes")
    if size > MOST_BYTES:
        raise SystemExit(f"{file.name} has {size} bytes, more than {MOST_BYTES}; show less, or in fewer colours")


def opened(browser: Browser, address: str, size: ViewportSize, path: str = "/") -> Page:
    """A page in a window of a size, in the light look."""
    page = browser.new_context(viewport=size, color_scheme="light", locale="en-GB").new_page()
    page.goto(address + path)
    return page


def sign_in(page: Page, address: str, person: str, word: str) -> None:
    """As people do it."""
    page.goto(f"{address}/sign-in")
    page.check(f"input[name=person][value={person}]")
    page.fill("input[name=password]", word)
    page.click("form[action='/sign-in'] button[type=submit]")
    page.wait_for_url(f"{address}/")


def acknowledged(page: Page) -> bool:
    """Whether no alarm of the drive that is shown waits for it; the first that does is acknowledged."""
    button = page.get_by_role("button", name=re.compile("^Acknowledge"))
    if button.count() == 0:
        return True
    button.first.click()
    return False


def overview(page: Page, address: str) -> None:
    """Once something stands of each kind."""
    page.goto(address)
    until(lambda: "Shutdown" in page.inner_text("#strip-SC2"), "the shutdown of SC2")
    until(lambda: "Alarm" in page.inner_text("#strip-SCR1"), "the alarm of SCR1")
    page.wait_for_timeout(SETTLES_MS)
    keep(page, "overview")


def drive(page: Page, address: str) -> None:
    """The one whose alarm has come and gone, down to the end of its chart: what was recorded since the start."""
    page.goto(f"{address}/drives/SCR1")
    until(
        lambda: acknowledged(page) and "No alarm of this drive stands" in page.inner_text("main"), "SCR1's alarm to end"
    )
    page.set_viewport_size({"width": DESK["width"], "height": TALL})
    page.reload()
    page.get_by_role("button", name="10 min", exact=True).click()
    for _ in range(2):
        page.get_by_role("button", name="Closer", exact=True).click()
    page.mouse.move(0, 0)
    page.wait_for_timeout(SETTLES_MS)
    chart = page.locator("section.charts").bounding_box()
    assert chart is not None
    keep(page, "drive", clip={"x": 0, "y": 0, "width": DESK["width"], "height": chart["y"] + chart["height"] + 12})


def lockout(page: Page, address: str) -> None:
    """Its first step done, on a telephone."""
    page.goto(f"{address}/lockout/SC2")
    step = page.locator("#step-isolation_reported")
    for field in step.locator("input").all():
        field.fill("LK-7" if field.get_attribute("name") == "lock_number" else "main disconnect, MCC 2")
    step.locator("button[type=submit]").click()
    page.wait_for_selector("#step-isolation_reported.done")
    page.reload()
    page.locator("h2#lockout-title").scroll_into_view_if_needed()
    page.evaluate("scrollTo(0, document.querySelector('#walk').getBoundingClientRect().top + scrollY - 8)")
    page.wait_for_timeout(SETTLES_MS)
    keep(page, "lockout")


def take(browser: Browser, address: str, word: str) -> None:
    """All three, as the demo's minute goes."""
    desk, phone = opened(browser, address, DESK), opened(browser, address, PHONE)
    sign_in(desk, address, "night1", word)
    sign_in(phone, address, "fitter1", word)
    overview(desk, address)
    drive(desk, address)
    lockout(phone, address)


def main() -> None:
    """See the module."""
    PICTURES.mkdir(exist_ok=True)
    with demo() as (address, word), sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        take(browser, address, word)
        browser.close()


if __name__ == "__main__":
    main()
