"""Calls held against the alarms, whatever becomes of settings and records; and how often one alarm may call at most.

The laws look at the alarms' lives and at the rows about calls, and know nothing of how calls are kept.
"""

from __future__ import annotations

from collections.abc import Callable

from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from callnights import ALARM, MINUTE, NOBODY, ONE, PEOPLE, RESPONSE, ROTA, SHUTDOWN, STEPS, TWO, Night
from nightrake.alarms.calls import Escalations, Need, Standing
from nightrake.alarms.escalation import on_acknowledge, on_tick, on_transition
from nightrake.alarms.life import Life
from nightrake.alarms.records import Alarm
from nightrake.alarms.response import Response
from nightrake.alarms.rota import Chain, Rota, Step
from nightrake.alarms.rules import AlarmOverride, AlarmRule
from nightrake.alarms.table import Priority
from nightrake.domain.site import SiteSpec
from works import SECOND

FEWER = RESPONSE._replace(rota=ROTA._replace(people={"boss": PEOPLE["boss"]}, chains={"urgent": Chain(STEPS[1:])}))
SLOW = RESPONSE._replace(
    rota=ROTA._replace(chains={p: Chain((Step(everybody=True, wait_ns=86_400 * SECOND),)) for p in ROTA.chains}),
    overrides={"alarm_contact": AlarmOverride(respond_s=86_400.0)},
)
OTHER = RESPONSE._replace(
    overrides={
        "torque_high": AlarmOverride(priority=Priority.HIGH),
        "alarm_contact": AlarmOverride(priority=Priority.LOW, respond_s=0.0, first_step=1),
    }
)
ALL = {"usual": RESPONSE, "nobody": NOBODY, "fewer": FEWER, "slow": SLOW, "other": OTHER}
DAMAGE: dict[str, Callable[[str], bool]] = {
    "nothing": lambda key: False,
    "calls": lambda key: key.startswith("call:"),
    "one call": lambda key: key == f"call:{SHUTDOWN}",
    "alarms of D": lambda key: key == "alarms:D",
    "what is small": lambda key: key == "alarms",
}
SITES: dict[str, SiteSpec] = {"E alone": ONE, "both": TWO}
CONTACTS = ("alarm/A", "shutdown/A")


