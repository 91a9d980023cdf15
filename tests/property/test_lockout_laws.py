"""The lockout held against laws that know nothing of how it is built: what people who work on a drive may rely on."""

from __future__ import annotations

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule
from pydantic import TypeAdapter

from nightrake.alarms.lockout import Lockout, LockoutRules, after_restart, on_shutdown, on_step, on_tick
from nightrake.alarms.lockoutsteps import LockoutStep, Said
from nightrake.alarms.release import MISSING, Facts, on_release
from nightrake.alarms.rights import SECOND_WITHIN_NS, Seconds, Who

SECOND = 1_000_000_000
PEOPLE = (
    Who("fitter", "maintenance", "signature"),
    Who("operator", "operator", "signature"),
    Who("super1", "supervisor", "signature"),
    Who("super2", "supervisor", "page session"),
)
SUPERVISORS = {"super1", "super2"}
RULES = LockoutRules(causes=("ice",), release_torque_nm={"PC1": 100.0})
PLAIN = tuple(set(LockoutStep) - {LockoutStep.LOCK_EXCEPTION, LockoutStep.ISOLATION, LockoutStep.LOCK_REMOVED})
AGAIN_AFTER_TRIP = set(MISSING) - {LockoutStep.ISOLATION}
FACTS = (
    Facts(torque_nm=50.0, torque_is="exact", torque_fitted=True),
    Facts(),
    Facts(operated=("A",), torque_nm=50.0, torque_is="exact", torque_fitted=True),
    Facts(unreadable=("A",)),
    Facts(torque_nm=101.0, torque_is="exact", torque_fitted=True),
    Facts(torque_nm=101.0, torque_is="beyond", torque_fitted=True),
    Facts(torque_fitted=True),
)
ABSENT = ("seen at the gate", "telephoned", "told at the gate")
KEPT = TypeAdapter(Lockout)


def needs_a_reason(facts: Facts) -> bool:
    return facts.torque_fitted and facts.torque_nm is None


def stands_against(facts: Facts) -> bool:
    high = facts.torque_nm is not None and facts.torque_nm > 100.0
    return bool(facts.operated or facts.unreadable or high)


