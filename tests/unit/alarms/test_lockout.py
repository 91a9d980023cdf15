"""The lockout as a record: each step by a person, locks line by line, transfer, test run, words; release."""

from __future__ import annotations

import pytest
from pydantic import TypeAdapter

from nightrake.alarms.lockout import Lockout, LockoutRules, after_restart, on_shutdown, on_step, on_tick, open_by_hand
from nightrake.alarms.lockoutsteps import MAX_TEXT, RECORDS_ONLY, SAYS, LockoutStep, Said
from nightrake.alarms.release import MISSING, Facts, missing, on_release
from nightrake.alarms.rights import Seconds, Who
from nightrake.domain.rows import Entry, canonical

SECOND = 1_000_000_000
FITTER = Who("fitter1", "maintenance", "signature")
NIGHT = Who("night1", "operator", "signature")
SUPER = Who("super1", "supervisor", "signature")
OTHER = Who("super2", "supervisor", "page session")
RULES = LockoutRules(causes=("ice", "foreign object"), release_torque_nm={"PC1": 32_000.0})
FREE = Facts(torque_nm=5_000.0, torque_is="exact", torque_fitted=True)
NEEDED = tuple(MISSING)


class Drive:
    """PC1's lockout, opened by a shutdown, with a clock."""

    def __init__(self, *, opened: bool = True) -> None:
        self.held = Lockout("PC1")
        self.now_ns = 100 * SECOND
        self.utc_ms = 1_780_000_000_000
        self.seconds = Seconds()
        self.entries: list[Entry] = []
        if opened:
            self.trip()

    def trip(self) -> None:
        self.held, told = on_shutdown(self.held, "PC1/forward/shutdown_contact 1", self.utc_ms)
        self.entries += told

    def step(self, step: LockoutStep, who: Who = FITTER, **said: object) -> str:
        self.now_ns += SECOND
        self.utc_ms += 1000
        given = Said(**said)  # type: ignore[arg-type]
        self.held, told, answer = on_step(self.held, RULES, step, who, given, self.now_ns, self.utc_ms)
        self.entries += told
        assert told, "nothing was journalled"
        assert answer.ok is (told[-1].kind == "lockout")
        assert RECORDS_ONLY in answer.text
        return answer.text

    def walk(self, but: LockoutStep | None = None) -> None:
        """Everything that a release needs, with one step left out."""
        for step in NEEDED:
            if step is not but:
                self.step(step, lock_number="L-7", cause="ice")
        if but is not LockoutStep.ISOLATION:
            self.step(LockoutStep.LOCK_REMOVED)

    def release(
        self, who: Who = SUPER, facts: Facts = FREE, reason: str = "", two: frozenset[str] = frozenset()
    ) -> tuple[bool, str]:
        self.held, self.seconds, told, answer = on_release(
            self.held, RULES, two, self.seconds, who, reason, facts, self.now_ns, self.utc_ms
        )
        self.entries += told
        assert len(told) == 1
        assert RECORDS_ONLY in answer.text
        return answer.ok, answer.text

    @property
    def events(self) -> list[str]:
        return [e.event for e in self.entries]


def test_walk_from_shutdown_to_release() -> None:
    """Opened by itself, every step with person, time and words, released by a supervisor; the next one is another."""
    drive = Drive()
    drive.walk()

    assert drive.release()[0]
    assert drive.events == ["opened", *NEEDED, "lock_removed", "released"]
    assert not drive.held.is_open
    assert drive.held.released_by == "super1"
    assert all(e.kind == "lockout" and e.drive == "PC1" and e.data["lockout"] == 1 for e in drive.entries)
    assert all(e.data["words"] == RECORDS_ONLY and canonical(e.data) for e in drive.entries)
    drive.trip()
    assert (drive.held.number, drive.held.is_open, drive.held.reports) == (2, True, {})


def test_words_say_that_it_isolates_nothing_and_that_local_rules_come_first() -> None:
    """On every step; the words of 29 CFR 1910.147(e)(3): a lock is removed by the person who applied it."""
    assert "isolates nothing" in RECORDS_ONLY
    assert "Only the person who applied a lock removes it" in RECORDS_ONLY
    assert "Local rules" in RECORDS_ONLY
    assert set(SAYS) == set(LockoutStep)
    assert not any("safe" in words or "locked out" in words for words in SAYS.values())


