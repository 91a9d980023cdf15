"""Test calls through the whole watch: at the site's time and at shift start, answered or told to the next; and kills.

The watch runs under a date of the test's own (libfaketime), set shortly before the moment. People act as they would:
one on the machine of the watch, one with a signed command over Mosquitto.
"""

from __future__ import annotations

import getpass
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from integration.hardship import HardWatch, WrongClock
from integration.ledger import Ledger
from integration.site import Site, until
from nightrake.domain.publickey import public_key_text
from nightrake.messages.operatorkey import OperatorKey
from peers.mosquitto import Mosquitto
from plc.fixtures import LibmodbusServer

PHRASE = "four words that fit"
PEOPLE = """
[rota]
zone = "Europe/London"
[person.night1]
name = "Night shift operator"
role = "operator"
local_user = "{user}"
[person.day1]
name = "Day shift operator"
role = "operator"
[person.super1]
name = "Shift supervisor"
role = "supervisor"
public_key = "{key}"
[team.operators]
name = "Operators"
test_call_at_shift_start = true
[[team.operators.shift]]
name = "day"
begins = "06:00"
ends = "{begins}"
people = ["day1"]
[[team.operators.shift]]
name = "night"
begins = "{begins}"
ends = "06:00"
people = ["night1"]
[test_call]
days = ["wed"]
at = "18:10"
answer_s = 10.0
"""
STEPS = "".join(
    f"[[escalation.{priority}.step]]\n{who}\nwait_s = 60.0\n"
    for priority in ("urgent", "high", "low")
    for who in ('teams = ["operators"]', 'people = ["super1"]')
)
EVENTS = ("check_called", "check_answered", "check_unanswered")
PAGING_DEAD = "site/-/paging_dead"
STARTS_S = 15.0
"""A watch is there by then, on a busy machine too."""


class Calls:
    """A watch over one drive, its people, and the date it believes in."""

    def __init__(self, watch: HardWatch, clock: WrongClock, heard: Ledger) -> None:
        self.watch, self.heard = watch, heard
        self._clock = clock
        self._key = OperatorKey.make()
        watch.site.folder.parent.joinpath("phrase").write_text(f"{PHRASE}\n")
        self._key.save(watch.site.folder.parent / "super1.pem", PHRASE)

    def rota(self, begins: str = "18:00") -> None:
        """Write the people's file; `begins`: when the night shift does."""
        people = PEOPLE.format(user=getpass.getuser(), key=public_key_text(self._key.public), begins=begins)
        (self.watch.site.folder / "people.toml").write_text(people + STEPS)
        (self.watch.site.folder / "alarms.toml").write_text("[alarm.paging_dead]\noff_delay_s = 0.3\n")

    def set_clock(self, utc: str, before_s: float) -> None:
        """It is so many seconds before a moment in UTC now."""
        moment = datetime.fromisoformat(utc).replace(tzinfo=UTC).timestamp()
        self._clock.set(f"{moment - before_s - time.time():+.3f}")

    def start(self) -> None:
        """Start, and wait for the broker."""
        self.watch.start()
        until(lambda: self.watch.status()["mqtt"]["up"], "the broker")

    def rows(self) -> list[dict[str, Any]]:
        """The journal so far; after a kill its numbers have a gap."""
        found: list[dict[str, Any]] = self.watch.ask("journal", after=0, limit=500)
        return found

    def told(self) -> list[tuple[str, Any]]:
        """(event, whom it is about) of the rows about test calls."""
        rows = [r for r in self.rows() if r["event"] in EVENTS]
        return [(r["event"], r["data"].get("person") or r["data"]["people"]) for r in rows]

    def got(self, person: str, event: str) -> list[dict[str, Any]]:
        """What a person's telephone has got."""
        return [m for m in self.heard.heard(f"person/{person}") if m["event"] == event]

    def cli(self, *words: str) -> subprocess.CompletedProcess[str]:
        """A command of the program, under the same date."""
        return subprocess.run(
            [sys.executable, "-m", "nightrake.cli", *words, "--config", str(self.watch.site.folder)],
            cwd=self.watch.site.folder.parent,
            env={**os.environ, **self._clock.environment},
            capture_output=True,
            text=True,
            timeout=15,
            check=False,
        )


