"""Sign-ins at the page in the account of a night: who, from where, and how many were only counted."""

from __future__ import annotations

from typing import Any

import pytest

from alarmnights import Nights
from nightrake.alarms.account import KINDS
from unit.alarms.test_account import told

DAY1 = {"actor": "day1"}
CASES: list[tuple[str, dict[str, Any], str]] = [
    ("signed_in", {"actor": "night1", "address": "10.0.0.7"}, "night1 signed in at the page from 10.0.0.7."),
    ("signed_out", {"actor": "night1"}, "night1 signed out at the page."),
    ("signed_out_everywhere", {"actor": "night1"}, "night1 signed out of the page everywhere."),
    (
        "sign_in_refused",
        {"stranger": True, "why": "too soon"},
        "A stranger was refused at the page's sign-in: too soon.",
    ),
    (
        "sign_in_refused",
        {**DAY1, "address": "10.0.0.9", "why": "waiting", "times": 12},
        "from 10.0.0.9: too many wrong passwords before. So were 11 more.",
    ),
    ("sign_in_refused", {**DAY1, "why": "password", "times": 2}, "sign-in: wrong password. So was 1 more."),
    ("sign_in_refused", {**DAY1, "why": "password", "times": -5}, "sign-in: wrong password.\n"),
    (
        "sign_in_refusals_counted",
        {"events": 40, "last": "sign_in_refused", "last_data": DAY1},
        "40 refused sign-ins at the page, the last: day1 was refused at the page's sign-in.",
    ),
    (
        "sign_ins_counted",
        {"events": 30, "last": "signed_out", "last_data": DAY1},
        "30 sign-ins and sign-outs at the page, the last: day1 signed out at the page.",
    ),
    ("sign_ins_counted", {"events": 1, "last": "x", "last_data": 5}, "1 sign-in or sign-out at the page, the last:"),
]


@pytest.mark.parametrize(("event", "data", "words"), CASES)
def test_page_rows_are_told(event: str, data: dict[str, Any], words: str) -> None:
    """A sentence each."""
    night = Nights()
    night.tell("page", event, **data)

    assert "page" in KINDS
    assert words in told(night.rows)
