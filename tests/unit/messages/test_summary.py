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
from nightrake.messages.alarmpayloads import MoreData
from nightrake.messages.many import flood_over_summary, flood_summary, more_payload, more_summary
from nightrake.messages.summary import (
    back_summary,
    call_summary,
    check_summary,
    ended_summary,
    unanswered_summary,
)
from nightrake.messages.trend import Trend
from nightrake.messages.wording import (
    LONG_LENGTH,
    SHORT_CAUTION,
    SHORT_LENGTH,
    SHORTEST_CAUTION,
    SUBJECT_LENGTH,
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


def straight(nm_per_min: float) -> Trend:
    """A torque that changes evenly, a minute long."""
    return Trend(nm_per_min, True, 40_000.0, 40_000.0 + nm_per_min, 40_000.0, 40_000.0 + nm_per_min)


def about(kind: str = "shutdown_contact", **more: Any) -> About:
    """GT1's shutdown in a summer night."""
    key = AlarmKey("GT1", "forward", kind)
    facts: dict[str, Any] = {"drive_name": "Gravity thickener", "now": DRIVE, "zone": LONDON, "people": PEOPLE}
    blank = About(SITE, str(key), 3, "", "", NIGHT_MS, **{**facts, **more})
    return blank.ruled(rule_for(ALARM_TYPES[kind]))


def test_call_says_all_that_is_needed() -> None:
    """Site, drive, stage, since when, torque, percent, trend, stop, what to do first, who was told, how to answer."""
    data = {**CALLED, "people": ["super1"], "told_before": ["night1"], "why": "nobody answered"}
    words = call_summary(about(trend=straight(2100.0)), "called", data, NOW_MS, NOW_MS + 300_000)

    assert words.subject == (
        "URGENT: GT1 forward: shutdown contact operated, 02:14, 118.2 ±1.4 kN.m - Fennmark treatment works"
    )
    for part in (
        "Fennmark treatment works: GT1 Gravity thickener, forward: shutdown contact operated",
        "since 02:14 (4 min); nobody has answered yet.",
        "Torque 118.2 ±1.4 kN.m, 105 % of shutdown, rising 2.1 kN.m/min.",
        "Stop confirmed.",
        "First: Do not reset, restart, jog or reverse.",
        "Called now: Shift supervisor (super1). Before: Night shift operator (night1).",
        "Next call 02:23.",
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
        ({"stop": "still running", "running": True}, "MOTOR STILL RUNS."),
        ({"stop": "confirmed", "running": True}, "MOTOR RUNS AGAIN after its stop was confirmed."),
        ({"stop": "confirmed", "running": None}, "Stop was confirmed, run feedback not known now."),
        ({"stop": "awaited", "running": True}, "Stop awaited, MOTOR RUNS."),
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
    told = about(now={**DRIVE, "torque_nm": {"reason": "", **reading}}, trend=None if rate is None else straight(rate))

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
    assert "within 30 s" in check_summary(SITE, 30.0, "shift start").short
    dead = unanswered_summary(SITE, "Day shift operator (day1)", "check time")
    assert dead.subject.startswith("PAGING IS DEAD: Day shift operator (day1) has not answered")
    assert "an alarm may not reach them either" in dead.short


def test_one_message_in_the_place_of_many_counts_by_priority() -> None:
    """Those that call and those that came and went are told apart."""
    calls = tuple(Call("night1", f"D{n}/-/x", "high" if n else "low", {"subject": f"S{n}"}) for n in range(5))
    words = more_summary(More("night1", calls, {"low": 7}, 2), SITE)

    assert "12 more alarms call you: 4 high, 8 low." in words.short
    assert "2 alarms need you no longer" in words.short
    assert " - S4\n" in words.long
    assert len(words.subject) <= SUBJECT_LENGTH


def test_first_responses_are_never_cut_for_want_of_room() -> None:
    """Every kind, told as late as can be, with all that can stand beside it: every step of what to do is there."""
    people = {**PEOPLE, **{f"crew{n}": f"Operator of the stand-by crew number {n}" for n in range(6)}}
    data = {**CALLED, "people": list(people)[2:], "told_before": ["night1", "super1"], "why": "nobody answered"}
    now = {**DRIVE, "locked_out": True, "locked_out_utc_ms": 1, "stop": "confirmed", "running": True}
    late = {"gone_utc_ms": NOW_MS, "over_utc_ms": NOW_MS + 1, "flood_utc_ms": NIGHT_MS, "trend": straight(2100.0)}
    for kind in ALARM_TYPES:
        told = about(kind, now=now, people=people, **late)
        words = call_summary(told, "called", data, NOW_MS + 86_400_000, NOW_MS + 90_000_000)

        steps = [s for s in told.instructions if s != CAUTION]
        assert " ".join(steps) in words.short, (kind, words.short)
        assert "MOTOR RUNS AGAIN" in words.short
        assert "118.2 ±1.4 kN.m" in words.short
        assert len(words.short) <= SHORT_LENGTH


def test_steps_of_a_site_that_are_too_long_say_that_there_are_more() -> None:
    """Whole ones as far as they go, and where the others stand."""
    rule = rule_for(ALARM_TYPES["shutdown_contact"], AlarmOverride(first_response=("Do this now. " * 14,) * 5))
    words = call_summary(about().ruled(rule), "called", CALLED, NOW_MS)

    assert "more: nightrake alarms)" in words.short
    assert words.short.endswith((SHORT_CAUTION, SHORTEST_CAUTION))


def test_running_motor_stands_in_the_subject() -> None:
    """Whoever is woken reads it first."""
    told = about("running_while_locked_out", now={**DRIVE, "running": True})

    subject = call_summary(told, "called", CALLED, NOW_MS).subject
    assert "MOTOR RUNS AGAIN" in subject
    assert "confirmed" not in subject


def test_message_says_what_lies_over_the_drive() -> None:
    """The lockout that was there before, a test run, standby; a shutdown's own lockout is no news."""
    before = {**DRIVE, "locked_out": True, "locked_out_utc_ms": NIGHT_MS - 600_000, "test_run_s": 12.0}
    words = call_summary(about(now=before), "called", CALLED, NOW_MS)
    assert "Locked out in the record since 02:04, a supervised test run is on." in words.short

    own = {**DRIVE, "locked_out": True, "locked_out_utc_ms": NIGHT_MS}
    assert "ocked out" not in call_summary(about(now=own), "called", CALLED, NOW_MS).short.split("First:")[0]


def test_condition_that_has_gone_is_said_to_be_gone() -> None:
    """Its contact has released; the alarm waits for its off-delay."""
    told = about("alarm_contact", gone_utc_ms=NOW_MS - 60_000, over_utc_ms=NOW_MS + 19 * 60_000)

    short = call_summary(told, "called", CALLED, NOW_MS).short
    assert "Condition gone since 02:17; over at 02:37 unless it comes back." in short


def test_dead_paging_says_whose() -> None:
    """By name, in the subject too."""
    told = About(SITE, "site/-/paging_dead", 1, "", "", NIGHT_MS, facts={"people": ["night1"]}, people=PEOPLE)
    words = call_summary(told.ruled(rule_for(ALARM_TYPES["paging_dead"])), "called", CALLED, NOW_MS)

    assert "no answer from Night shift operator (night1)" in words.subject
    assert "No answer from Night shift operator (night1)." in words.short


def test_older_times_have_their_date() -> None:
    """Yesterday's shutdown is not of this night."""
    assert "since 2026-07-08 02:14 (24 h" in call_summary(about(), "called", CALLED, NIGHT_MS + 86_400_000).short


def test_facts_of_a_mail_are_words() -> None:
    """As it was when raised, apart from how it stands now; torque in kN.m with its mark."""
    facts = {"torque_nm": 37_227.7, "torque_is": "exact", "torque_uncertainty_nm": 520.0, "running": True, "x": None}
    facts |= {"torque_uncertainty_lacks": ["temperature"], "limit_nm": 22_514.0, "position_mm": 63.2, "stop": "awaited"}
    long = call_summary(about(facts=facts), "called", CALLED, NOW_MS).long

    raised = long.partition("As it was when raised, 2026-07-08 02:14\n")[2].splitlines()
    assert raised == [
        "  torque: 37.2 ±0.5* kN.m",
        "  running: yes",
        "  limit: 22.5 kN.m",
        "  position: 63.2 mm",
        "  stop: awaited",
    ]


def test_alarm_that_left_the_settings_is_not_normal_again() -> None:
    """Nobody says that it is over, or that nobody is needed."""
    words = ended_summary(about(), "calls_ended", {"why": "away", "told": ["night1"]}, NOW_MS)

    assert words.subject.startswith("NOT WATCHED ANY MORE: GT1 forward: shutdown contact operated")
    assert "nobody watches it now. It may still hold." in words.short
    assert "normal again" not in words.short
    assert "no longer needed" not in words.short


def test_put_aside_says_how() -> None:
    """Shelved is not returned."""
    words = ended_summary(about(silent="shelved"), "calls_stopped", {"told": ["night1"]}, NOW_MS)

    assert "shutdown contact operated: shelved, at 02:18." in words.short


def test_broker_that_is_back_is_not_said_to_be_away() -> None:
    """What comes over it proves that it works."""
    told = About(SITE, "site/-/broker_unreachable", 1, "", "high", NIGHT_MS, zone=LONDON, facts={"detail": "refused"})

    words = back_summary(told, NOW_MS)
    assert words.subject.startswith("HIGH: messages did not get through from 02:14 on, this one has")
    assert "from 02:14 on (refused). This one has" in words.short


def test_over_names_what_is_over_and_why() -> None:
    """One alarm by its name; several are listed as far as they are kept."""
    line = f"No longer needed: GT1 forward: alarm contact operated: acknowledged by root - {SITE}"
    one = more_summary(More("night1", (), {}, 1, (("GT1/forward/alarm_contact", line),)), SITE)
    assert one.subject == f"Over: GT1 forward: alarm contact operated: acknowledged by root - {SITE}"
    assert "come and gone" not in one.short

    many = more_summary(More("night1", (), {}, 7, tuple((f"a{n}", f"No longer needed: A{n}") for n in range(5))), SITE)
    assert many.short == f"{SITE}: 7 alarms need you no longer: A0; A1; A2 and 4 more."
    assert " - A4" in many.long


def test_one_message_for_many_lists_every_drive_over_mqtt() -> None:
    """Also those for which a telephone's text has no room; each once, and none that is only over."""
    calls = [Call("n", f"DRIVE{n:03}/forward/{kind}", "urgent", {}) for n in range(150) for kind in ("a", "b")]
    calls += [Call("n", "site/-/store_full", "high", {}), Call("n", "PC1/-/reading_bad", "low", {}, ends=True)]
    data = more_payload(More("night1", tuple(calls), {}, 0, urgent=True), SITE)

    assert data["drives"] == [f"DRIVE{n:03}" for n in range(150)]
    assert len(data["text"]) <= SHORT_LENGTH
    assert MoreData.model_validate(data).drives == data["drives"]
    over = more_payload(More("night1", (), {}, 1, (("PC1/-/reading_bad", "x"),)), SITE)
    assert over["drives"] == []


def test_silence_that_goes_on_under_another_name_is_not_normal_again() -> None:
    """Nor does anybody read that calls ended as normal where the last person has left the settings."""
    told = About(SITE, "plc:R/-/plc_silent", 1, "PLC silent", "high", NIGHT_MS)
    data = {"why": "renamed", "goes_on_as": "plc:Q/-/plc_silent", "told": ["night1"]}
    words = ended_summary(told, "calls_ended", data, NOW_MS)
    assert "PLC silent: goes on as PLC Q, which calls by itself, at " in words.short
    left = ended_summary(about(), "calls_ended", {"why": "nobody", "told": ["night1"]}, NOW_MS)

    assert "nobody is left in the settings who could be called; it may still hold" in left.short
    assert left.subject.startswith("CALLS NOBODY ANY MORE")
    assert "no longer needed" not in left.short.casefold()
    assert "You are no longer needed for it." in words.short
    assert "normal again" not in words.short + left.short


def test_urgent_storm_names_the_worst_and_keeps_its_caution() -> None:
    """How many, which is the worst, what to do first, and the caution once."""
    calls = tuple(
        Call("n", f"D{n}/f/shutdown_contact", "urgent", {"subject": f"URGENT: D{n} {'x' * 90}"}) for n in range(90)
    )
    words = more_summary(More("night1", calls, {}, 0, urgent=True), SITE)

    assert words.subject.startswith("URGENT: 90 more urgent; worst: D0 ")
    assert "90 more URGENT alarms call you. Worst: D0" in words.short
    assert "Do not reset, restart, jog or reverse." in words.short
    assert words.short.endswith(SHORT_CAUTION)
    assert words.long.count(SHORT_CAUTION) == 1
    assert max(len(words.subject) - SUBJECT_LENGTH, len(words.short) - SHORT_LENGTH, len(words.long) - LONG_LENGTH) <= 0


def test_flood_says_what_waits_and_what_stands() -> None:
    """At its beginning and its end."""
    began = flood_summary(SITE, 11, {"urgent": 1, "high": 4, "low": 0}, ["SC2 forward: shutdown contact operated"])
    assert began.subject.startswith("ALARM FLOOD: 11 alarms within 10 minutes; standing: 1 urgent, 4 high")
    assert "Low alarms wait until it is over; urgent and high ones still come." in began.short
    assert "SC2 forward: shutdown contact operated." in began.short
    over = flood_over_summary(SITE, 27, "02:10", "02:41")
    assert "flood since 02:10 is over at 02:41, after 27 alarms" in over.short
    during = call_summary(about(flood_utc_ms=NIGHT_MS), "called", CALLED, NOW_MS)
    assert "Alarm flood since 02:14, low alarms wait." in during.short


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
        straight(1.0),
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
    assert words.short.endswith((SHORT_CAUTION, SHORTEST_CAUTION)) == rule.type.at_machine
    cautions = words.short.count(SHORT_CAUTION) + words.short.count(SHORTEST_CAUTION)
    assert cautions == words.long.count(CAUTION) == int(rule.type.at_machine)