@pytest.mark.parametrize("left_out", NEEDED)
def test_refusal_names_the_missing_step_and_no_other(left_out: LockoutStep) -> None:
    """One sentence each."""
    drive = Drive()
    drive.walk(but=left_out)
    ok, text = drive.release()

    assert not ok
    assert MISSING[left_out] in text
    assert not any(words in text for step, words in MISSING.items() if step is not left_out)
    assert (drive.entries[-1].kind, drive.entries[-1].event) == ("command", "refused")
    assert drive.entries[-1].data["reason"] in text


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        (FREE._replace(operated=("forward A",)), "the shutdown contact is still operated (forward A)"),
        (FREE._replace(unreadable=("forward B",)), "the shutdown contact cannot be read now (forward B)"),
        (FREE._replace(torque_nm=32_001.0), "torque stands at 32.001 kN.m; for a release it may be at most 32 kN.m"),
        (FREE._replace(torque_nm=-32_001.0), "torque stands at -32.001 kN.m"),
        (FREE._replace(torque_nm=46_400.0, torque_is="beyond"), "torque stands beyond 46.4 kN.m"),
        (FREE._replace(torque_nm=None, torque_is="absent"), "give the reason why"),
    ],
)
def test_what_is_read_refuses_only_the_release(facts: Facts, words: str) -> None:
    """Steps stay recordable; a contact kept operated by a wound-up train stands in nobody's way but the release's."""
    drive = Drive()
    drive.walk()
    ok, text = drive.release(facts=facts)

    assert not ok
    assert words in text
    assert "recorded" in drive.step(LockoutStep.ISOLATION, lock_number="L-8")


@pytest.mark.parametrize(
    "facts",
    [
        FREE._replace(torque_nm=32_000.0),
        FREE._replace(torque_nm=40_000.0, torque_is="below"),  # the arm on its stop says 'less than' only
        Facts(),  # no transducer fitted
    ],
)
def test_what_does_not_stand_against_a_release(facts: Facts) -> None:
    """A limit is no value, and what was never fitted is no fault."""
    drive = Drive()
    drive.walk()

    assert drive.release(facts=facts)[0]


def test_dead_transducer_asks_for_a_reason_which_is_kept() -> None:
    """Alone it refuses nothing; blanks are no reason."""
    drive = Drive()
    drive.walk()
    dead = FREE._replace(torque_nm=None, torque_is="absent")

    assert not drive.release(facts=dead, reason="   ")[0]
    assert drive.release(facts=dead, reason="loop cable cut, arm seen at rest")[0]
    assert drive.entries[-1].data["reason"] == "loop cable cut, arm seen at rest"


def test_every_reason_at_once() -> None:
    """Who releases too early is told everything, not the first of nine things."""
    drive = Drive()
    drive.step(LockoutStep.ISOLATION, NIGHT)
    drive.step(LockoutStep.TEST_RUN, SUPER, name="jog")
    facts = FREE._replace(operated=("forward A",), unreadable=("forward B",), torque_nm=50_000.0)
    text = drive.release(facts=facts)[1]

    for words in (
        *(MISSING[s] for s in NEEDED[1:]),
        "forward A",
        "forward B",
        "50.0 kN.m",
        "night1's lock",
        "super1 goes on",
    ):
        assert words in text
    assert "night1 has not reported their own lock as removed" in text


@pytest.mark.parametrize("who", [FITTER, NIGHT, Who("root", "local", "local user")])
def test_release_is_refused_to_others_than_a_supervisor(who: Who) -> None:
    """By role, whatever has been reported."""
    drive = Drive()
    drive.walk()
    ok, text = drive.release(who)

    assert not ok
    assert "release is for supervisor" in text
    assert drive.held.is_open


def test_release_by_two_different_people_where_the_site_says_so() -> None:
    """The first waits, cannot confirm alone, and a shutdown in between makes the word old."""
    two, drive = frozenset({"release"}), Drive()
    drive.walk()

    assert "asks for two different people" in drive.release(SUPER, two=two)[1]
    assert drive.held.is_open
    assert not drive.release(SUPER, two=two)[0]
    drive.trip()
    drive.walk()
    assert "noted" in drive.release(OTHER, two=two)[1]
    assert drive.held.is_open
    assert drive.release(SUPER, two=two)[0]
    assert (drive.entries[-1].data["actor"], drive.entries[-1].data["first"]) == ("super1", "super2")


def test_each_person_has_a_line_and_removes_their_own_lock() -> None:
    """Another's 'removed' is no removal of mine."""
    drive = Drive()
    drive.step(LockoutStep.ISOLATION, FITTER, lock_number="L-7")
    drive.step(LockoutStep.ISOLATION, NIGHT, lock_number="L-9")

    assert "no lock of super1 was on record" in drive.step(LockoutStep.LOCK_REMOVED, SUPER)
    drive.step(LockoutStep.LOCK_REMOVED, FITTER)

    assert [(lock.person, lock.number) for lock in drive.held.locks_on] == [("night1", "L-9")]
    assert "night1 has not reported" in drive.release()[1]


