"""People's own locks on the record: told apart by person and number, and nobody's is taken for another's."""

from __future__ import annotations

import pytest

from nightrake.alarms.lockout import NOTHING_AROUND, Around, Lockout, LockoutRules, on_shutdown, on_step, open_by_hand
from nightrake.alarms.lockoutsteps import LockoutStep, Said
from nightrake.alarms.locks import MAX_LOCKS, Lock, count_of, on_of, put_on, take_off
from nightrake.alarms.release import Facts, cancel, missing
from nightrake.alarms.rights import Who

FITTER = Who("fitter1", "maintenance", "signature")
NIGHT = Who("night1", "operator", "signature")
SUPER = Who("super1", "supervisor", "signature")
RULES = LockoutRules(causes=("ice",))
UTC = 1_780_000_000_000


def report(
    held: Lockout, step: LockoutStep, who: Who = FITTER, *, around: Around = NOTHING_AROUND, **said: object
) -> tuple[Lockout, str]:
    """One step, and what was answered."""
    after, told, answer = on_step(held, RULES, step, who, Said(**said), 5, UTC, around)  # type: ignore[arg-type]
    assert told
    return after, answer.text


def tripped() -> Lockout:
    """PC1 after a shutdown."""
    return on_shutdown(Lockout("PC1"), "PC1/forward/shutdown_contact 1", UTC)[0]


def on(held: Lockout) -> list[tuple[str, str]]:
    """Locks that are on."""
    return [(lock.person, lock.number) for lock in held.locks_on]


def test_a_second_lock_of_a_person_leaves_the_first_on_record() -> None:
    """Each comes off by its own number, and until then stands against a release."""
    held, _ = report(tripped(), LockoutStep.ISOLATION, lock_number="21")
    held, text = report(held, LockoutStep.ISOLATION, lock_number="22")
    assert "also on record: your lock 21" in text
    assert on(held) == [("fitter1", "21"), ("fitter1", "22")]
    held, text = report(held, LockoutStep.LOCK_REMOVED, lock_number="21")

    assert "still on record: lock 22 of fitter1" in text
    assert on(held) == [("fitter1", "22")]
    against = missing(held, RULES, Facts(), "", 0)
    assert "fitter1 has not reported their own lock 22 as removed" in against


def test_which_of_two_has_to_be_said() -> None:
    """A removal without a number takes nothing off where it may be either."""
    held, _ = report(tripped(), LockoutStep.ISOLATION, lock_number="21")
    held, _ = report(held, LockoutStep.ISOLATION, lock_number="22")
    held, text = report(held, LockoutStep.LOCK_REMOVED)

    assert "locks 21, 22 of fitter1 are on record: say which; none was taken off" in text
    assert len(held.locks_on) == 2


@pytest.mark.parametrize(
    ("number", "words"),
    [
        ("12", "lock 12 is night1's, who alone removes it; none was taken off (on record: 13)"),
        ("99", "no lock 99 of fitter1 was on record; none was taken off (on record: 13)"),
    ],
)
def test_an_unknown_number_or_anothers_takes_nothing_off(number: str, words: str) -> None:
    """And it says so."""
    held, _ = report(tripped(), LockoutStep.ISOLATION, NIGHT, lock_number="12")
    held, _ = report(held, LockoutStep.ISOLATION, lock_number="13")
    after, text = report(held, LockoutStep.LOCK_REMOVED, lock_number=number)

    assert words in text
    assert after.locks == held.locks


def test_a_number_that_was_left_out_can_be_given_with_either_step() -> None:
    """While the lock is on, when it comes off, and afterwards."""
    for steps in (("on 7",), ("off 7",), ("off", "off 7")):
        locks = put_on((), "fitter1", "", 1).locks
        for step in steps:
            kind, _, number = step.partition(" ")
            noted = put_on(locks, "fitter1", number, 2) if kind == "on" else take_off(locks, "fitter1", "x", number, 3)
            locks = noted.locks
        assert [lock.number for lock in locks] == ["7"], steps