@pytest.fixture
def calls(
    plc: LibmodbusServer,
    make_recorder: Callable[..., int],
    make_watch: Callable[..., HardWatch],
    mosquitto: Mosquitto,
    heard: Ledger,  # it listens before anything is told
    clock: WrongClock,
    tmp_path: Path,
) -> Calls:
    """A site with people; not started."""
    site = Site(tmp_path, [make_recorder(plc.port)], mosquitto.port)
    made = Calls(make_watch(site, environment=clock.environment), clock, heard)
    made.rota()
    return made


@pytest.mark.timeout(90)
def test_call_at_shift_start_and_at_the_sites_time_answered_or_told_to_the_next(calls: Calls) -> None:
    """Who comes on duty is called and answers at the machine. Then every step is called: one answers by a signed
    command, the other never does; the watch is killed meanwhile and calls nobody twice; the next one is told that
    paging is dead; a late answer ends it."""
    calls.set_clock("2026-06-03 17:00", STARTS_S)  # a Wednesday; 18:00 in London
    calls.start()
    until(lambda: calls.told() == [("check_called", ["night1"])], "the test call at shift start", 20.0)
    until(lambda: calls.got("night1", "check_called"), "the telephone to ring")
    answered = calls.cli("answer")
    twice = calls.cli("answer")

    calls.set_clock("2026-06-03 17:10", 1.0)
    until(lambda: calls.told()[2:] == [("check_called", ["night1", "super1"])], "the test call of the week")
    signed = calls.cli("send", "answer", "--as", "super1", "--passphrase-file", "phrase")
    calls.watch.end(signal.SIGKILL)
    calls.start()
    until(lambda: calls.told()[-1] == ("check_unanswered", "night1"), "nobody answered", 14.0)
    until(lambda: calls.got("super1", "check_unanswered"), "the next one to be told")
    until(lambda: calls.heard.heard(f"alarm/{PAGING_DEAD}"), "the alarm to be shown")
    late = calls.cli("answer")
    until(lambda: calls.heard.alarm("cleared", "paging_dead"), "the alarm to go")

    assert (answered.returncode, answered.stdout) == (0, "night1: test call answered\n"), answered.stderr
    assert twice.returncode == 1
    assert "no test call waits" in twice.stdout + twice.stderr
    assert (signed.returncode, "super1: test call answered" in signed.stdout) == (0, True), signed.stderr
    assert calls.told() == [
        ("check_called", ["night1"]),
        ("check_answered", "night1"),
        ("check_called", ["night1", "super1"]),
        ("check_answered", "super1"),
        ("check_unanswered", "night1"),
    ]
    dead = calls.got("super1", "check_unanswered")[0]["data"]
    assert dead["subject"].startswith("PAGING IS DEAD: Night shift operator (night1) has not answered")
    assert len({m["id"] for m in calls.got("night1", "check_called")}) == 2  # one may come again after the kill
    assert (late.returncode, "late" in late.stdout) == (0, True), late.stderr
    (raised,) = calls.heard.alarm("raised", "paging_dead")
    assert raised["data"]["people"] == ["night1"]


@pytest.mark.timeout(60)
@pytest.mark.parametrize(
    ("begins", "first", "second"),
    [
        # Clocks go back at 01:00 UTC: 01:30 is on the wall at 00:30 UTC and again at 01:30 UTC.
        ("01:30", "2026-10-25 00:30", "2026-10-25 01:30"),
        # They go forward at 01:00 UTC, from 01:00 to 02:00: 01:30 is left out, and counts half an hour after 01:00.
        ("01:30", "2026-03-29 01:30", "2026-03-29 02:30"),
    ],
)
def test_shift_that_begins_when_the_clocks_change_is_called_once(
    calls: Calls, begins: str, first: str, second: str
) -> None:
    """In the nights of 25 and 23 hours: at its first moment, not at the second; and not after a kill in between.

    Source of the dates: directive 2000/84/EC as the United Kingdom keeps it, the last Sundays of March and October.
    """
    calls.rota(begins)
    calls.set_clock(first, STARTS_S)
    calls.start()
    until(lambda: calls.told() == [("check_called", ["night1"])], "the test call", 20.0)
    assert calls.cli("answer").returncode == 0
    calls.watch.end(signal.SIGKILL)
    calls.set_clock(second, 4.0)
    calls.start()
    end_s = time.monotonic() + 6.0
    until(lambda: time.monotonic() > end_s, "the second moment to pass", 7.0)

    assert calls.told() == [("check_called", ["night1"]), ("check_answered", "night1")]
    called = next(r for r in calls.rows() if r["event"] == "check_called")
    assert abs(called["utc_ms"] / 1000 - datetime.fromisoformat(first).replace(tzinfo=UTC).timestamp()) < 60.0
