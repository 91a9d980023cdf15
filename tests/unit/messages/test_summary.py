"""Calls in words: what is needed stands in them, they fit a telephone, and the caution is never cut."""

from __future__ import annotations

from typing import Any

import hypothesis.strategies as st
import pytest
from hypothesis import given

from nightrake.alarms.callqueue import Call, More
from nightrake.alarms.keys import AlarmKey
from nightrake.alarms.responses import CAUTION
from nightrake.alarms.rules import AlarmOverride, rule_for
from nightrake.alarms.table import ALARM_TYPES
from nightrake.domain.cleantext import clean
from nightrake.messages.about import About
from nightrake.messages.summary import (
    LONG_LENGTH,
    SHORT_CAUTION,
    SHORT_LENGTH,
    SUBJECT_LENGTH,
    call_summary,
    check_summary,
    ended_summary,
    more_summary,
    unanswered_summary,
)
from unit.alarms.rotas import LONDON, utc

SITE = "Fennmark treatment works"
NIGHT_MS = utc("2026-07-08 01:14") * 1000
NOW_MS = NIGHT_MS + 4 * 60_000
PEOPLE = {"night1": "Night shift operator", "super1": "Shift supervisor"}
DRIVE = {
    "torque_nm": {"kind": "exact", "value": 118_200.0, "reason": "", "uncertainty": 1400.0},
    "shutdown_nm": 112_500.0,
    "stop": "confirmed",
    "running": False,
}
CALLED = {"people": ["night1"], "step": 1, "steps": 3, "round": 1, "why": "raised", "told_before": []}


def about(kind: str = "shutdown_contact", **more: Any) -> About:
    """GT1's shutdown in a summer night."""
    key = AlarmKey("GT1", "forward", kind)
    facts: dict[str, Any] = {"drive_name": "Gravity thickener", "now": DRIVE, "zone": LONDON, "people": PEOPLE}
    blank = About(SITE, str(key), 3, "", "", NIGHT_MS, **{**facts, **more})
    return blank.ruled(rule_for(ALARM_TYPES[kind]))


def test_call_says_all_that_is_needed() -> None:
    """Site, drive, stage, since when, torque, percent, trend, stop, what to do first, who was told, how to answer."""
    data = {**CALLED, "people": ["super1"], "told_before": ["night1"], "why": "nobody answered"}
    words = call_summary(about(trend_nm_per_min=2100.0), "called", data, NOW_MS, NOW_MS + 300_000)

    assert words.subject == (
        "URGENT: GT1 forward: shutdown contact operated, 02:14, 118.2 ±1.4 kN.m - Fennmark treatment works"
    )
    for part in (
        "Fennmark treatment works: GT1 Gravity thickener, forward: shutdown contact operated",
        "since 2026-07-08 02:14 (4 min); nobody has answered yet.",
        "Torque 118.2 ±1.4 kN.m, 105 % of shutdown, rising 2.1 kN.m/min.",
        "Stop confirmed.",
        "First: Do not reset, restart, jog or reverse.",
        "Called now: Shift supervisor (super1). Before: Night shift operator (night1).",
        "next call 02:23.",
        "Acknowledge: GT1/forward/shutdown_contact occurrence 3.",
        SHORT_CAUTION,
    ):
        assert part in words.short, words.short
    assert words.long.count(CAUTION) == 1
    assert words.long.index("What to do first:") < words.long.index("Likely cause:") < words.long.index("Facts")


@pytest.mark.parametrize(
    ("now", "words"),
    [
        ({"stop": "not confirmed"}, "STOP NOT CONFIRMED."),
        ({"stop": "still running"}, "MOTOR STILL RUNS."),
        ({"stop": "", "running": None}, "Run feedback not known."),
        ({"stop": "", "running": True}, "Motor runs."),
    ],
)
def test_stop_is_never_taken_for_granted(now: dict[str, Any], words: str) -> None:
    """Whatever is not confirmed stands there as such."""
    assert words in call_summary(about(now={**DRIVE, **now}), "called", CALLED, NOW_MS).short


@pytest.mark.parametrize(
    ("reading", "rate", "words"),
    [
        ({"kind": "beyond", "value": 46_400.0, "uncertainty": 700.0}, None, "Torque beyond 46.4 ±0.7 kN.m, 41 % of"),
        ({"kind": "below", "value": 8000.0, "uncertainty": None}, 10.0, "below 8.0 kN.m, 7 % of shutdown, steady."),
        ({"kind": "exact", "value": 8000.0, "uncertainty": None}, -480.0, "falling 0.48 kN.m/min."),
    ],
)
def test_torque_says_what_it_is_worth(reading: dict[str, Any], rate: float | None, words: str) -> None:
    """A limit is called one; a trend within the noise is steady."""
    told = about(now={**DRIVE, "torque_nm": {"reason": "", **reading}}, trend_nm_per_min=rate)

    assert words in call_summary(told, "called", CALLED, NOW_MS).short


