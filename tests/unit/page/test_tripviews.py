"""Trip records as they are listed and shown."""

from __future__ import annotations

from datetime import UTC
from typing import Any

import pytest

from nightrake.page.moments import Wall
from nightrake.page.tripviews import list_of, marks_of, row_of, view_of
from pagescenes import NOW_MS

NAMES = {"PC1": "Primary clarifier 1"}
WALL = Wall(UTC, NOW_MS)


def head(**more: Any) -> dict[str, Any]:
    """A record as the reader lists it: a shutdown, closed by a release after 21 min."""
    told = {
        "trip": "PC1-forward-shutdown-1-abc",
        "drive": "PC1",
        "direction": "forward",
        "stage": "shutdown",
        "utc_ms": NOW_MS,
        "clock_trusted": True,
        "occurrences": [1],
        "from_utc_ms": NOW_MS - 3_600_000,
        "to_utc_ms": NOW_MS + 1_260_000,
        "open": False,
        "because": "the lockout was released",
        "peak": {"torque_nm": 41_100.3, "torque_is": "exact", "utc_ms": NOW_MS + 500},
        "readings": 2480,
        "rows": 50,
    }
    return told | more


def trip(**more: Any) -> dict[str, Any]:
    """The same, as it is told alone."""
    told = head(
        name="Primary clarifier 1",
        remarks=[],
        settings=["8e5073127a8f49c7"],
        calibrations=[{"ref": "PC1-forward-2026-03-14", "direction": "forward", "digest": "f"}],
        set_points=[{"stage": "shutdown", "direction": "reverse", "torque_nm": -40_000.0}],
        events=[],
        notes=[],
    )
    return told | more


def event(seq: int, kind: str, name: str, **more: Any) -> dict[str, Any]:
    """A journal row with its words."""
    about = "PC1 Primary clarifier 1, forward: alarm contact operated"
    row = {"seq": seq, "utc_ms": NOW_MS, "drive": "PC1", "direction": "forward", "kind": kind, "event": name}
    return {**row, "about": about, "text": "It came.", "strong": kind == "alarm", **more}


def test_row_says_what_operated_how_high_and_how_it_ended() -> None:
    """In words, with the unit."""
    row = row_of(head(), NAMES)

    assert row.what == "shutdown contact operated"
    assert row.peak == "41.1 kN·m"
    assert row.ended == "until 21 min after: the lockout was released"
    assert (row.tone, row.name) == ("shutdown", "Primary clarifier 1")


def test_open_record_says_that_it_goes_on() -> None:
    """Nothing is said to have ended."""
    assert row_of(head(open=True, because=""), NAMES).ended == "still going on, 21 min recorded so far"


@pytest.mark.parametrize(
    ("peak", "words"),
    [
        (None, ""),
        ({"torque_nm": None, "torque_is": "absent", "utc_ms": 0}, ""),
        ({"torque_nm": -46_800.0, "torque_is": "beyond", "utc_ms": 0}, "beyond \u221246.8 kN·m"),
    ],
)
def test_peak_that_is_not_known_is_not_made_up(peak: dict[str, Any] | None, words: str) -> None:
    """No torque, no number; beyond the calibrated range it says so."""
    assert row_of(head(peak=peak, direction="reverse"), NAMES).peak == words


def test_list_that_cannot_be_read_differs_from_an_empty_one() -> None:
    """None with a reason is not the same as no trips."""
    unread, empty = list_of({"trips": None, "why_not": "no store"}, NAMES), list_of({"trips": []}, NAMES)

    assert (unread.rows, unread.why_not) == (None, "no store")
    assert empty.rows == []


def test_pages_keep_what_was_picked_out() -> None:
    """Older and newer lead to the same choice."""
    more = {"trips": [head()] * 50, "more": True, "total": 140, "drive": "PC 1&x", "stage": "shutdown", "skip": 50}

    found = list_of(more, NAMES)

    assert found.newer == "/trips?drive=PC+1%26x&stage=shutdown"
    assert found.older == "/trips?drive=PC+1%26x&stage=shutdown&skip=100"
    assert found.words == "51 to 100 of 140"
    assert list_of({"trips": [head()], "more": False, "total": 1}, NAMES).words == ""


def test_facts_are_those_of_then() -> None:
    """Set points, record and settings of that time; a clock that was not trusted is told."""
    facts = dict(view_of(trip(clock_trusted=False, remarks=["a plank"]), NAMES, WALL).facts)

    assert facts["Set points then"] == "shutdown reverse 40 kN·m"
    assert facts["Calibration then"] == "PC1-forward-2026-03-14 (forward)"
    assert facts["When"] == "2026-11-26 03:14:05, by a clock that was not to be trusted"
    assert facts["Highest torque"] == "41.1 kN·m, as the contact operated"
    assert facts["Remark"] == "a plank"


def test_drive_without_record_or_points_says_so() -> None:
    """It is not left to guess."""
    facts = dict(view_of(trip(calibrations=[], set_points=[], peak=None), NAMES, WALL).facts)

    assert facts["Calibration then"].startswith("none")
    assert facts["Set points then"] == "none were stated"
    assert facts["Highest torque"] == "no torque was told"


def test_record_that_has_just_begun_does_not_say_that_nothing_was_stated() -> None:
    """Settings and set points come with its first readings."""
    facts = dict(view_of(trip(calibrations=[], set_points=[], settings=[]), NAMES, WALL).facts)

    assert facts["Set points then"] == "not on record yet"
    assert "Calibration then" not in facts


def test_events_leave_out_the_name_that_stands_above() -> None:
    """Rows read as on the drive's own page."""
    view = view_of(
        trip(events=[event(7, "alarm", "raised"), event(8, "drive", "reset", about="PC1 Primary")]), NAMES, WALL
    )

    assert [(row.about, row.tone) for row in view.events] == [("Alarm contact operated", "strong"), ("", "")]


def test_chart_marks_what_moved_and_what_people_did() -> None:
    """Contacts, lockout and acknowledgement, not each call; the reverse direction is named."""
    rows = [
        event(1, "call", "called"),
        event(2, "drive", "shutdown_operated", direction="reverse"),
        event(3, "lockout", "opened"),
        event(4, "drive", "alarm_released"),
        event(5, "alarm", "raised"),
    ]

    assert [(m["kind"], m["text"]) for m in marks_of(rows)] == [
        ("shutdown", "shutdown contact operated, reverse"),
        ("lockout", "lockout opened"),
        ("reset", "alarm contact released"),
    ]
