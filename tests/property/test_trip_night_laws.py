"""Trips one after the other on a drive that people start, lose sight of and release: laws of what must be told.

The laws see only what each scan read. A contact that operates after it was read released is a further trip if the motor
was seen to start in between, or it was not read operated for five seconds; with neither it has bounced. A release needs
all reports after the last trip, whatever was said before it.
"""

from __future__ import annotations

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from callnights import NOBODY, ONE, PEOPLE, RESPONSE, ROTA, SHUTDOWN, TWO, Night
from nightrake.alarms.life import ACTIVE, Life
from nightrake.alarms.lockout import LockoutRules
from nightrake.alarms.response import Response
from nightrake.alarms.rota import Person
from works import MS, SECOND

FITTER = Person("fitter", "Fitter", "maintenance")
OTHER = Person("boss2", "Other supervisor", "supervisor")
CREW = RESPONSE._replace(rota=ROTA._replace(people={**PEOPLE, "fitter": FITTER, "boss2": OTHER}))
TWO_SPEAK = CREW._replace(two_persons=frozenset({"release"}))
NO_STEPS = TWO_SPEAK._replace(lockout=LockoutRules(needs=(), after_shutdown=True))
RESPONSES: dict[str, Response] = {"crew": CREW, "two": TWO_SPEAK, "no steps": NO_STEPS, "nobody": NOBODY}
STEPS = ("isolation_reported", "zero_energy_reported", "cause", "cleared", "contacts_proved", "area_clear")
OLD_WITH_A_TRIP = STEPS[1:]
APART_NS = 5 * SECOND
ROLES = {"boss": "supervisor", "boss2": "supervisor", "fitter": "maintenance"}


