"""Laws of what waits for people: nothing urgent or new is lost or waits long, and nobody gets more than they can bear.

Held against a record of what was marked, dropped and delivered that knows nothing of how the queue keeps it.
"""

from __future__ import annotations

from typing import Any

import hypothesis.strategies as st
from hypothesis import settings
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from nightrake.alarms.callperson import FIRST_APART_S, URGENT_APART_S, URGENT_GATHER_S, URGENT_SINGLY, URGENT_SPAN_S
from nightrake.alarms.callqueue import GATHER_S, Call, CallQueue, Limit, More

PEOPLE = ("anna", "ben")
ALARMS = tuple(f"D{i}/-/x" for i in range(14))
PRIORITIES = ("urgent", "high", "low")


class CallQueueLaws(RuleBasedStateMachine):
    """Marks, drops, sends that arrive or not, and time."""

    @initialize(messages=st.integers(2, 5))
    def begin(self, messages: int) -> None:
        self.limit = Limit(messages, 100.0)
        self.queue = CallQueue(self.limit)
        self.now_s = 1000.0
        self.seq = 0
        self.flying: list[Call | More] = []
        self.calls: dict[tuple[str, str], Call] = {}  # the latest of what still calls
        self.arrived: dict[tuple[str, str], int] = {}  # highest number that arrived
        self.got: dict[str, list[float]] = {p: [] for p in PEOPLE}  # times of what is not urgent
        self.minor: dict[str, list[float]] = {p: [] for p in PEOPLE}  # of those among it that hold nothing new
        self.alone: dict[str, list[float]] = {p: [] for p in PEOPLE}  # of urgent ones
        self.many: dict[str, list[float]] = {p: [] for p in PEOPLE}  # of urgent ones in the place of many
        self.new_since: dict[tuple[str, str], float] = {}  # first calls that have not gone out
        self.taken_at: dict[int, float] = {}

    @rule(
        person=st.sampled_from(PEOPLE),
        alarms=st.sets(st.sampled_from(ALARMS), min_size=1),
        priority=st.sampled_from(PRIORITIES),
    )
    def mark(self, person: str, alarms: set[str], priority: str) -> None:
        for alarm in sorted(alarms):
            self.seq += 1
            call = Call(person, alarm, priority, {}, self.seq, reminder=(person, alarm) in self.calls)
            self.queue.mark(call)
            self.calls[call.key] = call
            if priority == "low":
                self.new_since.pop(call.key, None)
            elif not call.reminder:
                self.new_since[call.key] = self.now_s

    @rule(person=st.sampled_from(PEOPLE))
    def test_call_goes_at_once(self, person: str) -> None:
        """Whatever the person has had."""
        self.seq += 1
        self.queue.mark(Call(person, "test-call", "high", {}, self.seq, apart=True))
        while (job := self.queue.take(self.now_s)) is not None and job.person != person:
            self._took(job)
        while job is not None and not (isinstance(job, Call) and job.apart):
            self._took(job)
            job = self.queue.take(self.now_s)
        assert job is not None, "a test call was held back"
        self.queue.done(job)

    @rule(alarm=st.sampled_from(ALARMS), tell=st.booleans())
    def over(self, alarm: str, tell: bool) -> None:
        for person in PEOPLE:
            if tell and (person, alarm) in self.calls:
                self.seq += 1
                self.queue.mark(Call(person, alarm, "high", {}, self.seq, ends=True))
            self.calls.pop((person, alarm), None)
            self.new_since.pop((person, alarm), None)
        self.queue.drop(alarm)

    @rule()
    def take(self) -> None:
        job = self.queue.take(self.now_s)
        if job is not None:
            self._took(job)

    def _took(self, job: Call | More) -> None:
        if isinstance(job, Call) and not job.ends:
            assert job.key in self.calls, "what no longer calls was sent"
            assert self.calls[job.key].seq == job.seq, "an old message was sent"
            assert job.key not in [j.key for j in self.flying if isinstance(j, Call)]
        self.flying.append(job)
        self.taken_at[id(job)] = self.now_s
        for call in job.calls if isinstance(job, More) else (job,):
            self.new_since.pop(call.key, None)

    @precondition(lambda self: self.flying)
    @rule(data=st.data())
    def arrives(self, data: Any) -> None:
        job = self.flying.pop(data.draw(st.integers(0, len(self.flying) - 1)))
        self.queue.done(job)
        calls = job.calls if isinstance(job, More) else (job,)
        for call in calls:
            self.arrived[call.key] = max(call.seq, self.arrived.get(call.key, 0))
            if call.key in self.new_since:  # a newer one had to wait for this
                self.new_since[call.key] = self.now_s
        at_s = self.taken_at[id(job)]
        if job.urgent:
            (self.many if isinstance(job, More) else self.alone)[job.person].append(at_s)
            return
        self.got[job.person].append(at_s)
        if not any(c.first for c in calls):
            self.minor[job.person].append(at_s)

    @precondition(lambda self: self.flying)
    @rule(data=st.data())
    def is_lost(self, data: Any) -> None:
        job = self.flying.pop(data.draw(st.integers(0, len(self.flying) - 1)))
        self.queue.give_back(job)
        for call in job.calls if isinstance(job, More) else (job,):
            if call.key in self.new_since or (call.first and self.calls.get(call.key) == call):
                self.new_since[call.key] = self.now_s

    @rule(seconds=st.sampled_from((0.5, GATHER_S, 30.0, 100.0)))
    def wait(self, seconds: float) -> None:
        """Everything that may go meanwhile goes."""
        until_s = self.now_s + seconds
        for _ in range(200):
            while (job := self.queue.take(self.now_s)) is not None:
                self._took(job)
            wait_s = self.queue.wait_s(self.now_s)
            if wait_s is None or self.now_s + wait_s > until_s:
                break
            self.now_s += max(wait_s, 1e-6)
        self.now_s = until_s

    @invariant()
    def nobody_gets_more_than_the_limit(self) -> None:
        if not hasattr(self, "got"):
            return
        span_s = self.limit.within_s
        spans = (
            (self.minor, span_s, self.limit.messages),
            (self.got, span_s, self.limit.messages + 1 + int(span_s / FIRST_APART_S)),
            (self.alone, URGENT_SPAN_S, URGENT_SINGLY + 1 + int(URGENT_SPAN_S / URGENT_APART_S)),
            (self.many, URGENT_SPAN_S, 1 + int(URGENT_SPAN_S / URGENT_APART_S)),
        )
        for got, within_s, most in spans:
            for times in got.values():
                for at_s in times:
                    assert sum(at_s - within_s < t <= at_s for t in times) <= most

    @invariant()
    def what_is_new_is_not_held_back_for_long(self) -> None:
        """Nothing that the person does not know yet waits longer than the messages about such things are apart."""
        if not hasattr(self, "new_since"):
            return
        flying = {j.key for j in self.flying if isinstance(j, Call)}
        for key, since_s in self.new_since.items():
            assert key in flying or self.now_s - since_s <= FIRST_APART_S + 100.0

    @invariant()
    def cursor_passes_over_nothing_that_waits(self) -> None:
        if not hasattr(self, "calls"):
            return
        for key, call in self.calls.items():
            if call.priority == "urgent" and self.arrived.get(key, 0) < call.seq:
                assert self.queue.cursor < call.seq

    def teardown(self) -> None:
        """However it went: what is urgent and still calls arrives within seconds, without waiting for any limit."""
        if not hasattr(self, "queue"):
            return
        for job in self.flying:
            self.queue.give_back(job)
        sent, until_s = set(), self.now_s + URGENT_APART_S + URGENT_GATHER_S
        while self.now_s <= until_s:
            while (urgent := self.queue.take_urgent(self.now_s)) is not None:
                self.queue.done(urgent)
                sent |= {c.seq for c in (urgent.calls if isinstance(urgent, More) else (urgent,))}
            self.now_s += 0.5
        for key, call in self.calls.items():
            if call.priority == "urgent":
                assert call.seq in sent or self.arrived.get(key, 0) >= call.seq, f"{key} was lost"


TestCallQueueLaws = CallQueueLaws.TestCase
TestCallQueueLaws.settings = settings(max_examples=80, stateful_step_count=40)
