"""Fixtures: one Chromium and one works for each module, a screen for each test."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, sync_playwright

from browser.screen import Screen, screen_of
from browser.works import Works
from peers.process import program

DRIVES = (
    ("Primary clarifier 1", "Primary"),
    ("Secondary clarifier 1", "Secondary"),
    ("Gravity thickener", "Sludge"),
)


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    """Debian's Chromium without a window."""
    path = program("chromium", "chromium")
    sound = "--autoplay-policy=user-gesture-required"
    with sync_playwright() as tools:
        browser = tools.chromium.launch(executable_path=path, args=["--no-sandbox", sound])
        yield browser
        browser.close()


@pytest.fixture(scope="module")
def works(tmp_path_factory: pytest.TempPathFactory, libmodbus_binary: Path) -> Iterator[Works]:
    """Three healthy drives, watched, with their page."""
    made = Works(tmp_path_factory.mktemp("works"), libmodbus_binary, names=DRIVES)
    try:
        made.start()
        yield made
    finally:
        made.close()


@pytest.fixture
def make_screen(works: Works, chromium: Browser) -> Iterator[Callable[..., Screen]]:
    """Makes screens on the works (width, height and what a context takes), each checked at the end."""
    with ExitStack() as stack:

        def make(width: int = 1440, height: int = 900, **more: Any) -> Screen:
            shown: AbstractContextManager[Screen] = screen_of(chromium, works, width, height, **more)
            return stack.enter_context(shown)

        yield make


@pytest.fixture
def screen(make_screen: Callable[..., Screen]) -> Screen:
    """The control room's screen."""
    return make_screen()
