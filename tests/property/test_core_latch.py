"""The latch of a shutdown held against laws that know nothing of how it is built: what any operator may rely on."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from nightrake.alarms import standing
from nightrake.alarms.book import alarm_of
from nightrake.alarms.keys import parse_key
from nightrake.alarms.life import ACTIVE
from nightrake.domain.drive import after_restart
from nightrake.domain.inputs import Command, Tick
from nightrake.domain.newplan import begin
from nightrake.domain.rows import Entry
from nightrake.domain.site import Form, Stage, Table
from nightrake.domain.state import Outcome
from works import MS, SECOND, Works, bit, contact, rake, site_of

HOLD_MS = {"A": 200, "B": 0}
BY = ("somebody", "local", "local user")
SHUTDOWN, STARTED = "D/forward/shutdown_contact", "D/-/running_while_locked_out"


def spec_works() -> Works:
    """Two shutdown channels in blocks of their own; the rack's bit keeps the first block from ever being all zero."""
    spec = rake(
        "D",
        contact("D", Stage.ALARM, bit(0)),
        contact("D", Stage.SHUTDOWN, bit(1), hold_ms=HOLD_MS["A"]),
        contact("D", Stage.SHUTDOWN, bit(40, table=Table.COIL), channel="B", form=Form.NORMALLY_OPEN),
        rack=True,
    )
    return Works(site_of(replace(spec, stale_ns=3_600 * SECOND)))


