"""Every event that the program can write has its words in the terminal and its level in the log."""

from __future__ import annotations

import ast
import logging
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

import nightrake
from nightrake.alarms.lockoutsteps import LockoutStep
from nightrake.alarms.work import ENDED, NAMES
from nightrake.cli.text import event_text
from nightrake.domain.chatter import FAMILIES
from nightrake.domain.image import Image
from nightrake.domain.rows import Entry
from nightrake.domain.stop import EVENTS as STOPS
from nightrake.journal.chain import GIVEN_UP, ROWS_LOST, given_up_entry, lost_entry
from nightrake.journal.damage import FOUND, ROW_DAMAGED
from nightrake.logs import LEVELS, facts_of, level_of
from nightrake.pageasked import EVENTS as PAGE_EVENTS

PACKAGE = Path(nightrake.__file__).parent
MAKERS = {"Entry": 1, "tell": 2, "_entry": 1, "entry_of": 1, "_tell_flood": 0, "_call": 3, "_set_test": 4}
"""What makes an entry, and which of its arguments is the event."""
ELSEWHERE = {
    "alarms/work.py": {*map(str, NAMES.values()), *ENDED.values(), "suppressed", "suppression_ended"},
    "domain/commands.py": {"test_began", "test_ended"},
    "alarms/lockout.py": set(map(str, LockoutStep)),
    "channels/outcome.py": {"delivered", "delivery_failed"},
    "domain/chatter.py": {f"{family}_counted" for family in FAMILIES.values()},
    "domain/contacts.py": {f"{s}_{w}" for s in ("alarm", "shutdown") for w in ("operated", "released")},
    "domain/onchange.py": {"recording_on_change_began", "recording_on_change_ended"},
    "domain/scan.py": {f"image_{image}" for image in Image},
    "domain/stop.py": set(STOPS.values()),
    "engine.py": {"clock_stepped", "clock_trust_changed"},
    "pageasked.py": set(PAGE_EVENTS),
    "journal/chain.py": {ROWS_LOST, GIVEN_UP},
    "journal/damage.py": {FOUND, ROW_DAMAGED},
    "alarms/escalation.py": {"called", "reminded"},
}
"""Files in which an event is computed, and what can come of it."""


def literals(node: ast.expr) -> Iterator[str]:
    """Strings that an argument can be, where they stand there."""
    if isinstance(node, ast.Constant):
        yield from [node.value] if isinstance(node.value, str) else []
    elif isinstance(node, ast.IfExp):
        yield from literals(node.body)
        yield from literals(node.orelse)


def calls(path: Path) -> Iterator[tuple[str, ast.expr]]:
    """Name of each maker called in a file, and its event."""
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Call):
            name = getattr(node.func, "id", getattr(node.func, "attr", ""))
            at = MAKERS.get(name, -1)
            if 0 <= at < len(node.args):
                yield name, node.args[at]


def written() -> dict[str, set[str]]:
    """File -> events that it writes."""
    found: dict[str, set[str]] = {}
    for path in PACKAGE.rglob("*.py"):
        name = str(path.relative_to(PACKAGE))
        if name.startswith("cli/"):
            continue
        journals = "from nightrake.domain.rows import" in path.read_text()  # else its entries are not the journal's
        names = set(ELSEWHERE.get(name, set()))
        computed = []
        for maker, event in calls(path):
            if maker == "Entry" and not journals:
                continue
            here = set(literals(event))
            names |= here
            computed += [event.lineno] if maker == "Entry" and not here else []
        assert names or not computed, f"{name}:{computed}: which events does this write? Say so in ELSEWHERE"
        found[name] = names
    return found