class CallsHold(RuleBasedStateMachine):
    """Two drives, people who answer or do not, settings that change, a watch that is killed."""

    def __init__(self) -> None:
        super().__init__()
        self.night = Night()
        self.seen = 0
        self.silent_ns: dict[str, int] = {}  # since when each alarm has called for somebody without a call

    # --- the plant and its people ---

    @rule(drive=st.sampled_from("DE"), which=st.sampled_from(CONTACTS), operated=st.booleans())
    def contact(self, drive: str, which: str, operated: bool) -> None:
        if drive in self.night.site.drives:
            self.night.operate(drive, which, operated)
        self.go(2)

    @rule(raw=st.sampled_from((8_000, 11_500)))
    def torque(self, raw: int) -> None:
        if "D" in self.night.site.drives:
            self.night.set("D", "position", raw)
        self.go(12)

    @rule(seconds=st.sampled_from((1, 40, 200, 1_500)))
    def go(self, seconds: int) -> None:
        self.night.run(seconds, each_s=min(seconds, 20))
        self.look()

    @rule(which=st.integers(0, 5))
    def acknowledge(self, which: int) -> None:
        alarms = sorted(self.standing())
        if alarms:
            text = alarms[which % len(alarms)]
            self.night.answer(text, self.standing()[text][0].state.occurrence, who="boss")
        self.go(1)

    # --- settings and restarts ---

    @rule(which=st.sampled_from(sorted(ALL)), site=st.sampled_from(sorted(SITES)))
    def reload(self, which: str, site: str) -> None:
        self.night.reload(ALL[which], SITES[site])
        self.silent_ns.clear()  # from now on the new waits count
        self.look()

    @rule(
        which=st.sampled_from((*sorted(ALL), "")),
        site=st.sampled_from(sorted(SITES)),
        same_boot=st.booleans(),
        away_s=st.sampled_from((1.0, 100.0, 4_000.0)),
        damage=st.sampled_from(sorted(DAMAGE)),
    )
    def restart(self, which: str, site: str, same_boot: bool, away_s: float, damage: str) -> None:
        after: Response | None = ALL.get(which)
        self.night.restart(after, SITES[site], same_boot=same_boot, away_s=away_s, damage=DAMAGE[damage])
        self.silent_ns.clear()
        self.go(1)

    # --- the laws ---

    def standing(self) -> dict[str, tuple[Alarm, AlarmRule]]:
        """Alarms that are not normal, of what is in the settings."""
        book, rules = self.night.state.alarms.book, self.night.state.plan.rules
        return {
            text: (alarm, rule_of)
            for subject in book.subjects.values()
            if not subject.away
            for text, alarm in subject.alarms.items()
            if alarm.state.life is not Life.NORMAL and (rule_of := rules.of(alarm.key)) is not None
        }

    def look(self) -> None:
        """Rows since the last look: nobody is called for what does not stand, and only who is there."""
        entries, self.seen = self.night.entries[self.seen :], len(self.night.entries)
        named = {e.data["alarm"] for e in self.night.entries if e.event in ("raised", "raised_again", "reinstated")}
        for entry in entries:
            if entry.event in ("called", "reminded"):
                assert entry.data["people"], "a call to nobody"
                assert set(entry.data["people"]) <= set(PEOPLE)
                assert entry.data["alarm"] in named
                self.silent_ns.pop(entry.data["alarm"], None)

    @invariant()
    def what_stands_has_its_call_and_nothing_else_has(self) -> None:
        alarms, rota = self.night.state.alarms, self.night.response.rota
        running, stands = alarms.calls.running, self.standing()
        assert not running or rota.people, "calls, and nobody to call"
        assert set(running) <= set(stands), "calls for what does not stand"
        if not rota.people or alarms.restored:
            self.silent_ns.clear()
            return
        for text, (alarm, rule_of) in stands.items():
            chain = rota.chains.get(rule_of.priority.value)
            if rule_of.priority is Priority.LOW and chain is None:
                continue
            longest_ns = max((s.wait_ns for s in chain.steps), default=0) if chain else 300 * SECOND
            now_ns, due_ns = self.night.now_ns, running[text].next_ns if text in running else 0
            if alarm.calling and alarm.state.life in (Life.UNACKNOWLEDGED, Life.LATCHED_UNACKNOWLEDGED):
                assert 0 < due_ns <= now_ns + longest_ns, f"{text} calls nobody"
                since_ns = self.silent_ns.setdefault(text, now_ns)
                assert now_ns - since_ns <= longest_ns + 25 * SECOND, f"{text} has been silent for too long"
            elif alarm.state.life is Life.ACKNOWLEDGED and rule_of.type.is_alarm and not alarm.overlays.suppressed:
                over_ns = now_ns + max(rule_of.respond_ns, longest_ns)
                assert 0 < due_ns <= over_ns or not rule_of.respond_ns, f"{text} is forgotten"
        self.silent_ns = {text: ns for text, ns in self.silent_ns.items() if text in stands}


TestCallsHold = CallsHold.TestCase
TestCallsHold.settings = settings(max_examples=25, stateful_step_count=30)


# --- how often ---

PACE = Rota(PEOPLE, {}, {"urgent": Chain((Step(people=("night",), wait_ns=10 * MINUTE), Step(people=("boss",))))})
NEEDS = (Need.CALL, Need.RESPOND, Need.REST, Need.OVER)


@settings(max_examples=60)
@given(
    steps=st.lists(
        st.tuples(st.integers(1, 40), st.sampled_from(NEEDS), st.booleans(), st.integers(0, 1), st.booleans()),
        min_size=20,
        max_size=150,
    )
)
def test_what_flaps_calls_at_most_twice_a_minute(steps: list[tuple[int, Need, bool, int, bool]]) -> None:
    """However an alarm comes and goes, worsens and is acknowledged: in any minute it calls once, and once more where it
    has become worse; the steps' own pace (here ten and five minutes) comes on top."""
    state, now_ns, occurrence, called_ns = Escalations(), SECOND, 1, list[int]()
    by = {"actor": "night", "role": "operator", "known_by": "signature"}
    for after_s, need, anew, severity, answers in steps:
        for _ in range(after_s):
            now_ns += SECOND
            state, told = on_tick(state, PACE, now_ns, now_ns // 1_000_000)
            called_ns += [
                now_ns for e in told if e.data.get("why") not in ("nobody answered", "still active", "reminder")
            ]
        occurrence += anew
        now = Standing(ALARM, occurrence, need, "urgent", 30 * MINUTE, severity=severity)
        state, told = on_transition(state, PACE, now, now_ns, now_ns // 1_000_000)
        called_ns += [now_ns for e in told if e.event in ("called", "reminded")]
        if answers and ALARM in state.running:
            state, _, _ = on_acknowledge(state, PACE, ALARM, occurrence, by, now_ns, now_ns // 1_000_000)

    for first, third in zip(called_ns, called_ns[2:], strict=False):
        assert third - first >= 59 * SECOND, "three calls within a minute"