class TripNights(RuleBasedStateMachine):
    """One drive that trips, E beside it, and a crew."""

    def __init__(self) -> None:
        super().__init__()
        self.which, self.there = "crew", True
        self.night = Night(CREW)
        self.operated, self.runs = False, True  # of the plant
        self.seen_operated: bool | None = False  # when last read; None = before the watch began
        self.gone_ns = self.night.now_ns  # since when it has not been read operated
        self.ran: bool | None = True
        self.start_ns = 0
        self.after_trip: set[str] = set()  # reported since the last trip
        self.hang: set[str] = set()
        self.asked: list[tuple[str, int]] = []  # who asked for the release since the last trip, and when
        self.unsure = False  # nobody watched for a while, and it has not been read operated since

    # --- the plant ---

    @rule(operated=st.booleans(), runs=st.booleans(), after_ms=st.sampled_from((100, 500, 500, 2_000, 6_000)))
    def reads(self, operated: bool, runs: bool, after_ms: int) -> None:
        """A scan of what is so now."""
        self.operated, self.runs = operated, runs
        self.scan(after_ms)

    @rule(operated=st.lists(st.booleans(), min_size=2, max_size=5), after_ms=st.sampled_from((100, 400)))
    def bounces(self, operated: list[bool], after_ms: int) -> None:
        """A contact that comes and goes, the motor as it is."""
        for each in operated:
            self.reads(each, self.runs, after_ms)

    @rule(after_ms=st.sampled_from((200, 1_000)))
    def is_started_and_trips(self, after_ms: int) -> None:
        """Standing and released, started, operated, and stopped by the wire."""
        self.reads(False, False, 500)
        self.reads(False, True, after_ms)
        self.reads(True, True, after_ms)
        self.reads(True, False, after_ms)

    @rule(seconds=st.sampled_from((1, 3, 8, 90)))
    def cannot_be_read(self, seconds: int) -> None:
        """No reply; what happens meanwhile nobody sees."""
        blocks = self.night.blocks("contact:forward/shutdown/A", drive="D") if self.there else []
        for _ in range(seconds):
            self.night.scan(500, bad=blocks)
            self.night.tick(500)

    @rule(after_ms=st.sampled_from((100, 300)), again=st.booleans())
    def trips_as_it_starts_and_bounces(self, after_ms: int, again: bool) -> None:
        """A jammed rake, within a second of its start; perhaps twice."""
        for _ in range(1 + again):
            self.reads(False, False, 2_000)
            self.reads(False, True, after_ms)
            self.bounces([True, False, True], after_ms)
            self.reads(True, False, after_ms)

    @rule(seconds=st.sampled_from((1, 3, 8)), released_ms=st.sampled_from((500, 3_000)), runs=st.booleans())
    def is_lost_from_sight(self, seconds: int, released_ms: int, runs: bool) -> None:
        """Standing and released when last read; operated when it can be read again."""
        self.reads(True, False, 500)
        self.reads(False, False, released_ms)
        self.reads(False, False, released_ms)
        self.cannot_be_read(seconds)
        self.reads(True, runs, 500)

    def scan(self, after_ms: int) -> None:
        night = self.night
        if self.there:
            night.operate("D", "shutdown/A", self.operated)
            night.set("D", "running", int(self.runs))
        before, count = night.shutdown("D").life, len(night.entries)
        number, tripped_at = night.state.alarms.lockout_of("D").number, night.state.alarms.lockout_of("D").tripped_at
        night.scan(after_ms)
        night.tick(10)
        if not self.there:
            return
        now_ns = night.now_ns - 10 * MS
        if self.runs and self.ran is False:
            self.start_ns = now_ns
        self.ran = self.runs
        if self.operated:
            told = [e for e in night.entries[count:] if e.event.startswith("raised") and e.data["alarm"] == SHUTDOWN]
            self.judge(before, bool(told), now_ns)
            if told:
                self.after_trip -= set(OLD_WITH_A_TRIP)
                self.asked, self.start_ns = [], 0  # one start, one trip
                held = night.state.alarms.lockout_of("D")
                assert held.is_open, "a trip without a lockout"
                assert (held.number, held.tripped_at) != (number, tripped_at), "its reports of before still count"
                if self.which != "nobody":
                    assert SHUTDOWN in night.state.alarms.calls.running
        elif self.seen_operated is not False:
            self.gone_ns = now_ns
        self.seen_operated = self.operated

    def judge(self, before: Life, told: bool, now_ns: int) -> None:
        unsure, self.unsure = self.unsure, False
        if self.seen_operated:
            assert not told, "operated all along, and told as a trip"
        elif before not in ACTIVE:
            assert told, "a trip that is not told"
        elif unsure:
            return  # nobody knows what was while nobody watched: it may be taken for either
        elif now_ns - self.gone_ns >= APART_NS or self.start_ns >= self.gone_ns:
            assert told, "a further trip that is not told"
        elif self.start_ns < self.gone_ns - SECOND:
            assert not told, "a bounce that is told as a trip"

    # --- people ---

    def does(self, verb: str, actor: str, **said: str) -> bool:
        """A person asks for something about D."""
        role = ROLES[actor] if actor in self.night.response.rota.people else "local"
        args: dict[str, object] = {"actor": actor, "role": role, **said}
        return self.night.ask(verb, "D", "", "", **args)[0] if self.there else False

    @rule()
    def acknowledges(self) -> None:
        """Whoever is on duty."""
        if self.there:
            self.night.answer(SHUTDOWN, self.night.shutdown("D").occurrence)

    @rule(actor=st.sampled_from(("fitter", "boss")), step=st.sampled_from(STEPS))
    def reports(self, actor: str, step: str) -> None:
        """One step; an isolation with a lock of one's own."""
        was_open = self.night.state.alarms.lockout_of("D").is_open
        if self.does(step, actor, cause="sludge", lock_number=f"{actor} 1"):
            if not was_open and step == STEPS[0]:
                self.after_trip = set()
            self.after_trip |= {step} if was_open or step == STEPS[0] else set()
            self.hang |= {actor} if step == STEPS[0] else set()

    @rule(actor=st.sampled_from(("fitter", "boss")))
    def takes_own_lock_off(self, actor: str) -> None:
        """Perhaps twice over."""
        if self.does("lock_removed", actor, lock_number=f"{actor} 1"):
            self.hang.discard(actor)

    @rule(again=st.booleans(), wait_s=st.sampled_from((5, 1_200)))
    def is_worked_on(self, again: bool, wait_s: int) -> None:
        """All steps, the contact released long enough; perhaps it trips once more before the release."""
        self.reads(False, False, 500)
        for step in STEPS:
            self.reports("fitter", step)
        self.takes_own_lock_off("fitter")
        self.takes_own_lock_off("boss")
        for _ in range(wait_s // 5):
            self.reads(False, False, 5_000)
        self.releases("boss")
        if again:
            self.is_started_and_trips(200)
            for _ in range(240):
                self.reads(False, False, 5_000)
        self.releases("boss2")

    @rule(actor=st.sampled_from(("boss", "boss2", "fitter")))
    def releases(self, actor: str) -> None:
        """Only what has been reported since the last trip counts, and only now."""
        night = self.night
        before = night.state.alarms.lockout_of("D")
        ok = self.does("release", actor, reason="seen")
        after = night.state.alarms.lockout_of("D")
        if not before.is_open or after.is_open:
            if ok and before.is_open:
                self.asked.append((actor, night.now_ns))
            return
        assert self.seen_operated is False, "released with its contact operated, or not read"
        needs = {str(s) for s in night.response.lockout.needs}
        assert self.after_trip >= needs, f"released without {needs - self.after_trip} since its last trip"
        assert not self.hang, "released although somebody's lock hangs there"
        assert actor in ("boss", "boss2") or self.which != "crew"
        if "release" in night.response.two_persons:
            assert [a for a, ns in self.asked if a != actor and night.now_ns - ns < 900 * SECOND], "one person alone"
        self.after_trip, self.asked = set(), []

    # --- settings, restarts ---

    @rule(which=st.sampled_from(sorted(RESPONSES)), there=st.sampled_from((True, True, False)))
    def settings_change(self, which: str, there: bool) -> None:
        """Other people and rules; D leaves the settings, or is back."""
        self.night.reload(RESPONSES[which], TWO if there else ONE)
        self.went_by(which, there, lost=there is not self.there)

    @rule(
        which=st.sampled_from(sorted(RESPONSES)),
        there=st.sampled_from((True, True, False)),
        same_boot=st.booleans(),
        away_s=st.sampled_from((1, 30, 4_000)),
    )
    def restarts(self, which: str, there: bool, same_boot: bool, away_s: int) -> None:
        """Killed, and begun anew on what was kept."""
        self.night.restart(RESPONSES[which], TWO if there else ONE, same_boot=same_boot, away_s=away_s)
        self.night.tick(10)
        self.went_by(which, there, lost=True)

    def went_by(self, which: str, there: bool, *, lost: bool) -> None:
        self.which, self.there = which, there
        if lost:  # nobody looked meanwhile
            self.seen_operated, self.ran, self.start_ns, self.unsure = None, None, 0, True

    # --- laws ---

    @invariant()
    def what_has_tripped_is_locked_out_until_it_is_released(self) -> None:
        night = self.night
        if self.there and night.latched("D") and self.which != "nobody":
            assert night.state.alarms.lockout_of("D").is_open, "its shutdown holds it, and no lockout does"


TestTripNights = TripNights.TestCase
TestTripNights.settings = settings(max_examples=30, stateful_step_count=20)