def test_lock_of_an_absent_person_is_a_logged_exception() -> None:
    """By a supervisor, with the three facts of 29 CFR 1910.147(e)(3), of a lock that is on record, not one's own."""
    facts = ("not on the site by the gate's list", "telephoned twice", "told by the supervisor at the gate")
    drive = Drive()
    drive.step(LockoutStep.ISOLATION, FITTER, lock_number="L-7")
    drive.step(LockoutStep.ISOLATION, SUPER, lock_number="L-1")
    refusals = {
        "fitter1, who alone removes it": (NIGHT, "fitter1", facts),
        "no lock of 'night1'": (SUPER, "night1", facts),
        "your own lock": (SUPER, "super1", facts),
        "how the absence was verified": (SUPER, "fitter1", facts[:2]),
        "before returning": (SUPER, "fitter1", (*facts[:2], " ")),
    }
    for words, (who, whom, given) in refusals.items():
        before = drive.held
        assert words in drive.step(LockoutStep.LOCK_EXCEPTION, who, whom=whom, facts=given)
        assert drive.held is before

    drive.step(LockoutStep.LOCK_EXCEPTION, SUPER, whom="fitter1", facts=facts)

    assert [lock.person for lock in drive.held.locks_on] == ["super1"]
    assert drive.entries[-1].data["looked_for"] == "telephoned twice"
    assert drive.held.locks[0].off_by == "exception by super1"


def test_isolation_without_a_number_is_recorded_and_the_number_asked_for() -> None:
    """A report is never lost; the number can be given later, after the lock is off too."""
    drive = Drive()
    assert "number is still to be given" in drive.step(LockoutStep.ISOLATION, FITTER)
    drive.step(LockoutStep.LOCK_REMOVED, FITTER)
    assert "the number of fitter1's lock" in drive.release()[1]

    drive.step(LockoutStep.LOCK_REMOVED, FITTER, lock_number="L-7")

    assert "the number of" not in drive.release()[1]
    assert drive.held.locks[0].number == "L-7"


def test_shift_transfer_moves_the_work_and_no_lock() -> None:
    """The next one's lock goes on before mine comes off; until then it says so."""
    drive = Drive()
    drive.step(LockoutStep.ISOLATION, FITTER, lock_number="L-7")

    assert "no lock of night1 is on record yet" in drive.step(LockoutStep.SHIFT_TRANSFER, FITTER, whom="night1")
    assert drive.held.in_charge == "night1"
    assert [lock.person for lock in drive.held.locks_on] == ["fitter1"]
    drive.step(LockoutStep.ISOLATION, NIGHT, lock_number="L-9")
    drive.step(LockoutStep.LOCK_REMOVED, FITTER)
    assert "no lock" not in drive.step(LockoutStep.SHIFT_TRANSFER, FITTER, whom="night1")
    assert "to whom is still to be given" in drive.step(LockoutStep.SHIFT_TRANSFER, FITTER)
    assert drive.held.in_charge == "night1"
    assert drive.entries[-2].data["from"] == "fitter1"


@pytest.mark.parametrize(
    ("asked_s", "lasts_s"),
    [(120.0, 120), (0.0, 600), (-5.0, 600), (float("nan"), 600), (1e12, 3600), (float("inf"), 600)],
)
def test_supervised_test_run_ends_by_itself(asked_s: float, lasts_s: int) -> None:
    """Named and timed; while it goes on a running motor is expected, and no release."""
    drive = Drive()
    drive.walk()
    drive.step(LockoutStep.TEST_RUN, SUPER, name="half a turn", limit_s=asked_s)
    began_ns, data = drive.now_ns, drive.entries[-1].data

    assert (data["name"], data["supervised_by"], data["limit_s"]) == ("half a turn", "super1", f"{lasts_s:g}")
    assert drive.held.in_test_run(began_ns + lasts_s * SECOND - 1)
    assert not drive.held.in_test_run(began_ns + lasts_s * SECOND)
    assert "the test run under super1 goes on" in drive.release()[1]
    assert on_tick(drive.held, began_ns + lasts_s * SECOND - 1) == (drive.held, ())
    drive.held, told = on_tick(drive.held, began_ns + lasts_s * SECOND)
    assert [(e.event, e.data["actor"]) for e in told] == [("test_run_end", "time limit")]
    assert drive.release()[0]


