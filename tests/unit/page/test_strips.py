"""Strips: how a drive stands, in which order, and in which words."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightrake.page.alarmcards import cards_of
from nightrake.page.look import HERE, Templates
from nightrake.page.moments import Wall, zone_of
from nightrake.page.people import People
from nightrake.page.statics import Statics
from nightrake.page.strips import Rank, Strip, quality_words, strip_of, strips_of
from pagescenes import DRIVES, MINUTE, NOW_MS, PEOPLE, acknowledged, alarm, drive, scene, side_of

WALL = Wall(zone_of("Europe/London"), NOW_MS)
WHO = People(PEOPLE)


def strip(view: dict[str, Any], *alarms: dict[str, Any]) -> Strip:
    """One strip of a drive with these alarms at the site."""
    return strip_of(view, cards_of(alarms, {}, WHO, WALL), WHO, WALL)


PC1 = drive(*DRIVES[0])
TRIPPED = side_of(PC1, state="shutdown", latched=True)


@pytest.mark.parametrize(
    ("view", "alarms", "rank", "word"),
    [
        (TRIPPED, (alarm("PC1", "shutdown_contact"),), Rank.SHUTDOWN_WAITS, "Shutdown"),
        (TRIPPED, (acknowledged(alarm("PC1", "shutdown_contact")),), Rank.SHUTDOWN, "Shutdown"),
        (PC1 | {"locked_out": True}, (), Rank.SHUTDOWN, "Locked out"),
        (PC1, (alarm("PC1", "still_running"),), Rank.SHUTDOWN_WAITS, "Urgent"),
        (side_of(PC1, state="alarm"), (alarm("PC1", "alarm_contact"),), Rank.ALARM_WAITS, "Alarm"),
        (PC1, (acknowledged(alarm("PC1", "torque_high")),), Rank.ALARM, "Alarm"),
        (side_of(PC1, state="unknown", known_now=False), (), Rank.UNKNOWN, "Not known"),
        (side_of(PC1, known_now=False), (), Rank.UNKNOWN, "Not known"),
        (side_of(PC1, state="alarm", known_now=False), (), Rank.ALARM, "Alarm, last known"),
        (PC1 | {"quality": "failure", "reasons": ["wire broken"]}, (), Rank.DOUBTFUL, "Doubtful"),
        (PC1 | {"shelved": ["PC1/forward/torque_high"]}, (), Rank.ASIDE, "Put aside"),
        (PC1, (alarm("PC2", "alarm_contact"), alarm("PC1", "calibration_due")), Rank.NORMAL, "Normal"),
    ],
)
def test_rank_and_word(view: dict[str, Any], alarms: tuple[dict[str, Any], ...], rank: Rank, word: str) -> None:
    """How a drive stands follows from contacts, latches, alarms of its own and quality, the worst of them first."""
    shown = strip(view, *alarms)

    assert (shown.rank, shown.word) == (rank, word)
    assert shown.waits == (rank in (Rank.SHUTDOWN_WAITS, Rank.ALARM_WAITS))
    assert shown.calm == (rank is Rank.NORMAL)


def test_what_is_shelved_does_not_make_an_alarm_of_a_drive() -> None:
    """An alarm that somebody has put aside is named in the notes, and no strip calls for it."""
    over = {"by": "night1", "reason": "pump test", "since_utc_ms": NOW_MS, "until_utc_ms": NOW_MS + MINUTE}
    view = PC1 | {"shelved": ["PC1/forward/torque_high"]}
    shown = strip(view, alarm("PC1", "torque_high", shelved=over))

    assert shown.rank is Rank.ASIDE
    assert shown.alarms == ()
    assert [n.text for n in shown.notes] == ["shelved: torque high"]


def test_reverse_direction_is_named() -> None:
    """Of two sensed directions the one in the worst state is named."""
    view = drive(*DRIVES[4])
    view["directions"]["reverse"] = view["directions"]["reverse"] | {"state": "alarm"}

    assert strip(view).word == "Alarm reverse"


def test_motor_that_runs_is_said_first_and_loud() -> None:
    """A motor that runs although its stop was confirmed once is never shown as a confirmed stop."""
    texts = [(n.text, n.tone) for n in strip(TRIPPED | {"stop": "confirmed", "running": True}).notes]

    assert ("motor RUNS", "strong") in texts
    assert not any("stop confirmed" in text for text, _ in texts)


def test_when_it_was_known_last_comes_before_who_was_told() -> None:
    """Of a drive that cannot be read, a strip with room for few words still says of when its state is."""
    lost = side_of(TRIPPED, known_now=False, known_utc_ms=NOW_MS - MINUTE)
    more = {"stop": "confirmed", "running": None, "locked_out": True, "locked_out_utc_ms": NOW_MS}
    shown = strip(lost | more, alarm("PC1", "shutdown_contact"))

    texts = [n.text for n in shown.notes][:3]
    assert texts == ["shutdown contact operated", "stop was confirmed", "last known at 03:13:05"]


def test_stop_that_nobody_sees_any_more_is_not_said_of_now() -> None:
    """The PLC is lost after a confirmed stop: the card does not say that the motor stands now."""
    told = alarm("PC1", "shutdown_contact", now={"running": None, "stop": "confirmed"})
    (card,) = cards_of([told], {}, WHO, WALL)

    assert "Now: whether the motor runs is not known; stop was confirmed." in card.facts


def test_who_was_told_and_what_comes_next() -> None:
    """Unacknowledged: whom it called and when the next call is; acknowledged: who did, and when it calls again."""
    open_notes = strip(side_of(PC1, state="alarm"), alarm("PC1", "alarm_contact")).notes
    done_notes = strip(side_of(PC1, state="alarm"), acknowledged(alarm("PC1", "alarm_contact"))).notes

    assert "told: Night shift operator" in [n.text for n in open_notes]
    assert ("next call", NOW_MS + 3 * MINUTE) in [(n.text, n.at_utc_ms) for n in open_notes]
    assert "acknowledged 03:13, Night shift operator" in [n.text for n in done_notes]
    assert "calls again" in [n.text for n in done_notes]


def test_order_worst_first_then_nearer_to_its_alarm() -> None:
    """Ranks come first; among drives that stand alike the one with more of its alarm torque."""
    views = {
        "A": drive("A", "", "", 100.0, 120.0, 20.0),
        "B": drive("B", "", "", 100.0, 120.0, 80.0),
        "C": drive("C", "", "", 100.0, 120.0, 1.0, quality="failure", reasons=["x"]),
        "D": side_of(drive("D", "", "", 100.0, 120.0, 1.0), state="alarm"),
    }
    ordered = [s.id for s in strips_of(views, [], WHO, WALL)]

    assert ordered == ["D", "C", "B", "A"]


@given(
    st.lists(st.tuples(st.sampled_from(["normal", "alarm", "shutdown", "unknown"]), st.floats(-2e5, 2e5)), max_size=20)
)
def test_order_never_puts_a_calmer_drive_first(given_states: list[tuple[str, float]]) -> None:
    """Whatever the torques are, no drive stands before one of a worse rank."""
    views = {
        f"D{n}": side_of(drive(f"D{n}", "", "", 1e5, 1.2e5, torque), state=state)
        for n, (state, torque) in enumerate(given_states)
    }
    ranks = [s.rank for s in strips_of(views, [], WHO, WALL)]

    assert ranks == sorted(ranks)


def test_same_scene_gives_the_same_strip_whenever_it_is_told() -> None:
    """Remaining times that are told anew by a few milliseconds change nothing, so no part is sent again for them."""
    first = alarm("PC1", "alarm_contact")
    again = first | {"next_call_utc_ms": first["next_call_utc_ms"] + 7}

    assert strip(PC1, first) == strip(PC1, again)


def test_what_rests_and_is_suppressed_by_design_is_no_alarm_for_people() -> None:
    """After a shutdown the torque rise is suppressed: it stands nowhere, but what somebody put aside does."""
    rests = alarm("SC2", "torque_rising", life="normal", suppressed="the drive is shut down")
    over = {"by": "super1", "reason": "sensor is changed", "until_utc_ms": NOW_MS + MINUTE}
    shelved = rests | {"shelved": over}
    stands = alarm("SC2", "torque_rising", suppressed="the drive is shut down")

    assert cards_of([rests], {}, WHO, WALL) == []
    assert [[a.what for a in c.aside] for c in cards_of([shelved, stands], {}, WHO, WALL)] == [
        ["shelved", "suppressed by design"],
        ["suppressed by design"],
    ]


def test_all_that_presses_at_once_stands_in_the_overview() -> None:
    """Shut down, locked out, its PLC lost: nobody is to open the drive's page to learn that it is locked out."""
    view = side_of(
        drive(*DRIVES[0], stop="confirmed", locked_out=True, locked_out_utc_ms=NOW_MS, quality="failure",
              reasons=["x"]),
        state="shutdown", known_now=False,
    )  # fmt: skip
    made = scene({"PC1": view}, (alarm("PC1", "shutdown_contact"),))
    html = Templates(Statics(HERE / "static")).page("overview", made, None, "t", {"path": "/"})
    notes = html.partition('<ul class="notes">')[2].partition("</ul>")[0]

    for words in ("shutdown contact", "last known", "told: ", "next call", "locked out since", "failure: x"):
        assert words in notes


def test_function_check_and_test_run_come_before_whom_it_told() -> None:
    """Whoever reads only the first lines learns that nobody is called."""
    view = drive(*DRIVES[0], in_test_s=600.0, test_run_s=60.0)
    notes = [n.text for n in strip(view, alarm("PC1", "alarm_contact", told=["night1"])).notes]

    assert notes.index("in test: nobody is called") < notes.index("told: Night shift operator")
    assert notes.index("supervised test run goes on") < notes.index("told: Night shift operator")


@pytest.mark.parametrize(
    ("reasons", "words"),
    [
        (
            ["position: transducer failure: 3.6 mA or less (NE 43)"],
            "position: transducer failure: 3.6 mA or less (NE 43)",
        ),
        (["no reply within 1 s", "x"], "failure: no reply within 1 s (+1)"),
        ([], "failure"),
    ],
)
def test_quality_is_said_once(reasons: list[str], words: str) -> None:
    """With its first reason, which may say it by itself."""
    assert quality_words(drive(*DRIVES[0], quality="failure", reasons=reasons)) == words
