"""What anybody may rely on of an alarm, whatever happens in whatever order: laws that know nothing of the table.

A plant, people and a clock beside a book of four alarms. All that the laws know is what was said, asked and answered.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, rule
from pydantic import TypeAdapter

from nightrake.alarms import asked
from nightrake.alarms.book import advance, after_restart, alarm_of, changed_standings, on_settings, shown
from nightrake.alarms.keys import AlarmKey
from nightrake.alarms.life import Life, on_reset
from nightrake.alarms.records import Alarm, AlarmBook, Condition
from nightrake.alarms.replay import Seen, replayed
from nightrake.alarms.rules import AlarmOverride, site_rules
from nightrake.domain.rows import Entry

S = 1_000_000_000
SHUTDOWN = AlarmKey("D1", "forward", "shutdown_contact")
RUNS = AlarmKey("D1", "", "running_while_locked_out")
CONTACT = AlarmKey("D1", "forward", "alarm_contact")
HIGH = AlarmKey("D2", "forward", "torque_high")
KEYS = (SHUTDOWN, RUNS, CONTACT, HIGH)
ON_S = {SHUTDOWN: 0, RUNS: 0, CONTACT: 1, HIGH: 5}
OFF_S = {SHUTDOWN: 60, RUNS: 3, CONTACT: 60, HIGH: 60}  # a turn of 100 s
PLAIN = site_rules({"D1": 100 * S, "D2": 100 * S}, {"torque_high": AlarmOverride(max_shelve_s=3600.0)})
WITHOUT = PLAIN.judging({"D1": frozenset(str(k) for k in KEYS[:3])})
WITH = WITHOUT.judging({"D2": frozenset({str(HIGH)})})
BOOK: TypeAdapter[AlarmBook] = TypeAdapter(AlarmBook)
HOLDS = (Life.UNACKNOWLEDGED, Life.ACKNOWLEDGED)
keys = st.sampled_from((*KEYS, SHUTDOWN))
spans = st.sampled_from((0.0, 0.4, 1.0, 3.0, 10.0, 58.0, 61.0, 400.0, 4000.0))


class Lying(NamedTuple):
    """An overlay: its end by either clock, how long it was laid for, and whether it may end earlier.

    After a start of the machine only UTC can say what is left, which may have been set; it never becomes longer than
    it was laid for.
    """

    until_ns: int
    until_utc_ms: int
    whole_ns: int
    may_end: bool = False


class Known:
    """What the laws remember of one alarm."""

    def __init__(self) -> None:
        self.said: bool | None = None
        self.true_since_s: float | None = None  # said without a break, in good readings
        self.true_from_s: float | None = None  # said at all, since it was last said to be false
        self.false_since_s: float | None = None
        self.severity = 0  # as last said
        self.worst_acked = 0
        self.answered = ""  # by whom, since it last came
        self.reset = True  # since it last came; nothing was ever latched
        self.shelf: Lying | None = None
        self.permit: Lying | None = None
        self.logic = ""
        self.gone = False  # said to be gone, for long enough to be another trip, since it was last said to hold

    def forget(self) -> None:
        """Nothing has been judged since a restart."""
        self.gone = self.gone or self.said is False
        self.said = self.true_since_s = self.true_from_s = self.false_since_s = None


class AlarmLaws(RuleBasedStateMachine):
    """See the module."""

    def __init__(self) -> None:
        super().__init__()
        self.book = AlarmBook()
        self.entries: list[Entry] = []
        self.now_s = 1_000.0
        self.boot_s = 0.0
        self.utc_offset_ms = 1_790_000_000_000
        self.known = {k: Known() for k in KEYS}
        self.away, self.site = False, WITH
        self.lives = dict.fromkeys(KEYS, Life.NORMAL)
        self.steady = True  # nothing was raised in the last step
        self.seen: dict[str, Seen] = {}
        self.replayed = 0  # entries that are in `seen`
        self.numbers = dict.fromkeys(KEYS, 0)

    @property
    def now_ns(self) -> int:
        return round((self.now_s - self.boot_s) * S)

    @property
    def utc_ms(self) -> int:
        return self.utc_offset_ms + round(self.now_s * 1000)

    def alarm(self, key: AlarmKey) -> Alarm:
        return alarm_of(self.book, key)

    def is_away(self, key: AlarmKey) -> bool:
        return self.away and key.subject == "D2"

    # --- what happens ---

    @rule(key=keys, holds=st.sampled_from((True, True, False, False, None)), severity=st.integers(0, 1), then_s=spans)
    def condition_changes(self, key: AlarmKey, holds: bool | None, severity: int, then_s: float) -> None:
        """Something is said of a condition, and then time passes."""
        self.condition(key, holds, severity)
        self.time_passes(then_s)

    @rule(key=keys, holds=st.lists(st.booleans(), min_size=2, max_size=4), then_s=spans)
    def comes_and_goes(self, key: AlarmKey, holds: list[bool], then_s: float) -> None:
        """Several changes, as far apart."""
        for each in holds:
            self.condition_changes(key, each, 0, then_s)

    @rule(key=keys, then_worse=st.booleans(), answered=st.booleans(), too_early=st.booleans(), again=st.booleans())
    def lives_once(self, key: AlarmKey, then_worse: bool, answered: bool, too_early: bool, again: bool) -> None:
        """The way that most alarms go: it comes, is answered before or after it goes, goes, and is reset or is back."""
        self.condition_changes(key, True, 0, 10.0)
        if answered:
            self.acknowledge(key, False, "anna")
        if then_worse:
            self.condition_changes(key, True, 1, 1.0)
        self.condition_changes(key, False, 0, 61.0)
        if too_early:
            self.reset(key)
        self.acknowledge(key, False, "ben")
        if again:
            self.condition_changes(key, True, 0, 10.0)
        self.reset(key)

    def condition(self, key: AlarmKey, holds: bool | None, severity: int) -> None:
        """Something is said of a condition."""
        if self.is_away(key):
            return
        known = self.known[key]
        known.gone = known.gone or (known.false_since_s is not None and self.now_s - known.false_since_s >= 5.0)
        trips_again, known.gone = bool(holds) and known.gone and key is SHUTDOWN, known.gone and not holds
        if holds and known.said is not True:
            known.true_since_s = self.now_s
            known.true_from_s = self.now_s if known.true_from_s is None else known.true_from_s
        elif holds is None:
            known.true_since_s = known.false_since_s = None
        if holds is False:
            known.true_since_s = known.true_from_s = None
            known.false_since_s = self.now_s if known.said is not False else known.false_since_s
        elif holds:
            known.false_since_s = None
        known.said, known.severity = holds, severity if holds else 0
        before, count = self.alarm(key).state, len(self.entries)
        self.go(Condition(key, holds, known.logic, severity))
        after = self.alarm(key).state
        if trips_again:
            assert [e for e in self.entries[count:] if e.event.startswith("raised")], "a further trip that is not told"
            assert after.life is Life.UNACKNOWLEDGED, "a further trip, and nobody is called"
            assert before.life is Life.UNACKNOWLEDGED or after.occurrence > before.occurrence
        if holds is None:
            assert after.life is before.life, "what cannot be judged moved something"
        elif before.life is Life.ACKNOWLEDGED and holds and severity > before.severity:
            assert after.life is Life.UNACKNOWLEDGED, "worse than when it was acknowledged, and nobody is called"

    @rule(seconds=spans)
    def time_passes(self, seconds: float) -> None:
        """Ticks come late, or on time."""
        self.now_s += seconds
        self.go()

    @rule(what=st.sampled_from(("clock", "restart", "boot", "settings")), much=st.booleans())
    def disturbance(self, what: str, much: bool) -> None:
        """What comes from outside now and then."""
        if what == "clock":
            self.clock_is_set(3600 if much else -3600)
        elif what == "settings":
            self.drive_goes_or_comes_back()
        else:
            self.restart(100.0 if much else 1.0, what == "restart")

    def clock_is_set(self, by_s: int) -> None:
        """Somebody sets the clock."""
        self.utc_offset_ms += by_s * 1000
        self.go()

    @rule(key=keys, reason=st.sampled_from(("", "in test", "start inhibit")))
    def logic(self, key: AlarmKey, reason: str) -> None:
        """Logic suppresses, or ceases to."""
        known = self.known[key]
        if not self.is_away(key):
            known.logic = reason
            self.go(Condition(key, known.said, reason, known.severity))

    # --- what people do ---

    def ask(self, verb: str, key: AlarmKey, *args: object, by: str = "anna") -> bool:
        """A request; one that is refused changes nothing, and is journalled like any other."""
        before, count = self.book, len(self.entries)
        asking = asked.Asking(str(key), {"actor": by, "role": "operator"}, self.now_ns, self.utc_ms)
        done: asked.Asked = getattr(asked, verb)(self.book, self.site, asking, *args)
        self.book, told, answer = done
        self.entries += told
        if not answer.ok:
            assert self.book is before, "a refused request changed something"
        named = [e for e in self.entries[count:] if e.data.get("actor") == by]
        assert [(e.kind == "command") for e in named] == [not answer.ok]
        assert answer.text
        return answer.ok

    @rule(key=keys, older=st.sampled_from((False, False, True)), by=st.sampled_from(("anna", "ben")))
    def acknowledge(self, key: AlarmKey, older: bool, by: str) -> None:
        """Of the occurrence that stands, or of one before."""
        waiting = [k for k in KEYS if self.alarm(k).state.life is not Life.NORMAL and not self.known[k].answered]
        key = key if key in waiting or not waiting else waiting[0]
        life, state = self.alarm(key).state.life, self.alarm(key).state
        ok = self.ask("acknowledge", key, state.occurrence - older, by=by)
        known = self.known[key]
        assert not (ok and (older or known.answered)), "answered what was over, or twice"
        assert not (ok and life is Life.NORMAL), "answered nothing"
        if ok:
            known.answered, known.worst_acked = by, state.severity
        elif not older and life is not Life.NORMAL and not self.is_away(key):
            assert known.answered, "what waits for somebody refused to be answered"
        self.go()

    @rule(key=st.sampled_from((SHUTDOWN, SHUTDOWN, SHUTDOWN, CONTACT)))
    def reset(self, key: AlarmKey) -> None:
        """What latches is reset, or it is said why not."""
        known, life = self.known[key], self.alarm(key).state.life
        allowed = known.said is False and bool(known.answered) and not known.reset and not self.is_away(key)
        ok = self.ask("reset", key)
        assert not ok or allowed, "reset without acknowledgement, or of what is not seen to be gone"
        assert allowed or not on_reset(self.alarm(key).state, self.utc_ms)[1], "the life itself lets it be reset"
        if ok:
            known.reset = True
        elif allowed and life not in HOLDS:
            raise AssertionError("acknowledged, gone for its off-delay, and it cannot be reset")
        self.go()

    @rule(
        verb=st.sampled_from(("shelve", "unshelve", "out_of_service", "return_to_service")),
        key=keys,
        much=st.booleans(),
    )
    def overlay(self, verb: str, key: AlarmKey, much: bool) -> None:
        """A person's overlay, or its end."""
        {"shelve": self.shelve, "out_of_service": self.out_of_service}.get(verb, self.lift(verb))(
            key, 1800 if much else 60
        )

    def lift(self, verb: str) -> Callable[[AlarmKey, int], None]:
        def now(key: AlarmKey, seconds: int) -> None:
            if self.ask(verb, key):
                setattr(self.known[key], {"unshelve": "shelf"}.get(verb, "permit"), None)
            self.go()

        return now

    def shelve(self, key: AlarmKey, seconds: int) -> None:
        """For a while."""
        if self.ask("shelve", key, seconds * S, "known"):
            self.known[key].shelf = self.lying(seconds)
        self.go()

    def lying(self, seconds: int) -> Lying:
        return Lying(self.now_ns + seconds * S, self.utc_ms + seconds * 1000, seconds * S)

    def out_of_service(self, key: AlarmKey, seconds: int) -> None:
        """Under a permit."""
        if self.ask("out_of_service", key, seconds * S, "permit 1"):
            self.known[key].permit = self.lying(seconds)
        self.go()

    # --- what the service does ---

    def restart(self, down_s: float, same_boot: bool) -> None:
        """Through the store and back; after a start of the machine the monotonic clock begins anew."""
        self.go()
        kept = BOOK.validate_json(BOOK.dump_json(self.book))
        assert kept == self.book
        self.now_s += down_s
        if not same_boot:
            self.boot_s = self.now_s - 5.0
        self.book = after_restart(kept, self.now_ns, self.utc_ms, same_boot=same_boot)
        for known in self.known.values():
            known.forget()
            for name in ("shelf", "permit"):
                lying: Lying | None = getattr(known, name)
                if lying is not None and not same_boot:
                    after = lying._replace(until_ns=self.now_ns + lying.whole_ns, may_end=True)
                    setattr(known, name, after)
        count = len(self.entries)
        self.go()
        assert not [e for e in self.entries[count:] if e.event.startswith("raised")], "a restart raised something"

    def drive_goes_or_comes_back(self) -> None:
        """A reload of the settings, without D2 or with it again."""
        self.go()
        self.away = not self.away
        self.site = WITHOUT if self.away else WITH
        self.book, told = on_settings(self.book, self.site, self.now_ns, self.utc_ms)
        self.entries += told
        if not self.away:
            self.known[HIGH].forget()
            self.known[HIGH].logic = self.alarm(HIGH).overlays.suppressed
        self.go()

    # --- the laws ---

    def go(self, *conditions: Condition) -> None:
        """One step of the book, and one of a twin that looks at everything each time; then every law."""
        before, text = self.book, BOOK.dump_json(self.book)
        self.book, told = advance(before, self.site, conditions, self.now_ns, self.utc_ms)
        self.steady = not any(e.event.startswith("raised") for e in told)
        looked = advance(before._replace(due_ns=1), self.site, conditions, self.now_ns, self.utc_ms)[1]
        assert looked == told, "something was due, and it was not looked at"
        assert BOOK.dump_json(before) == text, "a value handed in was changed"
        self.entries += told
        for standing in changed_standings(before, self.book, self.site):
            assert (
                standing.occurrence <= self.alarm(KEYS[[str(k) for k in KEYS].index(standing.alarm)]).state.occurrence
            )
        for key in KEYS:
            self.look(key)
        self.look_at_journal()

    def look(self, key: AlarmKey) -> None:
        """One alarm."""
        alarm, known = self.alarm(key), self.known[key]
        state, latches = alarm.state, key is SHUTDOWN
        was, self.lives[key] = self.lives[key], state.life
        came = state.life is Life.UNACKNOWLEDGED and (was is not Life.UNACKNOWLEDGED)
        number, self.numbers[key] = self.numbers[key], state.occurrence
        assert state.occurrence >= number
        if state.life in HOLDS and was not in HOLDS and not alarm.chatter.active:
            assert state.occurrence > number, "who has seen the one before has not seen this one"
        assert not (self.steady and state.occurrence != number), "counted, though nothing came"
        if came:
            known.answered, known.reset = "", not latches
        if not self.is_away(key):
            self.look_at_life(key, was)
            self.look_at_overlays(key)
            self.look_at_calls(key)

    def look_at_life(self, key: AlarmKey, was: Life) -> None:
        known, life = self.known[key], self.alarm(key).state.life
        if known.true_since_s is not None and self.now_s - known.true_since_s >= ON_S[key]:
            assert life in HOLDS, "operated longer than its on-delay in good readings, and no active alarm"
        if life in HOLDS and was not in HOLDS:
            assert known.said is True, "an alarm out of nothing"
            assert life is Life.UNACKNOWLEDGED, "it comes, and asks for nobody"
            assert known.true_from_s is not None
            assert self.now_s - known.true_from_s >= ON_S[key], "raised before its on-delay"
        if life not in HOLDS and was in HOLDS:
            assert known.false_since_s is not None, "cleared by what cannot be judged"
            assert self.now_s - known.false_since_s >= OFF_S[key], "cleared before its off-delay"
        gone = known.false_since_s is not None and self.now_s - known.false_since_s >= OFF_S[key]
        if gone:
            assert life not in HOLDS, "gone for its off-delay, and still active"
        if life is Life.NORMAL and was is not Life.NORMAL:
            assert known.answered, "left without an acknowledgement"
        if life is Life.NORMAL:
            assert known.reset, "left latched without a reset"
        elif not known.reset or life in HOLDS or not known.answered:
            pass
        else:
            raise AssertionError("answered, gone and nothing latched, and it is not normal")
        assert (life in (Life.ACKNOWLEDGED, Life.LATCHED_ACKNOWLEDGED)) <= bool(known.answered), "nobody answered this"
        if known.answered and life is not Life.NORMAL:
            assert life in (Life.ACKNOWLEDGED, Life.LATCHED_ACKNOWLEDGED), "answered, and it still asks for somebody"
            assert self.alarm(key).state.acked_by == known.answered
        if not known.reset and gone:
            assert life in (Life.LATCHED_ACKNOWLEDGED, Life.LATCHED_UNACKNOWLEDGED), "it latches"

    def look_at_overlays(self, key: AlarmKey) -> None:
        """They end; and what must never be hidden has none."""
        known, lying = self.known[key], self.alarm(key).overlays
        for name, overlay in (("shelf", lying.shelved), ("permit", lying.out_of_service)):
            until: Lying | None = getattr(known, name)
            if until is not None and (self.now_ns >= until.until_ns or self.utc_ms >= until.until_utc_ms):
                until = None
            assert until is not None or overlay is None, "an overlay without an end"
            assert until is None or until.may_end or overlay is not None, "ended before its time"
            setattr(known, name, until if overlay is not None else None)
        if key in (SHUTDOWN, RUNS):
            assert lying.shelved is None
            assert not lying.suppressed
        elif self.lives[key] is not Life.NORMAL:
            assert lying.suppressed == known.logic
        if key in (SHUTDOWN, RUNS):
            assert lying.out_of_service is None

    def look_at_calls(self, key: AlarmKey) -> None:
        """What asks for somebody calls, unless something that really is there holds it back."""
        alarm = self.alarm(key)
        if alarm.state.life not in (Life.UNACKNOWLEDGED, Life.LATCHED_UNACKNOWLEDGED):
            assert not alarm.withheld
            return
        assert alarm.calling is not bool(alarm.withheld)
        lying, flood = alarm.overlays, self.book.flood.active
        true = {
            "out of service": lying.out_of_service is not None,
            f"suppressed by design: {lying.suppressed}": bool(lying.suppressed),
            "shelved": lying.shelved is not None,
            "chattering": alarm.chatter.active and key not in (SHUTDOWN, RUNS),
            "alarm flood": flood and key is HIGH,
        }
        assert not alarm.withheld or true[alarm.withheld], "held back for no reason"
        if lying.out_of_service or lying.shelved or lying.suppressed:
            assert alarm.withheld, "called for although something lies over it"

    def look_at_journal(self) -> None:
        """The entries alone give the same alarms."""
        self.seen = replayed(self.entries[self.replayed :], self.seen)
        self.replayed, seen = len(self.entries), self.seen
        for key in KEYS:
            alarm, told = self.alarm(key), seen.get(str(key), Seen())
            lying = alarm.overlays
            assert (told.life, told.occurrence) == (alarm.state.life, alarm.state.occurrence)
            assert (bool(told.shelved), bool(told.out_of_service)) == (bool(lying.shelved), bool(lying.out_of_service))
            if alarm.state.life is not Life.NORMAL:
                assert (told.acked_by, told.suppressed) == (alarm.state.acked_by, lying.suppressed)
        count = sum(a.state.life is not Life.NORMAL for k in KEYS if not self.is_away(k) for a in (self.alarm(k),))
        assert count == sum(a.state.life is not Life.NORMAL for a in shown(self.book))
