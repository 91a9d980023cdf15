"""Escalation held against laws that know nothing of how it is built: what a person at night may rely on.

The laws are judged by a ledger beside it: when was somebody last called for an alarm, and who has answered for it.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule
from pydantic import TypeAdapter

from nightrake.alarms.calls import Escalations, Need, Standing
from nightrake.alarms.escalation import after_restart, on_acknowledge, on_tick, on_transition
from nightrake.alarms.rota import Chain, Person, Rota, Step, Team
from nightrake.domain.rows import Entry

SECOND = 1_000_000_000
PEOPLE = ("op", "sup", "eng", "boss")
RESPOND_S = 1_800
STEPS = (
    Step(teams=("ops",), wait_ns=300 * SECOND, remind_ns=100 * SECOND),
    Step(teams=("nobody",), wait_ns=300 * SECOND),
    Step(people=("sup",), wait_ns=600 * SECOND),
    Step(everybody=True, wait_ns=400 * SECOND, remind_ns=399 * SECOND),
)
LONGEST_S = 600
APART_S = 60
"""An alarm that was called less than this ago is called at its end at the latest when it comes again."""
ROTA = Rota(
    people={p: Person(p, p, "operator") for p in PEOPLE},
    teams={"ops": Team("ops", "Operators", ("op",)), "nobody": Team("nobody", "Nobody")},
    chains={"urgent": Chain(STEPS, rounds=1), "high": Chain(STEPS[:3]), "low": Chain(STEPS[:1], rounds=2)},
)
FEWER = ROTA._replace(chains={"urgent": Chain(STEPS[2:3])})
PRIORITY = {"A": "urgent", "B": "high", "C": "low", "D": "urgent"}
KEPT = TypeAdapter(Escalations)
BY = {"role": "operator", "known_by": "signature"}


@dataclass
class Ledger:
    """What one alarm is known to have done, from outside."""

    occurrence: int = 0
    need: Need = Need.OVER
    severity: int = 0
    called_ns: int = -APART_S * SECOND  # last called or reminded
    since_ns: int = 0  # since when it has called without a break and without an answer
    answered_ns: int = 0  # last accepted acknowledgement of this occurrence, 0 = none, or it has called again since
    by: str = ""
    told: set[str] = field(default_factory=set)  # since `since_ns`
    ended: bool = False  # its rounds are used up


class EscalationLaws(RuleBasedStateMachine):
    """Alarms, people and two clocks."""

    def __init__(self) -> None:
        super().__init__()
        self.state = Escalations()
        self.rota = ROTA
        self.now_ns = 50 * SECOND
        self.utc_ms = 1_780_000_000_000
        self.alarms = {name: Ledger() for name in PRIORITY}

    # --- alarms ---

    @rule(name=st.sampled_from("ABCD"))
    def raise_anew(self, name: str) -> None:
        alarm = self.alarms[name]
        alarm.occurrence += 1
        alarm.answered_ns, alarm.by, alarm.ended = 0, "", False
        self.see(name, Need.CALL, must_call=True)

    @rule(name=st.sampled_from("ABCD"), need=st.sampled_from((Need.REST, Need.OVER)))
    def needs_nobody(self, name: str, need: Need) -> None:
        if self.alarms[name].occurrence:
            assert self.see(name, need) == [], "calls for what needs nobody"

    @rule(name=st.sampled_from("ABCD"))
    def needs_somebody_again(self, name: str) -> None:
        """The end of a shelf, or active again: unanswered or answered as it was."""
        alarm = self.alarms[name]
        if alarm.need is Need.REST:
            self.see(name, Need.RESPOND if alarm.by else Need.CALL, must_call=not alarm.by)

    @rule(name=st.sampled_from("ABCD"))
    def worsens(self, name: str) -> None:
        alarm = self.alarms[name]
        if alarm.need in (Need.CALL, Need.RESPOND):
            alarm.severity += 1  # and so worse than ever: never put off
            alarm.called_ns = -APART_S * SECOND
            alarm.answered_ns, alarm.ended, alarm.since_ns, alarm.told = 0, False, self.now_ns, set()
            self.see(name, alarm.need, must_call=True)

    @rule(name=st.sampled_from("ABCD"), back=st.integers(1, 3))
    def late_news_of_an_older_occurrence(self, name: str, back: int) -> None:
        alarm, before = self.alarms[name], self.state
        if alarm.occurrence > back and alarm.need is not Need.OVER:
            old = self.standing(name, Need.OVER)._replace(occurrence=alarm.occurrence - back)
            self.state, told = on_transition(self.state, self.rota, old, self.now_ns, self.utc_ms)
            assert (self.state, told) == (before, ())

    # --- people ---

    @rule(name=st.sampled_from("ABCD"), who=st.sampled_from(PEOPLE))
    def acknowledge(self, name: str, who: str) -> None:
        alarm = self.alarms[name]
        ok, text = self.answer(name, alarm.occurrence, who)
        if alarm.need is Need.OVER:
            assert not ok
        elif alarm.answered_ns:
            assert not ok, "accepted twice"
            assert f"{alarm.by} (" in text, "the second was not told by whom"
        elif alarm.by == "?" and not ok:
            assert "has acknowledged it already" in text  # before the start of the machine, and its time is not over
        else:
            assert ok, text
            alarm.answered_ns, alarm.by, alarm.since_ns, alarm.ended = self.now_ns, who, 0, False
            if alarm.need is Need.CALL:
                self.see(name, Need.RESPOND)

    @rule(name=st.sampled_from("ABCD"), off=st.sampled_from((-3, -1, 1, 7)))
    def acknowledge_another_occurrence(self, name: str, off: int) -> None:
        before = self.state
        ok, text = self.answer(name, self.alarms[name].occurrence + off, "op")
        assert not ok
        assert self.state is before, "it silenced something"
        assert "not acknowledged: " in text

    # --- time, restarts, settings ---

    @rule(seconds=st.sampled_from((0.1, 1, 30, 99, 100, 299, 301, 599, 601, 1_799, 1_801)))
    def tick(self, seconds: float) -> None:
        self.now_ns += round(seconds * SECOND)
        self.utc_ms += round(seconds * 1000)
        self.state, told = on_tick(self.state, self.rota, self.now_ns, self.utc_ms)
        self.look(told)
        for name, alarm in self.alarms.items():
            held = self.state.running.get(name)
            assert held is None or not 0 < held.next_ns <= self.now_ns, "something due was left"
            over_ns = alarm.answered_ns + RESPOND_S * SECOND
            called = PRIORITY[name] != "low" or self.rota is not FEWER  # which has no steps for what is low
            if alarm.need is Need.RESPOND and alarm.answered_ns and self.now_ns >= over_ns and called:
                raise AssertionError("the time to respond has run out in silence")
            if alarm.need is Need.RESPOND and self.now_ns >= over_ns:
                alarm.answered_ns = 0  # it waits for somebody again, though the site has no steps for it

    @rule()
    def restart(self) -> None:
        kept = KEPT.validate_json(KEPT.dump_json(self.state))
        assert kept == self.state
        self.state = after_restart(kept, self.now_ns, self.utc_ms, same_boot=True)

    @rule(away_s=st.sampled_from((0, 20, 5_000, -5_000)))
    @precondition(lambda self: self.now_ns > 100 * SECOND)
    def start_of_the_machine(self, away_s: int) -> None:
        """The monotonic clock begins anew; ledger times move with it, as if no time had passed at most."""
        jump_ns = 10 * SECOND - self.now_ns
        self.now_ns = 10 * SECOND
        self.utc_ms += away_s * 1000
        self.state = after_restart(self.state, self.now_ns, self.utc_ms, same_boot=False)
        for alarm in self.alarms.values():
            if alarm.answered_ns:
                alarm.answered_ns = 0  # how much of it is left depends on UTC; the laws of calls go on
                alarm.by = alarm.by and "?"
            alarm.called_ns += jump_ns
            alarm.since_ns = alarm.since_ns + jump_ns if alarm.since_ns else 0

    @rule(rota=st.sampled_from((ROTA, FEWER)))
    def other_settings(self, rota: Rota) -> None:
        self.rota = rota
        for alarm in self.alarms.values():
            alarm.since_ns, alarm.told = (self.now_ns if alarm.since_ns else 0), set()

    # --- the laws ---

    @invariant()
    def what_must_reach_somebody_has_a_call_due(self) -> None:
        for name, alarm in self.alarms.items():
            if alarm.need is not Need.CALL or PRIORITY[name] == "low":
                continue
            held = self.state.running[name]
            assert 0 < held.next_ns <= self.now_ns + LONGEST_S * SECOND
            assert self.state.due_ns, "nobody would look"
            assert self.state.due_ns <= held.next_ns

    @invariant()
    def no_longer_silence_than_the_longest_wait(self) -> None:
        for name, alarm in self.alarms.items():
            if alarm.need is Need.CALL and PRIORITY[name] != "low":
                assert (
                    self.now_ns - alarm.called_ns <= (2_000 + APART_S) * SECOND
                )  # the longest wait and the longest step of time

    @invariant()
    def what_is_over_is_forgotten(self) -> None:
        assert {n for n, a in self.alarms.items() if a.need is not Need.OVER} == set(self.state.running)
        if not self.state.running:
            assert self.state.due_ns == 0

    # --- helpers ---

    def standing(self, name: str, need: Need) -> Standing:
        alarm = self.alarms[name]
        respond_ns = RESPOND_S * SECOND
        return Standing(name, alarm.occurrence, need, PRIORITY[name], respond_ns, severity=alarm.severity)

    def see(self, name: str, need: Need, *, must_call: bool = False) -> list[str]:
        alarm = self.alarms[name]
        was, alarm.need = alarm.need, need
        if need is Need.CALL and was is not Need.CALL:
            alarm.since_ns, alarm.told = self.now_ns, set()
        now = self.standing(name, need)
        self.state, told = on_transition(self.state, self.rota, now, self.now_ns, self.utc_ms)
        self.look(told)
        called = [e.event for e in told if e.event in ("called", "reminded")]
        if must_call and not (PRIORITY[name] == "low" and self.rota is FEWER):
            over = any(e.event == "chain_ended" for e in told)
            assert called or over or self.is_put_off(name), "nobody was called at once"
        if need is Need.OVER:
            alarm.answered_ns, alarm.by, alarm.since_ns = 0, "", 0
        return called

    def is_put_off(self, name: str) -> bool:
        """It was called a moment ago, and is no worse: the next call is due when that is no longer so."""
        until_ns = self.alarms[name].called_ns + APART_S * SECOND
        return self.now_ns < until_ns and 0 < self.state.running[name].next_ns <= until_ns

    def answer(self, name: str, occurrence: int, who: str) -> tuple[bool, str]:
        by = {**BY, "actor": who}
        self.state, told, answer = on_acknowledge(self.state, self.rota, name, occurrence, by, self.now_ns, self.utc_ms)
        assert len(told) == 1, "an answer is journalled once, accepted or refused"
        assert [e.event for e in told] == (["calls_answered"] if answer.ok else ["refused"])
        return answer.ok, answer.text

    def look(self, told: tuple[Entry, ...]) -> None:
        """Enter what was said into the ledger, and judge it."""
        for entry in told:
            alarm = self.alarms[entry.data["alarm"]]
            assert entry.data["occurrence"] == alarm.occurrence, "a call for another occurrence"
            if entry.event == "chain_ended":
                assert PRIORITY[entry.data["alarm"]] == "low"
                alarm.ended = True
            if entry.event not in ("called", "reminded"):
                continue
            assert alarm.need in (Need.CALL, Need.RESPOND), "a call for what needs nobody"
            assert entry.data["people"], "a call to nobody"
            if alarm.answered_ns:
                assert self.now_ns >= alarm.answered_ns + RESPOND_S * SECOND, (
                    "called before its time to respond was over"
                )
                alarm.answered_ns = 0
            alarm.called_ns = self.now_ns
            alarm.told |= set(entry.data["people"])


LONGEST_TICK_S = 200


class NobodyAnswers(RuleBasedStateMachine):
    """After as long as the whole chain takes everybody has been called, and the calls never end, however time goes."""

    def __init__(self) -> None:
        super().__init__()
        self.state = Escalations()
        self.now_ns = self.called_ns = SECOND
        self.told: set[str] = set()
        self.see(Standing("A", 1, Need.CALL, "urgent", SECOND))

    def see(self, now: Standing) -> None:
        self.state, told = on_transition(self.state, ROTA, now, self.now_ns, self.now_ns // 1_000_000)
        self.look(told)

    def look(self, told: tuple[Entry, ...]) -> None:
        self.told |= {p for e in told for p in e.data.get("people", ())}
        if any(e.event in ("called", "reminded") for e in told):
            self.called_ns = self.now_ns

    @rule(ms=st.integers(1, LONGEST_TICK_S * 1000))
    def tick(self, ms: int) -> None:
        self.now_ns += ms * 1_000_000
        self.state, told = on_tick(self.state, ROTA, self.now_ns, self.now_ns // 1_000_000)
        self.look(told)

    @rule(quiet_s=st.integers(1, 60))
    def comes_and_goes(self, quiet_s: int) -> None:
        """Each time as a new occurrence; the wait for the next step is not begun anew by it."""
        held = self.state.running["A"].standing
        self.see(held._replace(need=Need.REST))
        self.now_ns += quiet_s * SECOND
        self.see(held._replace(need=Need.CALL, occurrence=held.occurrence + 1))

    @invariant()
    def in_time(self) -> None:
        late_s = 4 * LONGEST_TICK_S  # each step may be found late by one step of time
        if self.now_ns > (300 + 600 + late_s) * SECOND:
            assert self.told == set(PEOPLE)

    @invariant()
    def for_ever(self) -> None:
        assert 0 < self.state.running["A"].due_ns <= self.state.running["A"].until_ns
        assert self.now_ns - self.called_ns <= (LONGEST_S + LONGEST_TICK_S) * SECOND


TestEscalationLaws = EscalationLaws.TestCase
TestEscalationLaws.settings = settings(max_examples=60, stateful_step_count=50)
TestNobodyAnswers = NobodyAnswers.TestCase
TestNobodyAnswers.settings = settings(max_examples=30, stateful_step_count=60)
