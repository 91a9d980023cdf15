"""The lockout walked step by step."""

from __future__ import annotations

import re

from nightrake.alarms.lockout import Lockout, LockoutRules
from nightrake.alarms.lockoutsteps import LockoutStep
from nightrake.alarms.locks import Lock, take_off
from nightrake.alarms.release import MISSING, Facts, missing
from nightrake.page.lockoutwalk import ASIDE, STEPS, Step, walk_of
from nightrake.page.moments import Wall, zone_of
from nightrake.page.people import People
from pagescenes import NOW_MS, PEOPLE, lockout

WALL = Wall(zone_of("UTC"), NOW_MS)
NEEDS = [str(s) for s in list(LockoutStep)[:6]]


def test_every_step_that_people_report_is_on_the_page() -> None:
    """A step that the rules know and the page does not could never be reported from it."""
    assert {k.step for k in (*STEPS, *ASIDE)} == set(LockoutStep)


def test_next_is_the_first_that_is_missing() -> None:
    """Isolated is reported, so zero energy comes next."""
    walk = walk_of(lockout(), NEEDS, People(PEOPLE), WALL)

    assert walk.next == 2
    assert [s.done for s in walk.steps] == [True, False, False, False, False, False, False]
    assert walk.steps[0].said[0].words == "lock 17, “isolator Q3”"
    assert walk.steps[0].said[0].by == "Maintenance fitter"


def test_report_made_old_by_a_further_shutdown_is_asked_for_anew() -> None:
    """A report that stands while the release still misses it is old, and is the next to be done."""
    report = {"step": "zero_energy_reported", "by": "fitter1", "role": "maintenance", "utc_ms": 1, "remark": ""}
    isolated = lockout()["reports"][0]
    missing = [MISSING[LockoutStep.ZERO_ENERGY]]
    walk = walk_of(lockout(reports=[isolated, report], missing=missing), NEEDS, People(PEOPLE), WALL)

    assert (walk.steps[1].old, walk.steps[1].word, walk.next) == (True, "to be reported anew", 2)


def test_last_is_the_own_lock() -> None:
    """When all is reported, the lock that still hangs is what is left."""
    reports = [{"step": s, "by": "fitter1", "role": "maintenance", "utc_ms": 1, "remark": ""} for s in NEEDS]
    walk = walk_of(lockout(reports=reports, missing=["fitter1 has not ..."]), NEEDS, People(PEOPLE), WALL)

    assert walk.next == 7
    assert walk.locks == (("Maintenance fitter", "17", "ON"),)


def test_nothing_is_next_in_a_lockout_that_is_over() -> None:
    """A released lockout is a record."""
    walk = walk_of(lockout(open=False, missing=[]), NEEDS, People(PEOPLE), WALL)

    assert walk.next == 0


def test_what_stands_against_a_release_names_people() -> None:
    """By name; by the id besides only where two have the same name."""
    twins = {**PEOPLE, "fitter2": {"name": "M. Aker", "role": "maintenance"}, "fitter3": {"name": "M. Aker"}}
    said = [
        "the number of fitter1's lock has not been given",
        "fitter2 has not reported their own lock 17 as removed",
        "the test run under super1 goes on; end it first",
        "torque stands at 0.9 kN.m; for a release it may be at most 0.5 kN.m",
    ]

    walk = walk_of(lockout(missing=said), NEEDS, People(twins), WALL)

    assert walk.against == (
        "the number of Maintenance fitter's lock has not been given",
        "M. Aker (fitter2) has not reported their own lock 17 as removed",
        "the test run under Shift supervisor goes on; end it first",
        "torque stands at 0.9 kN·m; for a release it may be at most 0.5 kN·m",
    )


def test_sentences_of_the_rules_themselves_name_people() -> None:
    """What the rules say of a lockout with a lock without a number, on, under test: no id is left in it."""
    held = Lockout("PC1")._replace(
        is_open=True, locks=(Lock("night1", "", 1), Lock("fitter1", "17", 1)), run_by="super1", run_until_ns=10
    )
    against = missing(held, LockoutRules(needs=()), Facts(), "", 5)
    notes = [take_off(held.locks, person, person, "17", 2).notes for person in ("night1", "super1")]
    words = " ".join(People(PEOPLE).in_words(text) for text in (*against, *notes[0], *notes[1]))

    assert len(against) == 4
    assert "lock 17 is Maintenance fitter's" in words
    assert not re.search(r"\b(night1|fitter1|super1)", words)


def test_two_causes_are_both_shown_and_marked() -> None:
    """Each with whoever reported it; done, for there is a cause, and to be settled. The same one twice is not."""
    said = {"role": "operator", "utc_ms": 1, "remark": "", "step": "cause"}
    ice, plank, again = (
        {**said, "by": by, "cause": cause}
        for by, cause in (("fitter1", "ice"), ("night1", "a plank"), ("night1", "Ice"))
    )
    isolated = lockout()["reports"][0]

    def cause(*reports: dict[str, object]) -> Step:
        held = lockout(reports=[isolated, *reports], missing=[])
        return next(s for s in walk_of(held, NEEDS, People(PEOPLE), WALL).steps if s.kind.step is LockoutStep.CAUSE)

    both = cause(ice, plank)
    assert [(one.by, one.words) for one in both.said] == [
        ("Maintenance fitter", "ice"), ("Night shift operator", "a plank"),
    ]  # fmt: skip
    assert (both.differs, both.done, both.word) == (True, True, "reported differently: settle which it was")
    assert (cause(ice, again).differs, cause(ice).word) == (False, "reported")