def test_the_same_lock_reported_again_is_one() -> None:
    """Whatever the case of its letters; without a number it is the one that is on."""
    locks = put_on((), "fitter1", "L-7", 1).locks

    assert put_on(locks, "fitter1", "l-7", 2).locks == locks
    assert put_on(locks, "fitter1", "", 2).locks == locks
    assert len(put_on(locks, "night1", "L-7", 2).locks) == 2, "another person's is another lock"


def test_an_exception_names_the_lock_where_there_are_several() -> None:
    """A supervisor does not take off all that a person has on."""
    facts = ("not on the site by the gate's list", "telephoned twice", "told at the gate")
    held, _ = report(tripped(), LockoutStep.ISOLATION, lock_number="21")
    held, _ = report(held, LockoutStep.ISOLATION, lock_number="22")
    held, text = report(held, LockoutStep.LOCK_EXCEPTION, SUPER, whom="fitter1", facts=facts)
    assert "locks 21, 22 of 'fitter1' are on record: say which" in text
    held, text = report(held, LockoutStep.LOCK_EXCEPTION, SUPER, whom="fitter1", facts=facts, lock_number="5")
    assert "no lock 5 of 'fitter1' is on record" in text
    held, _ = report(held, LockoutStep.LOCK_EXCEPTION, SUPER, whom="fitter1", facts=facts, lock_number="22")

    assert on(held) == [("fitter1", "21")]


def test_locks_are_bounded_and_none_that_is_on_is_dropped() -> None:
    """Those that are off go first; more than that is said."""
    locks: tuple[Lock, ...] = ()
    for number in range(3 * MAX_LOCKS):
        locks = put_on(locks, "fitter1", f"a{number}", 1).locks
        locks = take_off(locks, "fitter1", "fitter1", f"a{number}", 2).locks
    assert len(locks) == MAX_LOCKS
    for number in range(MAX_LOCKS):
        locks = put_on(locks, "fitter1", f"b{number}", 3).locks

    assert len(on_of(locks, "fitter1")) == MAX_LOCKS


def test_locks_beyond_the_list_stand_against_a_release_until_each_is_off() -> None:
    """Sixty-four are listed; two more of the fitter and one of the night shift are counted."""
    held = tripped()
    for number in range(MAX_LOCKS):
        held, _ = report(held, LockoutStep.ISOLATION, lock_number=str(number))
    held, text = report(held, LockoutStep.ISOLATION, lock_number="900")
    assert "64 locks are on record, so this one is only counted (1 of fitter1)" in text
    held, _ = report(held, LockoutStep.ISOLATION, lock_number="901")
    held, _ = report(held, LockoutStep.ISOLATION, NIGHT, lock_number="77")
    for number in range(MAX_LOCKS):
        held, _ = report(held, LockoutStep.LOCK_REMOVED, lock_number=str(number))

    assert [(x.person, x.words) for x in held.locks_on] == [
        ("fitter1", "(2 beyond the list)"),
        ("night1", "(1 beyond the list)"),
    ]
    against = missing(held, RULES, Facts(), "", 0)
    assert "fitter1 has not reported their own lock (2 beyond the list) as removed" in against
    assert not any("number of" in text for text in against)
    held, text = report(held, LockoutStep.LOCK_REMOVED, lock_number="900")
    assert "still on record: lock (1 beyond the list) of fitter1" in text
    held, _ = report(held, LockoutStep.LOCK_REMOVED, lock_number="901")
    held, text = report(held, LockoutStep.LOCK_REMOVED, NIGHT, lock_number="77")
    assert "still on record" not in text
    assert held.locks_on == ()
    assert not any("own lock" in text for text in missing(held, RULES, Facts(), "", 0))
    held, text = report(held, LockoutStep.LOCK_REMOVED, lock_number="902")
    assert "no lock 902 of fitter1 was on record" in text


def test_a_lock_beyond_the_list_goes_on_into_the_next_lockout() -> None:
    """It hangs there whatever the record says; an exception for its person can take it off."""
    locks = (*(Lock("fitter1", str(n), 1) for n in range(MAX_LOCKS)), Lock("night1", "", 1, unlisted=1))
    again = on_shutdown(Lockout("PC1", 1, locks=locks), "PC1/forward/shutdown_contact 2", UTC)[0]
    facts = ("rang", "searched", "gate")
    held, text = report(again, LockoutStep.LOCK_EXCEPTION, SUPER, whom="night1", lock_number="77", facts=facts)

    assert "recorded" in text
    assert {lock.person for lock in held.locks_on} == {"fitter1"}


