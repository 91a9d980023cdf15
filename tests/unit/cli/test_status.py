"""`nightrake status` and event lines: words from outside stay words, whatever is in them."""

from __future__ import annotations

import itertools
import re
from typing import Any

import pytest

from nightrake.cli.status import alarm_lines, history_lines, page_lines, print_status
from nightrake.cli.text import event_text
from nightrake.domain.alarmview import alarms_summary
from nightrake.domain.view import drive_view
from works import lone_rake

NASTY = "[/bold] :smile: \x1b[2J\x9b\u202e\r\nPLC P9: up; scans 9 of 9 due"


def status(words: str) -> dict[str, Any]:
    """A status with the same words wherever they can come from outside."""
    works = lone_rake()
    works.scan()
    view = drive_view(works.state, "D", works.now_ns, works.utc_ms)
    view |= {"quality": "failure", "reasons": [words]}
    plc = {"up": False, "detail": words, "done": 1, "due": 1, "late": 0, "missed": 0, "round_trip_ms": 1.0}
    shell = {"up": False, "detail": words, "durable_seq": 1, "queued": 0, "commit_p99_ms": 1.0, "cursor": 1, "acked": 1}
    return {
        "site": {"id": "works", "name": words},
        "settings": "0" * 64,
        "uptime_s": 1.0,
        "memory_mb": 50.0,
        "drives": [view],
        "alarms": alarms_summary(works.state),
        "plcs": {"P": plc},
        "store": shell,
        "mqtt": shell,
        "forward": {**shell, "enabled": True, "lag_rows": 0, "dead_letters": 0},
        "log": {"waiting": 0, "dropped": 3},
        "history": {"enabled": True, "up": False, "detail": words, "sealed_seq": 1, "behind_s": 60.0, "bytes": 1}
        | {"given_up": 0, "lost_unsealed": 0},
    }


def test_words_from_outside_are_neither_markup_nor_lines_of_their_own(capsys: pytest.CaptureFixture[str]) -> None:
    """A store's answer cannot break the command, paint over the terminal, or show a PLC that there is not."""
    print_status(status(NASTY))

    out = capsys.readouterr().out
    lines = out.splitlines()
    assert not any(line.startswith("PLC P9") for line in lines)
    assert all(c.isprintable() or c == "\n" for c in out)
    assert sum("[/bold] :smile: ?[2J??" in line for line in lines) >= 5
    assert any(line.startswith("Log: 3 lines given up") for line in lines)
    assert any(line.startswith("History: DOWN") for line in lines)


def test_long_lines_are_wrapped_for_people_and_whole_in_a_pipe(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A terminal would break them within a word; a program looks for one line."""
    monkeypatch.setenv("COLUMNS", "80")
    words = "no connection to 10.0.0.5:502: it hangs up before it answers; perhaps it serves no more"
    whole = f"PLC P: DOWN: {words}; scans 1 of 1 due, 0 late, 0 missed; last reply 1.0 ms"

    print_status(status(words))
    piped = capsys.readouterr().out.splitlines()
    monkeypatch.setenv("FORCE_COLOR", "1")
    print_status(status(words))
    shown = re.sub(r"\x1b\[[0-9;]*m", "", capsys.readouterr().out).splitlines()

    assert whole in piped
    assert max(len(line) for line in shown) <= 80
    at = next(n for n, line in enumerate(shown) if line.startswith("PLC P: DOWN"))
    rest = itertools.takewhile(lambda line: line.startswith("  "), shown[at + 1 :])
    assert " ".join((shown[at], *(line.strip() for line in rest))) == whole


def test_alarms_and_lockouts_in_a_line() -> None:
    """How many stand and call, who is locked out, who is meant to stand."""
    quiet = {"standing": 0, "calling": 0, "locked_out": [], "standby": ["SC2"]}
    busy = {"standing": 3, "calling": 1, "locked_out": ["PC1", "GT1"], "standby": []}

    assert alarm_lines({"alarms": quiet}) == ["Alarms: none; standby: SC2"]
    assert alarm_lines({"alarms": busy}) == [
        "Alarms: 3 stand, 1 of them calls; see nightrake alarms; locked out: PC1, GT1"
    ]


def test_event_line_says_which_alarm_and_whom_it_called() -> None:
    """By its title; and the number of a lockout."""
    row = {"drive": "PC1", "direction": "forward", "utc_ms": 0}
    about = {"alarm": "PC1/forward/alarm_contact", "priority": "high"}

    texts = [
        event_text({**row, "kind": "alarm", "event": "raised", "data": about}),
        event_text({**row, "kind": "call", "event": "called", "data": {**about, "people": ["night1"]}}),
        event_text({**row, "kind": "lockout", "event": "opened", "data": {"lockout": 2}}),
    ]

    assert [t.partition("PC1 forward: ")[2] for t in texts] == [
        "ALARM: alarm contact operated",
        "called: alarm contact operated -> night1",
        "lockout 2 opened",
    ]


def test_history_line_says_how_far_and_what_went() -> None:
    """Off, at work, in trouble; what went for want of room in a line of its own."""
    kept = {"enabled": True, "up": True, "detail": "", "sealed_seq": 9, "behind_s": 1_800.0, "bytes": 2_500_000}
    lost = {"given_up": 0, "lost_unsealed": 0}

    assert history_lines({"enabled": False}) == ["History: off"]
    assert history_lines(kept | lost) == ["History: ok; sealed up to input 9, 30 min behind, 2.5 MB"]
    damaged = history_lines(kept | lost | {"damage": "history.db.damaged-1: was moved aside"})
    assert damaged[1:] == ["History: LOST OR DAMAGED: history.db.damaged-1: was moved aside"]
    lines = history_lines(kept | {"up": False, "detail": "the disk is full", "given_up": 3, "lost_unsealed": 4})
    assert lines[0].startswith("History: DOWN: the disk is full; sealed")
    assert "3 readings went before their time, and 4 before they were sealed" in lines[1]


def test_event_line_is_one_clean_line() -> None:
    """A row's detail too; and a counting row says of what, how many, and how it ended."""
    row = {"event": "link_down", "drive": "", "direction": "", "utc_ms": 0}
    counted = {"events": 57, "told": 20, "last": "link_up", "last_data": {"link": "broker", "detail": ""}}

    assert event_text({**row, "data": {"link": "store", "detail": NASTY}}).isprintable()
    text = event_text({**row, "event": "link_changes_counted", "data": counted})
    assert text.endswith("link changes counted (broker, 57 within a minute, 20 told singly; the last: link up)")


def test_page_line_says_where_it_is_or_why_not() -> None:
    """Nothing of a page that is off, or of a watch that knows none."""
    page = {"enabled": True, "up": True, "address": "https://rakes.example", "browsers": 0, "detail": ""}

    assert page_lines(None) == page_lines(page | {"enabled": False}) == []
    assert page_lines(page) == ["Page: https://rakes.example, nobody looks at it"]
    assert page_lines(page | {"browsers": 1}) == ["Page: https://rakes.example, 1 browser"]
    assert page_lines(page | {"browsers": 7, "detail": "slow"}) == ["Page: https://rakes.example, 7 browsers; slow"]
    assert page_lines(page | {"up": False, "detail": "it cannot be served: port 8470 is taken"}) == [
        "Page: DOWN: it cannot be served: port 8470 is taken"
    ]
    assert page_lines(page | {"up": False}) == ["Page: DOWN: its worker is being started"]