class LatchLaws(RuleBasedStateMachine):
    """An operator, a plant and a stopwatch beside the watch."""

    def __init__(self) -> None:
        super().__init__()
        self.works = spec_works()
        self.block = {c: self.works.blocks(f"contact:forward/shutdown/{c}", drive="D")[0] for c in "AB"}
        self.level = {"A": False, "B": False}
        self.operated_since_ns: dict[str, int | None] = {"A": None, "B": None}  # in good readings, without a break
        self.good = {"A": False, "B": False}
        self.test_until_ns = 0
        self.stood = False  # seen standing while latched, in the last scan
        self.operated_ns = 0  # when a contact was last read operated
        self.acknowledged = False
        self.latched = False
        self.occurrence = 0

    # --- the plant ---

    @rule(channel=st.sampled_from("AB"), operated=st.booleans())
    def contact_moves(self, channel: str, operated: bool) -> None:
        self.level[channel] = operated
        self.works.operate("D", f"shutdown/{channel}", operated)

    @rule(on=st.integers(0, 1))
    def motor(self, on: int) -> None:
        self.works.set("D", "running", on)

    # --- inputs ---

    @rule(after_ms=st.sampled_from((50, 150, 200, 250, 1_000, 4_000, 61_000)), bad=st.sets(st.sampled_from("AB")))
    def scan(self, after_ms: int, bad: set[str]) -> None:
        before = len(self.works.entries)
        self.works.scan(after_ms, bad=[self.block[c] for c in bad])
        now_ns = self.works.now_ns
        for channel in "AB":
            self.good[channel] = channel not in bad
            if channel in bad or not self.level[channel]:
                self.operated_since_ns[channel] = None
            elif self.operated_since_ns[channel] is None:
                self.operated_since_ns[channel] = now_ns
            if self.operated_since_ns[channel] is not None:
                self.operated_ns = now_ns
        was_latched = self.latched
        self.look(self.works.entries[before:])
        self.look_at_motor(self.works.entries[before:], was_latched, "A" not in bad)  # A's block holds the feedback
        if self.held() and now_ns >= self.test_until_ns:
            assert self.works.latched("D"), "operated longer than its debounce, in good readings, outside a check"
        if bad == {"A", "B"}:
            assert not [e for e in self.works.entries[before:] if e.event == "shutdown_operated"], (
                "a bad reading raised"
            )

    @rule(after_ms=st.sampled_from((100, 3_000)))
    def tick(self, after_ms: int) -> None:
        before = len(self.works.entries)
        self.works.tick(after_ms)
        news = self.works.entries[before:]
        self.look(news)
        assert all(e.data.get("since_test") for e in news if e.event == "shutdown_operated"), "time alone raised"

    @rule(side=st.sampled_from(("", "forward")))
    def reset(self, side: str) -> None:
        was_latched, readable = self.works.latched("D"), any(self.good.values())
        before = len(self.works.entries)
        ok = self.command("reset", "D", side=side)
        if ok:
            assert was_latched, "nothing was latched"
            assert all(since_ns is None for since_ns in self.operated_since_ns.values()), "a contact read operated"
            assert readable, "the contact could not be read"
            assert self.acknowledged, "nobody had acknowledged it"
            assert self.works.now_ns - self.operated_ns >= 60 * SECOND, "the contact had only just released"
            news = [e for e in self.works.entries[before:] if e.data["alarm"] == SHUTDOWN]
            assert [e.event for e in news] == ["reset"]
            self.latched = self.stood = False
        else:
            assert self.works.latched("D") is was_latched

    @rule(late=st.booleans())
    def acknowledge(self, late: bool) -> None:
        """Of the occurrence that stands, or of the one before."""
        occurrence = self.occurrence - late
        if self.command("acknowledge", "", alarm=SHUTDOWN, occurrence=occurrence):
            assert self.latched, "there was nothing to acknowledge"
            assert not late, "of another occurrence"
            assert not self.acknowledged, "twice"
            self.acknowledged = True
        else:
            assert late or self.acknowledged or not self.latched

    @rule(seconds=st.sampled_from(("1", "30")))
    def begin_check(self, seconds: str) -> None:
        assert self.command("test", "D", arg=seconds)
        self.test_until_ns = self.works.now_ns + int(seconds) * SECOND

    @rule()
    def end_check(self) -> None:
        if self.command("test_end", "D"):
            self.test_until_ns = 0

    @rule(verb=st.sampled_from(("open", "start", "", "reset")), drive=st.sampled_from(("X", "", "d")))
    def nonsense(self, verb: str, drive: str) -> None:
        # What the first step of a run looks at would be done by any input.
        before, _ = begin(self.works.state, Tick(self.works.now_ns, self.works.utc_ms))
        assert not self.command(verb, drive)
        after = self.works.state._replace(tallies=before.tallies)  # that it was refused is counted
        assert after == before, "a refused command changed something"

    @rule(down_ms=st.sampled_from((100, 60_000)))
    def restart(self, down_ms: int) -> None:
        old = self.works
        again = spec_works()
        again.now_ns, again.values, again.entries = old.now_ns + down_ms * MS, old.values, old.entries
        drives = {"D": after_restart(again.state.wires["D"], old.state.drives["D"], again.now_ns)}
        alarms = standing.after_restart(old.state.alarms, again.now_ns, again.utc_ms, same_boot=False)
        again.state = again.state._replace(drives=drives, alarms=alarms)
        self.works = again
        self.good = dict.fromkeys("AB", False)
        self.operated_since_ns = dict.fromkeys("AB", None)
        self.test_until_ns = 0
        self.stood = False

    # --- laws ---

    def command(self, verb: str, drive: str, *, side: str = "", arg: str = "", **args: object) -> bool:
        """Exactly one answer, with the caller's own ref; one entry that says who asked, or a counted refusal."""
        works = self.works
        before = len(works.entries)
        outcome: Outcome = works.give(Command(works.now_ns, works.utc_ms, verb, drive, side, *BY, arg, "ref 1", args))
        ((ref, answer),) = outcome.answers
        assert ref == "ref 1"
        assert answer.text
        news = works.entries[before:]
        named = [e for e in news if "actor" in e.data]
        if outcome.hidden:
            (counted,) = [t.last for k, t in works.state.tallies[""].items() if t.counted and "refusals" in k]
            assert counted is not None
            named = [counted]
        assert len(named) == 1
        assert tuple(named[0].data[k] for k in ("actor", "role", "known_by")) == BY
        assert (named[0].event == "refused") is not answer.ok
        if verb != "reset":
            self.look(news)
        return answer.ok

    def held(self) -> bool:
        """Whether a channel has been read operated, without a break, for its hold."""
        now_ns = self.works.now_ns
        return any(
            since_ns is not None and now_ns - since_ns >= HOLD_MS[c] * MS
            for c, since_ns in self.operated_since_ns.items()
        )

    def look(self, news: list[Entry]) -> None:
        """What a step other than a reset has told must fit what the latch did."""
        latched, occurrence = self.works.latched("D"), self.works.shutdown("D").occurrence
        told = [e for e in news if e.event == "raised" and e.data["alarm"] == SHUTDOWN]
        again = [e for e in news if e.event == "raised_again" and e.data["alarm"] == SHUTDOWN]
        assert latched or not self.latched, "left latched without a reset"
        assert len(told) == int(latched and not self.latched), "latched and not told, or told and not latched"
        most = self.occurrence + len(told) + len(again)
        assert self.occurrence + len(told) <= occurrence <= most, "occurrences count how often it was raised"
        assert occurrence == most or not self.acknowledged, "an acknowledgement of what was not seen yet"
        assert all(e.urgent and e.data["occurrence"] == occurrence for e in (*told, *again))
        self.acknowledged = self.acknowledged and not (told or again)
        self.latched, self.occurrence = latched, occurrence

    def look_at_motor(self, news: list[Entry], was_latched: bool, readable: bool) -> None:
        """A start while latched is an alarm at once, urgently, and nothing else is called a start."""
        told = [e for e in news if e.event in ("raised", "raised_again") and e.data["alarm"] == STARTED]
        feedback = int(self.works.values[self.works.site.drives["D"].points()["running"]]) if readable else None
        if self.stood and feedback == 1:
            assert alarm_of(self.works.state.alarms.book, parse_key(STARTED)).state.life in ACTIVE, "a start untold"
        assert len(told) <= 1
        assert all(was_latched and feedback == 1 and e.urgent for e in told)
        self.stood = self.works.latched("D") and feedback == 0

    @invariant()
    def occurrence_has_its_time(self) -> None:
        """An alarm that never was has no time, any other has one."""
        state = self.works.shutdown("D")
        assert (state.occurrence > 0) is (state.raised_utc_ms > 0) or not self.latched


LatchLaws.TestCase.settings = settings(max_examples=120, stateful_step_count=40)
TestLatchLaws = LatchLaws.TestCase
"""What every operator may rely on, whatever happens in whatever order."""