def test_a_lock_beyond_the_list_that_is_reported_twice_counts_once() -> None:
    """Whatever the case of its letters, and though the list has room again; it comes off by its number, once."""
    locks = tuple(Lock("fitter1", str(n), 1) for n in range(MAX_LOCKS))
    for number in ("L-9", "l-9", "900", "L-9"):
        locks = put_on(locks, "fitter1", number, 2).locks
    assert count_of(on_of(locks, "fitter1")) == MAX_LOCKS + 2
    locks = take_off(locks, "fitter1", "fitter1", "0", 3).locks
    noted = put_on(locks, "fitter1", "900", 4)
    assert (noted.locks, noted.done, noted.notes) == (locks, False, ("lock 900 was on record already",))
    noted = take_off(locks, "fitter1", "fitter1", "77b", 5)
    assert (noted.done, noted.locks) == (False, locks), "both that are counted are known by their numbers"
    theirs = take_off((*locks, Lock("night1", "5", 1)), "night1", "night1", "L-9", 5).notes[0]
    assert theirs.startswith("lock L-9 is fitter1's, who alone removes it; none was taken off")
    for _ in range(2):
        locks = take_off(locks, "fitter1", "fitter1", "l-9", 6).locks

    assert count_of(on_of(locks, "fitter1")) == MAX_LOCKS


@pytest.mark.parametrize("other", ["", "beyond"])
def test_a_removal_that_is_sent_twice_takes_off_one_lock(other: str) -> None:
    """Its answer was lost, say: the other lock of that person, whose number nobody knows, still hangs there."""
    if other:
        locks = (*(Lock("fitter1", str(n), 1) for n in range(MAX_LOCKS)), Lock("fitter1", "", 1, unlisted=1))
    else:
        locks = (Lock("fitter1", "0", 1), Lock("fitter1", "", 1))
    held = on_shutdown(Lockout("PC1", 1, locks=locks), "PC1/forward/shutdown_contact 2", UTC)[0]
    held, _ = report(held, LockoutStep.LOCK_REMOVED, lock_number="0")
    once = held.locks
    held, text = report(held, LockoutStep.LOCK_REMOVED, lock_number="0")
    assert held.locks == once
    assert "lock 0 of fitter1 is off the record already; none was taken off" in text
    facts = ("rang", "searched", "gate")
    held, text = report(held, LockoutStep.LOCK_EXCEPTION, SUPER, whom="fitter1", lock_number="0", facts=facts)
    assert "not recorded: no lock 0 of 'fitter1' is on record" in text
    held, _ = report(held, LockoutStep.LOCK_REMOVED, lock_number="L-9")

    assert len(on(held)) == (MAX_LOCKS - 1 if other else 0)


def test_a_lock_that_is_put_on_again_without_its_number_comes_off_by_it() -> None:
    """Most people have one lock of their own, with the same number each time."""
    locks = put_on((), "fitter1", "21", UTC).locks
    locks = take_off(locks, "fitter1", "fitter1", "21", UTC + 1_000).locks
    locks = put_on(locks, "fitter1", "", UTC + 2_000).locks
    noted = take_off(locks, "fitter1", "fitter1", "21", UTC + 3_000)

    assert (noted.done, on_of(noted.locks, "fitter1")) == (True, ())


# --- cause, names, lengths ---


def test_an_empty_cause_wipes_none_and_is_none() -> None:
    """It is still to be given; a remark alone is added to the cause that was given."""
    held, text = report(tripped(), LockoutStep.CAUSE, cause=" ")
    assert "the cause is still to be given" in text
    assert held.last(LockoutStep.CAUSE) is None
    held, _ = report(held, LockoutStep.CAUSE, cause="ice", remark="in the launder")
    held, text = report(held, LockoutStep.CAUSE)
    assert "still to be given" not in text
    kept = held.last(LockoutStep.CAUSE)
    assert kept is not None
    assert (kept.detail["cause"], kept.remark) == ("ice", "in the launder")
    held, _ = report(held, LockoutStep.CAUSE, remark="and in the well")
    kept = held.last(LockoutStep.CAUSE)

    assert kept is not None
    assert (kept.detail["cause"], kept.remark) == ("ice", "and in the well")