class LockoutLaws(RuleBasedStateMachine):
    """People with their locks, a machine, and a clock that is set back now and then."""

    two = frozenset[str]()

    def __init__(self) -> None:
        super().__init__()
        self.held = Lockout("PC1")
        self.seconds = Seconds()
        self.now_ns = SECOND
        self.utc_ms = 1_780_000_000_000
        self.open = False
        self.count = 0
        self.locks: list[tuple[str, str]] = []  # whose hang there, with their numbers
        self.off_without_number: list[str] = []  # whose have come off before their number was given
        self.blank_utc_ms: dict[str, int] = {}  # when each put the one on whose number is not given
        self.said_off: dict[tuple[str, str], list[int]] = {}  # whose came off in this lockout, by number, and when
        self.done: set[LockoutStep] = set()
        self.run_until_ns = 0
        self.asked: tuple[str, int] | None = None  # who asked for the release first, and when

    # --- what happens ---

    @rule()
    def shutdown(self) -> None:
        self.held, told = on_shutdown(self.held, "x", self.utc_ms)
        assert len(told) == 1
        if self.open:
            self.done -= AGAIN_AFTER_TRIP
            self.asked = None
        else:
            self.opens()

    @rule(who=st.sampled_from(PEOPLE), number=st.sampled_from(("", "L-1", "L-2")))
    def isolates(self, who: Who, number: str) -> None:
        self.record(LockoutStep.ISOLATION, who, Said(lock_number=number))
        if not self.open:
            self.opens()
        mine = self.mine(who.actor)
        if number and number not in mine and "" in mine:
            self.locks.remove((who.actor, ""))
            self.locks.append((who.actor, number))
        elif number not in mine and not (mine and not number):
            self.locks.append((who.actor, number))
            self.blank_utc_ms |= {} if number else {who.actor: self.utc_ms}
        self.done.add(LockoutStep.ISOLATION)

    @rule(who=st.sampled_from(PEOPLE), number=st.sampled_from(("", "L-1", "L-2", "L-77")))
    def removes_own_lock(self, who: Who, number: str) -> None:
        self.record(LockoutStep.LOCK_REMOVED, who, Said(lock_number=number))
        mine = self.mine(who.actor)
        named, only = [n for n in (number, "") if n in mine][:1], mine if len(mine) == 1 else []
        if named == [""] and any(t > self.blank_utc_ms[who.actor] for t in self.said_off.get((who.actor, number), ())):
            named = []  # said once more of the lock that came off while this one hung there
        taken = named if number else only
        for each in taken:
            self.comes_off(who.actor, each, number)
        if number and not taken and not mine and who.actor in self.off_without_number:
            self.off_without_number.remove(who.actor)
            self.said_off.setdefault((who.actor, number), []).append(self.said_off[who.actor, ""].pop(0))

    def comes_off(self, person: str, on: str, number: str) -> None:
        """A lock that is on record by one number, perhaps none, comes off by another."""
        self.locks.remove((person, on))
        self.off_without_number += [] if on or number else [person]
        self.said_off.setdefault((person, on or number), []).append(self.utc_ms)

    def mine(self, person: str) -> list[str]:
        return [number for whose, number in self.locks if whose == person]

    @rule(who=st.sampled_from(PEOPLE), whom=st.sampled_from(PEOPLE), told=st.booleans())
    def speaks_for_an_absent_person(self, who: Who, whom: Who, told: bool) -> None:
        said = Said(whom=whom.actor, facts=ABSENT if told else ABSENT[:2])
        before = self.held
        self.held, entries, answer = on_step(
            self.held, RULES, LockoutStep.LOCK_EXCEPTION, who, said, self.now_ns, self.utc_ms
        )
        assert len(entries) == 1
        theirs = self.mine(whom.actor)
        allowed = told and who.actor in SUPERVISORS and who is not whom and len(theirs) == 1
        assert answer.ok is allowed
        if allowed:
            self.comes_off(whom.actor, theirs[0], "")
        else:
            assert self.held is before

    @rule(who=st.sampled_from(PEOPLE), step=st.sampled_from(PLAIN), limit_s=st.sampled_from((0.0, 30.0, 1e9)))
    def reports(self, who: Who, step: LockoutStep, limit_s: float) -> None:
        self.record(step, who, Said(remark="r", cause="ice", whom="fitter", name="jog", limit_s=limit_s))
        if step is LockoutStep.TEST_RUN:
            self.run_until_ns = self.now_ns + round(min(limit_s or 600.0, 3_600.0)) * SECOND
        elif step is LockoutStep.TEST_RUN_END:
            self.run_until_ns = 0
        elif self.open and step in MISSING:
            self.done.add(step)

    @rule(
        first=st.sampled_from(PEOPLE),
        second=st.sampled_from(PEOPLE),
        left_out=st.sampled_from((None, None, None, *MISSING)),
        before=st.sampled_from(("", "", "lock", "run")),
        between=st.sampled_from(("", "", "shutdown", "time")),
        facts=st.sampled_from((FACTS[0], FACTS[0], *FACTS)),
    )
    def goes_the_whole_way(
        self, first: Who, second: Who, left_out: LockoutStep | None, before: str, between: str, facts: Facts
    ) -> None:
        """Too long a way to be walked at random, so that releases are seen too: with a step left out, or disturbed."""
        self.everybody_removes_their_locks()
        if left_out is LockoutStep.ISOLATION:
            self.shutdown()
        else:
            self.isolates(first, "L-9")
            self.removes_own_lock(first, "L-9")
        self.reports(first, LockoutStep.TEST_RUN_END, 0.0)
        for step in MISSING:
            if step is not LockoutStep.ISOLATION and step is not left_out:
                self.reports(first, step, 0.0)
        if before == "lock":
            self.isolates(second, "L-8")
        elif before == "run":
            self.reports(second, LockoutStep.TEST_RUN, 30.0)
        self.releases(first, facts, "")
        if between == "shutdown":
            self.shutdown()
        elif between == "time":
            self.time_passes(700)
            self.time_passes(700)
        self.releases(second, facts, "")

    @rule(who=st.sampled_from(PEOPLE), facts=st.sampled_from(FACTS), reason=st.sampled_from(("", "seen at rest")))
    def releases(self, who: Who, facts: Facts, reason: str) -> None:
        before = self.held
        self.held, self.seconds, told, answer = on_release(
            self.held, RULES, self.two, self.seconds, who, reason, facts, self.now_ns, self.utc_ms
        )
        assert len(told) == 1
        free = self.may_be_released(facts, reason)
        if self.held.is_open or not before.is_open:
            assert self.held == before, "a refused release changed something"
            waits = bool(self.two) and free and answer.ok
            if waits:
                self.asked = (who.actor, self.now_ns)
            assert answer.ok is waits
            assert answer.ok or told[0].data["reason"] in answer.text
            if free and not self.two:
                assert who.actor not in SUPERVISORS, answer.text
            return
        assert free, "released against what stands against it"
        if self.two:
            assert self.asked is not None
            first, at_ns = self.asked
            assert first != who.actor, "one person alone"
            assert {first, who.actor} & SUPERVISORS
            assert self.now_ns < at_ns + SECOND_WITHIN_NS
        else:
            assert who.actor in SUPERVISORS
        self.open, self.done, self.asked, self.run_until_ns = False, set(), None, 0

    @rule(seconds=st.sampled_from((1, 40, 700, 4_000)))
    def time_passes(self, seconds: int) -> None:
        self.now_ns += seconds * SECOND
        self.utc_ms += seconds * 1000
        self.held, told = on_tick(self.held, self.now_ns)
        assert len(told) == (0 < self.run_until_ns <= self.now_ns)
        if self.run_until_ns <= self.now_ns:
            self.run_until_ns = 0

    @rule()
    def clock_is_set_back(self) -> None:
        self.utc_ms -= 86_400_000

    @rule()
    def service_restarts(self) -> None:
        self.held = after_restart(KEPT.validate_json(KEPT.dump_json(self.held)), same_boot=True)

    # --- the laws ---

    @invariant()
    def nobodys_lock_is_lost_or_made_up(self) -> None:
        assert sorted((lock.person, lock.number) for lock in self.held.locks_on) == sorted(self.locks)

    @invariant()
    def it_is_open_until_it_was_released(self) -> None:
        assert (self.held.is_open, self.held.number) == (self.open, self.count)

    @invariant()
    def a_test_run_has_an_end(self) -> None:
        assert self.held.in_test_run(self.now_ns) is (self.open and self.now_ns < self.run_until_ns)
        assert self.held.run_until_ns <= self.now_ns + 3_600 * SECOND

    # --- helpers ---

    def everybody_removes_their_locks(self) -> None:
        """Each by its number, and those are given that were not."""
        for person in PEOPLE:
            for number in self.mine(person.actor):
                self.removes_own_lock(person, number)
            while person.actor in self.off_without_number:
                self.removes_own_lock(person, "L-77")

    def record(self, step: LockoutStep, who: Who, said: Said) -> None:
        """Every step can be recorded at any time, by anybody, and says what it is not."""
        self.held, told, answer = on_step(self.held, RULES, step, who, said, self.now_ns, self.utc_ms)
        assert answer.ok, answer.text
        assert told[-1].event == step
        assert told[-1].data["actor"] == who.actor
        assert "isolates nothing" in answer.text

    def opens(self) -> None:
        self.open, self.done, self.asked, self.run_until_ns = True, set(), None, 0
        self.count += 1
        self.off_without_number = []
        self.said_off = {}

    def may_be_released(self, facts: Facts, reason: str) -> bool:
        told = not needs_a_reason(facts) or bool(reason)
        reported = self.done >= set(MISSING) and not self.locks and not self.off_without_number
        run = self.now_ns < self.run_until_ns
        return self.open and not stands_against(facts) and told and reported and not run


class LockoutLawsOfTwo(LockoutLaws):
    """The same at a site that asks for two different people."""

    two = frozenset({"release"})


TestLockoutLaws = LockoutLaws.TestCase
TestLockoutLaws.settings = settings(max_examples=120, stateful_step_count=60)
TestLockoutLawsOfTwo = LockoutLawsOfTwo.TestCase
TestLockoutLawsOfTwo.settings = settings(max_examples=120, stateful_step_count=60)