def test_test_run_can_be_ended_and_names_locks_that_are_on() -> None:
    """Who begins one while a lock hangs is told whose."""
    drive = Drive()
    drive.step(LockoutStep.ISOLATION, FITTER, lock_number="L-7")

    assert "still on record: the lock of fitter1" in drive.step(LockoutStep.TEST_RUN, SUPER, name="jog")
    assert "no test run" not in drive.step(LockoutStep.TEST_RUN_END, SUPER)
    assert not drive.held.in_test_run(drive.now_ns)
    assert "no test run was on record" in drive.step(LockoutStep.TEST_RUN_END, SUPER)


def test_further_shutdown_makes_old_what_was_said_of_its_cause() -> None:
    """Isolation stands; zero energy (it is wound up again), cause, clearing, contacts and area do not."""
    drive = Drive()
    drive.walk()
    drive.trip()

    against = missing(drive.held, RULES, FREE, "", drive.now_ns)
    assert drive.entries[-1].event == "shutdown_again"
    assert set(against) == {MISSING[s] for s in NEEDED[1:]}
    assert drive.held.number == 1


def test_step_said_just_before_a_further_shutdown_is_old() -> None:
    """By the order in which it was said, not by the clock, which may have been set back."""
    drive = Drive()
    drive.step(LockoutStep.CLEARED)
    drive.trip()
    drive.utc_ms -= 86_400_000

    assert drive.held.last(LockoutStep.CLEARED) is None
    drive.step(LockoutStep.CLEARED)
    assert drive.held.last(LockoutStep.CLEARED) is not None


def test_isolation_before_any_shutdown_opens_a_lockout() -> None:
    """Planned work: who reports a lock is not to find the drive released; so can a person by hand."""
    drive = Drive(opened=False)
    drive.step(LockoutStep.ISOLATION, FITTER, lock_number="L-7")
    assert drive.events == ["opened", "isolation_reported"]
    assert drive.held.is_open

    held, told, answer = open_by_hand(Lockout("PC2"), NIGHT, "inspection", 5)
    again, refused, no = open_by_hand(held, NIGHT, "", 6)

    assert (answer.ok, held.is_open, [e.event for e in told]) == (True, True, ["opened"])
    assert (no.ok, again, refused[0].event) == (False, held, "refused")


def test_step_after_the_release_is_kept_as_late() -> None:
    """A report that comes late is recorded all the same, and opens nothing."""
    drive = Drive()
    drive.walk()
    drive.release()

    assert "no lockout is open" in drive.step(LockoutStep.CLEARED)
    assert drive.entries[-1].data["late"]
    assert not drive.held.is_open
    assert "no lockout is open" in drive.release()[1]


def test_lock_that_nobody_took_off_goes_on_into_the_next_lockout() -> None:
    """A site that needs no isolation for a release still does not lose sight of a lock."""
    drive = Drive()
    drive.step(LockoutStep.ISOLATION, FITTER, lock_number="L-7")
    drive.held = drive.held._replace(is_open=False)
    drive.trip()

    assert [lock.person for lock in drive.held.locks_on] == ["fitter1"]


def test_cause_is_of_the_list_or_in_own_words() -> None:
    """What is not on the list is kept and said so."""
    drive = Drive()

    assert "list" not in drive.step(LockoutStep.CAUSE, cause="ice", remark="in the launder")
    assert "not on the site's list" in drive.step(LockoutStep.CAUSE, cause="a ladder")
    assert "list" not in drive.step(LockoutStep.CAUSE, remark="unknown yet")
    assert [e.data["cause"] for e in drive.entries[1:]] == ["ice", "a ladder", ""]


def test_texts_are_cut() -> None:
    """No remark fills the state or the journal."""
    drive = Drive()
    long = "x" * 100_000
    drive.step(
        LockoutStep.ISOLATION, remark=long, lock_number=long, cause=long, whom=long, name=long, facts=(long,) * 9
    )

    assert len(drive.held.reports["isolation_reported/fitter1"].remark) == MAX_TEXT
    assert len(canonical(drive.entries[-1].data)) < 3_000


def test_lockout_comes_back_as_it_was() -> None:
    """From JSON to the same value; a test run ends with the machine's start, not with the service's."""
    drive = Drive()
    drive.walk()
    drive.step(LockoutStep.TEST_RUN, SUPER, name="jog")
    kept = TypeAdapter(Lockout)
    back = kept.validate_json(kept.dump_json(drive.held))

    assert back == drive.held
    assert after_restart(back, same_boot=True) == drive.held
    assert on_tick(after_restart(back, same_boot=False), 2)[1][0].event == "test_run_end"
