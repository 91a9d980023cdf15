"""People's own locks on the machine beside the record of them, with more locks than the record has lines for.

The machine is a plain set of who hangs there by which number. Everybody reports what is so, some of it twice (the
answer was lost, say). The laws: nobody is off the record while a lock of theirs hangs there, and whoever has reported
each of theirs as removed is: no lock counts twice, however often it is reported.
"""

from __future__ import annotations

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule
from pydantic import TypeAdapter

from nightrake.alarms import locks as record
from nightrake.alarms.lockout import Lockout, why_no_exception
from nightrake.alarms.lockoutsteps import Said
from nightrake.alarms.rights import Who

PEOPLE, NUMBERS = ("fitter", "night"), ("1", "2", "3", "4", "L-5")
BOSS = Who("boss", "supervisor", "signature")
ABSENT = ("not at the gate", "telephoned", "told at the gate")
LINES = 3
KEPT: TypeAdapter[tuple[record.Lock, ...]] = TypeAdapter(tuple[record.Lock, ...])
who = st.sampled_from(("fitter", "fitter", "night"))
which = st.sampled_from(NUMBERS)


class LockLaws(RuleBasedStateMachine):
    """See the module."""

    def __init__(self) -> None:
        super().__init__()
        self.locks: tuple[record.Lock, ...] = ()
        self.hangs: set[tuple[str, str]] = set()
        self.utc_ms = 1_780_000_000_000

    def reports_on(self, person: str, number: str) -> None:
        self.utc_ms += 1_000
        self.locks = record.put_on(self.locks, person, number, self.utc_ms).locks

    def reports_off(self, person: str, number: str) -> record.Noted:
        self.utc_ms += 1_000
        noted = record.take_off(self.locks, person, person, number, self.utc_ms)
        assert noted.done or noted.locks == self.locks
        assert noted.done or noted.notes, "nothing was done, and nothing says so"
        self.locks = noted.locks
        return noted

    @rule(person=who, number=which)
    def puts_on(self, person: str, number: str) -> None:
        """A lock of their own, reported once; what hangs there already is no other."""
        if (person, number) not in self.hangs:
            self.hangs.add((person, number))
            self.reports_on(person, number)

    @rule(person=who, number=which)
    def says_once_more_that_it_is_on(self, person: str, number: str) -> None:
        """Its answer was lost, say."""
        if (person, number) in self.hangs:
            self.reports_on(person, number)

    @rule(person=who, number=which, times=st.integers(1, 3), named=st.booleans())
    def takes_off(self, person: str, number: str, times: int, named: bool) -> None:
        """And reports that, perhaps several times, without its number only where it is the only one."""
        mine = {n for p, n in self.hangs if p == person}
        if number not in mine or not (named or mine == {number}):
            return
        self.hangs.discard((person, number))
        for _ in range(times):
            self.reports_off(person, number if named else "")

    @rule(person=who, number=which)
    def is_absent(self, person: str, number: str) -> None:
        """A supervisor has a lock of theirs cut, and says which."""
        said = Said(whom=person, lock_number=number, facts=ABSENT)
        if (person, number) in self.hangs and not why_no_exception(self.held, BOSS, said):
            self.hangs.discard((person, number))
            self.utc_ms += 1_000
            self.locks = record.take_off(self.locks, person, "exception by boss", number, self.utc_ms).locks

    @rule()
    def service_restarts(self) -> None:
        self.locks = KEPT.validate_json(KEPT.dump_json(self.locks))

    @rule()
    def another_lockout(self) -> None:
        """What hangs there goes on, and nothing else."""
        self.locks = self.held.locks_on

    @property
    def held(self) -> Lockout:
        return Lockout("PC1", 1, is_open=True, locks=self.locks)

    @rule(person=who)
    def all_of_a_person_come_off(self, person: str) -> None:
        """Each by its number."""
        for number in NUMBERS:
            if (person, number) in self.hangs:
                self.hangs.discard((person, number))
                self.reports_off(person, number)
        assert record.on_of(self.locks, person) == ()

    @invariant()
    def as_many_are_on_the_record_as_hang_there(self) -> None:
        for person in PEOPLE:
            hang = sum(p == person for p, _ in self.hangs)
            assert record.count_of(record.on_of(self.locks, person)) == hang, person

    @invariant()
    def it_is_bounded(self) -> None:
        assert len(self.locks) <= 2 * LINES + len(PEOPLE)


@pytest.fixture(autouse=True)
def short_list(monkeypatch: pytest.MonkeyPatch) -> None:
    """Sixty-five locks would be a long walk."""
    monkeypatch.setattr(record, "MAX_LOCKS", LINES)


TestLockLaws = LockLaws.TestCase
TestLockLaws.settings = settings(max_examples=150, stateful_step_count=40)
