"""Laws of what waits for people: no urgent message is lost while its alarm calls, and nobody gets more than the limit.

Held against a record of what was marked, dropped and delivered that knows nothing of how the queue keeps it.
"""

from __future__ import annotations

from typing import Any

import hypothesis.strategies as st
from hypothesis import settings
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from nightrake.alarms.callqueue import GATHER_S, Call, CallQueue, Limit, More

PEOPLE = ("anna", "ben")
ALARMS = tuple(f"D{i}/-/x" for i in range(6))
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
        self.taken_at: dict[int, float] = {}

    @rule(person=st.sampled_from(PEOPLE), alarm=st.sampled_from(ALARMS), priority=st.sampled_from(PRIORITIES))
    def mark(self, person: str, alarm: str, priority: str) -> None:
        self.seq += 1
        call = Call(person, alarm, priority, {}, self.seq)
        self.queue.mark(call)
        self.calls[call.key] = call

    @rule(alarm=st.sampled_from(ALARMS), tell=st.booleans())
    def over(self, alarm: str, tell: bool) -> None:
        for person in PEOPLE:
            if tell and (person, alarm) in self.calls:
                self.seq += 1
                self.queue.mark(Call(person, alarm, "high", {}, self.seq, ends=True))
            self.calls.pop((person, alarm), None)
        self.queue.drop(alarm)

    @rule()
    def take(self) -> None:
        job = self.queue.take(self.now_s)
        if job is None:
            return
        if isinstance(job, Call) and not job.ends:
            assert job.key in self.calls, "what no longer calls was sent"
            assert self.calls[job.key].seq == job.seq, "an old message was sent"
            assert job.key not in [j.key for j in self.flying if isinstance(j, Call)]
        self.flying.append(job)
        self.taken_at[id(job)] = self.now_s

    @precondition(lambda self: self.flying)
    @rule(data=st.data())
    def arrives(self, data: Any) -> None:
        job = self.flying.pop(data.draw(st.integers(0, len(self.flying) - 1)))
        self.queue.done(job)
        if isinstance(job, Call):
            self.arrived[job.key] = max(job.seq, self.arrived.get(job.key, 0))
        if not (isinstance(job, Call) and job.urgent):
            self.got[job.person].append(self.taken_at[id(job)])

    @precondition(lambda self: self.flying)
    @rule(data=st.data())
    def is_lost(self, data: Any) -> None:
        self.queue.give_back(self.flying.pop(data.draw(st.integers(0, len(self.flying) - 1))))

    @rule(seconds=st.sampled_from((0.5, GATHER_S, 30.0, 100.0)))
    def wait(self, seconds: float) -> None:
        self.now_s += seconds

    @invariant()
    def nobody_gets_more_than_the_limit(self) -> None:
        if not hasattr(self, "got"):
            return
        for times in self.got.values():
            for at_s in times:
                assert sum(at_s - self.limit.within_s < t <= at_s for t in times) <= self.limit.messages

    @invariant()
    def cursor_passes_over_nothing_that_waits(self) -> None:
        if not hasattr(self, "calls"):
            return
        for key, call in self.calls.items():
            if call.priority == "urgent" and self.arrived.get(key, 0) < call.seq:
                assert self.queue.cursor < call.seq

    def teardown(self) -> None:
        """However it went: what is urgent and still calls arrives at once, without waiting for any limit."""
        if not hasattr(self, "queue"):
            return
        for job in self.flying:
            self.queue.give_back(job)
        sent = set()
        while (urgent := self.queue.take_urgent(self.now_s)) is not None:
            self.queue.done(urgent)
            sent.add(urgent.seq)
        for key, call in self.calls.items():
            if call.priority == "urgent":
                assert call.seq in sent or self.arrived.get(key, 0) >= call.seq, f"{key} was lost"


TestCallQueueLaws = CallQueueLaws.TestCase
TestCallQueueLaws.settings = settings(max_examples=150, stateful_step_count=60)