def test_drive_without_torque_gets_no_number() -> None:
    """Nothing is made up where nothing is read."""
    absent = {**DRIVE, "torque_nm": {"kind": "absent", "value": None, "reason": "x", "uncertainty": None}}

    assert "orque" not in call_summary(about(now=absent), "called", CALLED, NOW_MS).short.split("First:")[0]


def test_silent_plc_says_what_is_unwatched() -> None:
    """About no drive: the drives that nobody watches."""
    facts = {"plcs": ["GWC"], "unwatched": 2, "drives": ["GT1", "SCR1"]}
    told = About(SITE, "plc:GWC/-/plc_silent", 1, "", "", NIGHT_MS, facts=facts).ruled(
        rule_for(ALARM_TYPES["plc_silent"])
    )
    words = call_summary(told, "called", CALLED, NOW_MS)

    assert words.subject.startswith("HIGH: PLC GWC: PLC silent")
    assert "2 drives unwatched: GT1, SCR1." in words.short


def test_end_says_why_nobody_is_needed() -> None:
    """By whom it was acknowledged, and that it may call again."""
    words = ended_summary(about(), "calls_answered", {"actor": "night1", "respond_s": 3600.0}, NOW_MS)

    assert "acknowledged by Night shift operator (night1)" in words.short
    assert "You are no longer needed for it. Still active in 60 min, it calls again." in words.short
    assert words.subject.startswith("No longer needed: GT1 forward: shutdown contact operated")


def test_test_calls_cannot_be_taken_for_alarms() -> None:
    """They say so first, and what follows when nobody answers."""
    assert check_summary(SITE, 900.0, "shift start").subject.startswith("TEST CALL: please answer within 15 min")
    dead = unanswered_summary(SITE, "Day shift operator (day1)", "check time")
    assert dead.subject.startswith("PAGING IS DEAD: Day shift operator (day1) has not answered")
    assert "an alarm may not reach them either" in dead.short


def test_one_message_in_the_place_of_many_counts_by_priority() -> None:
    """Those that call and those that came and went are told apart."""
    calls = tuple(Call("night1", f"D{n}/-/x", "high" if n else "low", {"subject": f"S{n}"}) for n in range(5))
    words = more_summary(More("night1", calls, {"low": 7}, 2), SITE)

    assert "12 more alarms call you: 4 high, 8 low; 2 alarms have come and gone meanwhile" in words.short
    assert " - S4\n" in words.long
    assert len(words.subject) <= SUBJECT_LENGTH


NAMES = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=80)


@given(
    kind=st.sampled_from(sorted(ALARM_TYPES)),
    site=NAMES,
    drive=NAMES,
    names=st.lists(NAMES, min_size=1, max_size=12),
    steps=st.lists(st.text("abc .,", min_size=1, max_size=400), min_size=1, max_size=8),
    detail=st.text(max_size=300),
    event=st.sampled_from(("called", "reminded")),
)
def test_every_call_fits_and_keeps_its_caution(
    kind: str, site: str, drive: str, names: list[str], steps: list[str], detail: str, event: str
) -> None:
    """Whatever a site writes: the lengths hold, on clean lines, with the caution whole and once."""
    people = {f"p{n}": name for n, name in enumerate(names)}
    rule = rule_for(ALARM_TYPES[kind], AlarmOverride(first_response=tuple(steps)))
    told = About(
        site,
        f"GT1/forward/{kind}",
        1,
        "",
        "",
        NIGHT_MS,
        drive,
        DRIVE,
        1.0,
        {"detail": detail},
        zone=LONDON,
        people=people,
    ).ruled(rule)
    data = {**CALLED, "people": list(people), "told_before": [f"q{n}" for n in range(9)]}
    words = call_summary(told, event, data, NOW_MS, NOW_MS)

    assert len(words.subject) <= SUBJECT_LENGTH
    assert len(words.short) <= SHORT_LENGTH
    assert len(words.long) <= LONG_LENGTH
    assert words.subject == clean(words.subject)
    assert words.short == clean(words.short, SHORT_LENGTH)
    assert words.short.endswith(SHORT_CAUTION) == rule.type.at_machine
    assert words.short.count(SHORT_CAUTION) == words.long.count(CAUTION) == int(rule.type.at_machine)
