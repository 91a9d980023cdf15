"""One person's flood of reports, over page, control socket and signed message: one bound for all of them together."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from nightrake.control.server import Caller
from nightrake.domain.pace import LOCKOUTS_A_MINUTE
from shell.test_pageasked import rows, watching

FASTER = "night1 has given 30 reports about lockouts within a minute, and more are not taken from one person"
MOST_ROWS = LOCKOUTS_A_MINUTE + 1 + 20 + 1
"""What was taken, the lockout itself, twenty refusals told singly, and their count when it is due."""


def cause(number: int) -> dict[str, Any]:
    """A report like no other."""
    return {"what": "cause", "drive": "PC1", "args": {"cause": "ice", "remark": f"number {number}"}}


@pytest.mark.asyncio
async def test_way_in_makes_no_difference(tmp_path: Path) -> None:
    """A third each by page, socket and message; then each way refuses, in one sentence, journalled as theirs."""
    async with watching(tmp_path) as (watch, page):
        duty = watch.settings.duty
        watch.settings = replace(watch.settings, duty=replace(duty, local_users={"ada": "night1"}))
        asked = watch._asked
        socket = asked.verbs()["command"]

        async def by_page(number: int) -> tuple[bool, str]:
            told = await page.ask("person_command", person="night1", **cause(number))
            return told["ok"], told["text"]

        async def by_socket(number: int) -> tuple[bool, str]:
            told = await socket(Caller("ada", 1), cause(number))
            return told["ok"], told["text"]

        async def by_message(number: int) -> tuple[bool, str]:
            given = cause(number)
            who = ("night1", "operator", "signature")
            answer, _ = await asked.command(given["what"], given["drive"], "", given["args"], who)
            return answer.ok, answer.text

        ways = (by_page, by_socket, by_message)
        first = [await ways[number % 3](number) for number in range(LOCKOUTS_A_MINUTE)]
        inputs = watch.engine.last_input_seq
        then = [await way(99) for way in ways]

        assert all(ok for ok, _ in first)
        assert [ok for ok, _ in then] == [False] * 3
        assert all(FASTER in text and text.startswith("PC1: not taken: ") for _, text in then)
        assert watch.engine.last_input_seq == inputs  # no input: a replay knows nothing of them
        refused = await rows(watch, "command")
        assert [(r["event"], r["drive"], r["actor"], r["verb"]) for r in refused] == [
            ("refused", "PC1", "night1", "cause")
        ] * 3
        assert {r["known_by"] for r in refused} == {"page session", "local user ada", "signature"}


@pytest.mark.asyncio
async def test_flood_fills_no_journal_and_stops_nobody_else(tmp_path: Path) -> None:
    """Sixty reports: thirty rows and some refusals; the supervisor reports, and the flooder acknowledges."""
    async with watching(tmp_path) as (watch, page):
        before = watch.engine.last_seq
        for number in range(60):
            await page.ask("person_command", person="night1", **cause(number))
        written = watch.engine.last_seq - before

        other = await page.ask("person_command", person="super1", **cause(0))
        given = {"alarm": "PC1/forward/alarm_contact", "occurrence": 1}
        acknowledged = await page.ask("person_command", person="night1", what="acknowledge", args=given)

    assert LOCKOUTS_A_MINUTE < written <= MOST_ROWS
    assert other["ok"]
    assert "no such alarm stands now" in acknowledged["text"]
