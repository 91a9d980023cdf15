"""The demo's page: what is set for it, what is told of it, and how it is opened."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from argon2 import PasswordHasher

from nightrake.cli.demopage import PASSWORD, DemoPage, has_desktop, opened, page_settings
from nightrake.settings import load
from nightrake.settings.page import LEAST_KIB_ROUNDS

CONFIG = Path(__file__).parents[3] / "config"
UP = {"up": True, "address": "http://127.0.0.1:1", "detail": ""}


def test_people_of_the_example_get_the_password_and_settings_that_load() -> None:
    """A hash of its own for each, for two alike are refused; none of them stands in the example's files."""
    people = load(CONFIG).people
    sets = page_settings(people)
    settings = load(CONFIG, sets)

    assert all(not person.page_password for person in people.values())
    assert all(PasswordHasher().verify(p.page_password, PASSWORD) for p in settings.people.values())
    assert (settings.page.enabled, settings.page.host, settings.page.port) == (True, "127.0.0.1", sets["page.port"])


def test_hash_is_not_one_that_check_doubts() -> None:
    """Whoever copies it does not copy a weak one."""
    (hashed,) = (v for k, v in page_settings(["night1"]).items() if k.endswith("page_password"))
    _, _, _, numbers, *_ = str(hashed).split("$")
    memory, rounds, _ = (int(part.partition("=")[2]) for part in numbers.split(","))

    assert memory * rounds >= LEAST_KIB_ROUNDS


def test_page_is_told_once_it_is_there() -> None:
    """With its address and the password; nothing before, and a reason only once."""
    page = DemoPage(desktop=False)
    no = {"up": False, "address": "", "detail": "port 1 is taken"}

    assert page.take({**no, "detail": ""}) == []
    assert page.take(no) == ["page: not there yet: port 1 is taken"]
    assert page.take(no) == []
    text = "\n".join(page.take(UP))
    assert "http://127.0.0.1:1" in text
    assert PASSWORD in text
    assert "for the demo only" in text
    assert page.address == "http://127.0.0.1:1"
    page.close()


def test_page_is_opened_with_the_users_browser(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As the module webbrowser finds it; it has no terminal of ours."""
    script = tmp_path / "browser"
    script.write_text(f'#!/bin/sh\nprintf "%s " "$1" >{tmp_path}/seen\ntty >>{tmp_path}/seen; exit 0\n')
    script.chmod(0o755)
    monkeypatch.setenv("BROWSER", str(script))
    process = opened("http://127.0.0.1:1")
    assert process is not None

    assert process.wait(15.0) == 0
    assert (tmp_path / "seen").read_text() == "http://127.0.0.1:1 not a tty\n"


def test_browser_that_cannot_be_started_is_none(monkeypatch: pytest.MonkeyPatch) -> None:
    """The demo goes on."""
    monkeypatch.setattr(sys, "executable", "/nowhere/python")
    page = DemoPage(desktop=True)

    assert opened("http://127.0.0.1:1") is None
    assert len(page.take(UP)) == 2
    page.close()


@pytest.mark.parametrize(
    ("environment", "terminal", "there"),
    [
        ({"DISPLAY": ":0"}, True, True),
        ({"WAYLAND_DISPLAY": "wayland-0"}, True, True),
        ({"DISPLAY": ""}, True, False),
        ({}, True, False),
        ({"DISPLAY": ":0"}, False, False),
    ],
)
def test_desktop_is_where_somebody_sits(
    monkeypatch: pytest.MonkeyPatch, environment: dict[str, str], terminal: bool, there: bool
) -> None:
    """A display, and a terminal that is read."""
    monkeypatch.setattr(sys.stdout, "isatty", lambda: terminal)

    assert has_desktop(environment) is there