EVENTS = sorted(set().union(*written().values()))
DATA: Mapping[str, tuple[str, dict[str, Any], str]] = {
    "damage_found": ("service", {"what": "a tail record", "where": "17"}, "in the store: a tail record, first at 17"),
    "row_damaged": ("service", {"says": {"kind": "drive", "event": "x"}}, "cannot be shown; it says: drive x"),
    "rows_lost": ("service", dict(lost_entry(5, 9).data), "because the disk took none: 5 to 9"),
    "archive_given_up": ("service", dict(given_up_entry(5, 9).data), "for want of room: 5 to 9"),
    "secrets_replaced": ("settings", {"which": ["the MQTT password"]}, "secrets replaced (the MQTT password)"),
    "settings_changed": ("settings", {"added": ["D7"], "removed": ["D9"]}, "(new: D7, gone: D9)"),
    "gap": ("service", {"seconds": 90.0, "why": "not running"}, "not watching (for 1.5 minutes, not running)"),
    "clock_stepped": ("service", {"by_s": -3600.0}, "clock stepped (back by 1 h)"),
    "clock_trust_changed": ("service", {"by_s": 0.0, "trusted": False}, "clock can no longer be believed"),
    "recording_on_change_began": (
        "history",
        {"points": 9, "names": ["D1 power"], "rules": "a"},
        "from now on, not to be replayed (9 points: D1 power and others)",
    ),
    "recording_on_change_ended": (
        "history",
        {"points": 1, "names": ["D1 power"], "rules": "a"},
        "is recorded again (1 point: D1 power)",
    ),
    "started": ("service", {"missed_s": 5.0, "store_damaged": "x"}, "for 5 seconds, the damaged store is kept as x)"),
    "image_suspect": ("plc", {"plc": "P1", "unit": 3}, "PLC image suspect, all zero (P1, unit 3)"),
    "check_unanswered": ("call", {"person": "ann", "people": ["bob"]}, "TEST CALL NOT ANSWERED; told -> bob"),
    "refused": ("command", {"reason": "not in test", "actor": "ann"}, "refused (not in test, ann)"),
    "quality_changed": ("drive", {"quality": "failure", "reasons": ["no reply"]}, "quality changed (no reply)"),
    "sign_in_refused": ("page", {"actor": "ann", "address": "10.0.0.7"}, "at the page refused (ann, 10.0.0.7)"),
    "report_written": ("learning", {"file": "creep-2026-11-23.html", "first": []}, "written (creep-2026-11-23.html)"),
    "link_down": ("link", {"link": "broker", "detail": "refused"}, "link down (broker, refused)"),
}
"""What an event's row can hold, and how its line ends."""


def test_some_of_every_room_were_found() -> None:
    """The search itself works."""
    assert len(EVENTS) > 80
    assert {"raised", "opened", "called", "gap", "test_began", "link_up", "refused", "flood_began"} <= set(EVENTS)


@pytest.mark.parametrize("event", EVENTS)
def test_event_has_words_and_a_level(event: str) -> None:
    """A line without underscores, that does not depend on what the row holds; and a level that somebody has chosen."""
    assert event in LEVELS, "choose its level in logs.LEVELS"
    for kind in ("drive", "alarm", "service", "settings", "call"):
        data = {"priority": "", "last": "x", "reasons": []} if kind == "alarm" else {}
        line = event_text({"kind": kind, "event": event, "drive": "", "direction": "", "utc_ms": 0, "data": data})
        assert "_" not in line


def test_no_level_is_for_an_event_that_nothing_writes() -> None:
    """What was renamed is renamed here too."""
    assert set(LEVELS) == set(EVENTS)


@pytest.mark.parametrize("event", DATA)
def test_line_says_what_the_row_is_about(event: str) -> None:
    """The facts without which the words are of no use, in the terminal and in the log."""
    kind, data, words = DATA[event]
    line = event_text({"kind": kind, "event": event, "drive": "", "direction": "", "utc_ms": 0, "data": data})
    logged = facts_of(Entry(kind, event, "", "", data))

    assert words in line
    if event != "row_damaged":  # told in another row's place, and never logged
        assert logged


@pytest.mark.parametrize(
    ("event", "data", "level"),
    [
        ("rows_lost", {}, logging.ERROR),
        ("damage_found", {}, logging.WARNING),
        ("row_damaged", {}, logging.WARNING),
        ("secrets_replaced", {}, logging.INFO),
        ("clock_trust_changed", {"trusted": False}, logging.WARNING),
        ("clock_trust_changed", {"trusted": True}, logging.INFO),
        ("started", {"store_damaged": "", "state_left_out": []}, logging.INFO),
        ("started", {"store_damaged": "store.db.damaged-1"}, logging.WARNING),
        ("started", {"state_left_out": ["drive:D"]}, logging.WARNING),
    ],
)
def test_trouble_of_the_service_stands_out(event: str, data: dict[str, Any], level: int) -> None:
    """Whoever looks for warnings finds what was lost, damaged, or begun in an ill state."""
    assert level_of(Entry("service", event, "", "", data)) == level