def test_a_cause_of_before_a_further_shutdown_does_not_come_back_with_a_remark() -> None:
    """It was another shutdown's."""
    held, _ = report(tripped(), LockoutStep.CAUSE, cause="ice")
    held, _ = on_shutdown(held, "PC1/forward/shutdown_contact 2", UTC)
    held, _ = report(held, LockoutStep.CAUSE, remark="not known yet")
    kept = held.last(LockoutStep.CAUSE)

    assert kept is not None
    assert kept.detail["cause"] == ""


def test_what_is_cut_shortened_missing_or_nobody_is_said() -> None:
    """A name, a limit, a long text, a person."""
    around = Around(people=("fitter1", "night1"))
    held, text = report(tripped(), LockoutStep.TEST_RUN, SUPER, limit_s=60_000.0)
    assert "after 3600 s, the longest there is" in text
    assert "its name is still to be given" in text
    assert "longest" not in report(held, LockoutStep.TEST_RUN, SUPER, limit_s=60.0, name="jog")[1]
    assert "cause cut to 500 characters" in report(held, LockoutStep.CAUSE, cause="x" * 501)[1]
    assert "cut" not in report(held, LockoutStep.CAUSE, cause="x" * 500)[1]
    assert "lock_number cut to 40 characters" in report(held, LockoutStep.ISOLATION, lock_number="x" * 41)[1]
    nobody = report(held, LockoutStep.SHIFT_TRANSFER, whom="nihgt1", around=around)[1]

    assert "nobody of the name 'nihgt1' is in people.toml" in nobody
    assert "people.toml" not in report(held, LockoutStep.SHIFT_TRANSFER, whom="night1", around=around)[1]


# --- opened by mistake ---


def test_an_isolation_that_opens_a_lockout_says_so() -> None:
    """And that the motor runs: perhaps it is the wrong drive."""
    held, text = report(Lockout("PC1"), LockoutStep.ISOLATION, lock_number="7", around=Around(motor_runs=True))
    assert "this opened lockout 1; its motor runs, by the run feedback: is it the right drive?" in text
    assert "opened" not in report(held, LockoutStep.ISOLATION, NIGHT, lock_number="8")[1]

    assert "motor" not in report(Lockout("PC1"), LockoutStep.ISOLATION, lock_number="7")[1]


def test_a_lockout_opened_by_mistake_is_cancelled_without_made_up_statements() -> None:
    """With a reason, once its locks are off the record; it is no release, and the next one is another."""
    held, _ = report(Lockout("PC1"), LockoutStep.ISOLATION, lock_number="7")
    same, told, answer = cancel(held, SUPER, "it was PC2", UTC)
    assert (same, answer.ok, told[0].kind) == (held, False, "command")
    assert "lock 7 of fitter1; whoever reported it" in answer.text
    held, _ = report(held, LockoutStep.LOCK_REMOVED, lock_number="7", remark="never was on PC1")
    assert "say why" in cancel(held, SUPER, " ", UTC)[2].text
    held, told, answer = cancel(held, SUPER, "it was PC2", UTC)

    assert answer.ok
    assert [(e.kind, e.event, e.data["reason"]) for e in told] == [("lockout", "cancelled", "it was PC2")]
    assert (held.is_open, held.cancelled, held.number) == (False, True, 1)
    assert "no lockout is open" in cancel(held, SUPER, "x", UTC)[2].text
    again = open_by_hand(held, NIGHT, "", UTC)[0]
    assert (again.number, again.cancelled) == (2, False)


def test_behind_a_shutdown_nothing_is_cancelled() -> None:
    """Whether it opened the lockout or came while it was open, and though it was stored before that was noted."""
    by_hand = open_by_hand(Lockout("PC1"), NIGHT, "", UTC)[0]
    after = on_shutdown(by_hand, "PC1/forward/shutdown_contact 1", UTC)[0]

    for held in (tripped(), tripped()._replace(tripped=False), after):
        same, _, answer = cancel(held, SUPER, "noise", UTC)
        assert same == held
        assert "ends by its release only" in answer.text
