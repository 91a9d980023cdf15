"""A browser's page on the works, and what it must never do: complain, break the policy, or ask anybody else."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from playwright.sync_api import Browser, ConsoleMessage, Page, Request, TimeoutError

from browser.works import WORD, Works

LOOK_MS = 20_000
"""What a page is to show is there by then."""
LIVE = "html.heard:not(.away)"
"""A page that has heard something over its live line, and goes on hearing."""
NETWORK = "Failed to load resource"
"""How Chromium's console tells of a refused or broken request; these are looked at where they are expected."""


class Screen:
    """One page of one browser, and what went wrong on it.

    Args:
        works: Whose page. page: Of a context of its own.
    """

    def __init__(self, works: Works, page: Page) -> None:
        self.works, self.page = works, page
        self.complaints: list[str] = []
        page.on("console", self._said)
        page.on("pageerror", lambda error: self.complaints.append(f"script: {error}"))
        page.on("request", self._asked)
        page.set_default_timeout(LOOK_MS)

    def _said(self, message: ConsoleMessage) -> None:
        if message.type in ("error", "warning") and not message.text.startswith(NETWORK):
            self.complaints.append(f"console: {message.text}")

    def _asked(self, request: Request) -> None:
        url = request.url
        if url.startswith(f"{self.works.url}/csp"):
            self.complaints.append(f"policy: {request.post_data}")
        elif not url.startswith((f"{self.works.url}/", "data:")):
            self.complaints.append(f"outside: {url}")

    def go(self, path: str = "/", *, live: bool = True) -> None:
        """Open one of the pages; `live`: wait until something has come over its live line."""
        self.page.goto(f"{self.works.url}{path}")
        if live and self.page.locator("body[data-live]").count():
            self.page.wait_for_selector(LIVE)

    def sign_in(self, person: str, path: str = "/") -> None:
        """By the form, as that person."""
        self.go(f"/sign-in?person={person}&next={path}")
        self.page.fill("main input[name=password]", WORD)
        self.page.click("main button[type=submit]")
        self.page.wait_for_selector(f'body[data-person="{person}"]')
        if self.page.locator("body[data-live]").count():
            self.page.wait_for_selector(LIVE)

    def see(self, selector: str, text: str = "") -> None:
        """Wait until an element is to be seen, with a text in it."""
        found = self.page.locator(selector)
        try:
            (found.filter(has_text=text) if text else found).first.wait_for(state="visible")
        except TimeoutError:
            shown = found.all_inner_texts()
            pytest.fail(f"'{text}' is not to be seen in {selector}, which shows {shown}")

    def gone(self, selector: str) -> None:
        """Wait until there is no such element."""
        self.page.locator(selector).first.wait_for(state="detached")

    def ask(self, script: str, *args: Any) -> Any:
        """What a script says on the page."""
        return self.page.evaluate(script, *args)

    def order(self) -> list[str]:
        """Ids of the strips, as they stand."""
        return list(self.ask("[...document.querySelectorAll('#strips > li')].map(one => one.id)"))


@contextmanager
def screen_of(browser: Browser, works: Works, width: int = 1440, height: int = 900, **more: Any) -> Iterator[Screen]:
    """A screen with cookies of its own; at its end it has complained of nothing."""
    context = browser.new_context(viewport={"width": width, "height": height}, reduced_motion="reduce", **more)
    try:
        screen = Screen(works, context.new_page())
        yield screen
        assert screen.complaints == []
    finally:
        context.close()
