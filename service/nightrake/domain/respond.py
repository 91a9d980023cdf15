"""What a step means for the alarms: conditions, lives, lockouts, and whom to call. Pure.

    drives judged in this step -> conditions that differ -> book -> entries
                                                             |-> a shutdown opens a lockout
                                                             '-> whoever is to be called, or no longer

A drive whose protection is as it was, and whose torque stays between the same limits, costs a few comparisons.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence

from nightrake.alarms import callchecks, escalation, lockout
from nightrake.alarms import silence as silences
from nightrake.alarms.book import advance, alarm_of, changed_standings, is_due, is_latched, on_settings
from nightrake.alarms.conditions import NEVER_NS, Watch, carried, evaluate, is_quiet
from nightrake.alarms.facts import facts_of, momentary_of
from nightrake.alarms.keys import SITE, AlarmKey, plc_subject
from nightrake.alarms.life import ACTIVE
from nightrake.alarms.overlays import Overlay, is_over, why_silent
from nightrake.alarms.reconcile import reconcile
from nightrake.alarms.records import AlarmBook, Condition
from nightrake.alarms.silence import link_condition, on_plc
from nightrake.alarms.standby import AHEAD_S, is_standby, next_change
from nightrake.alarms.standing import SiteAlarms
from nightrake.alarms.table import NOBODY_TO_CALL
from nightrake.domain.inputs import Input, LinkHealth, Tick
from nightrake.domain.latches import latched_sides
from nightrake.domain.rows import Entry
from nightrake.domain.state import Outcome, SiteState

PAGING_DEAD, NOBODY = AlarmKey(SITE, "", "paging_dead"), AlarmKey(SITE, "", NOBODY_TO_CALL)
SHUTDOWN = "/shutdown_contact"
_PLC = "plc:"
Told = tuple[Entry, ...]


def respond(was: SiteState, now: SiteState, outcome: Outcome, given: Input) -> tuple[SiteState, Outcome]:
    """Let the facts of a step reach the alarms; their entries follow the facts that caused them.

    Args:
        was, now: Before and after the step itself. outcome: what it brought; `judged` names the drives looked at.
    """
    drives = _to_judge(was, now, outcome, given)
    timed = isinstance(given, (Tick, LinkHealth)) or is_due(now.alarms.book, given.mono_ns, given.utc_ms)
    if not drives and not timed:
        return now, outcome
    work = Responding(now, given, outcome.entries)
    if isinstance(given, LinkHealth):
        drives = (*drives, *work.link(given))
    work.judge(drives)
    if isinstance(given, Tick):
        work.let_time_pass()
    return work.done(outcome)


def _to_judge(was: SiteState, now: SiteState, outcome: Outcome, given: Input) -> tuple[str, ...]:
    """Drives of which something that alarms look at may be different."""
    found = []
    alarms, told = now.alarms, {e.drive for e in outcome.entries}
    for drive in outcome.judged:
        after, before = now.drives[drive], was.drives.get(drive)
        if before is None or drive in told:
            found.append(drive)
            continue
        if after is before:
            continue
        if after.protection is before.protection or after.protection == before.protection:
            if after.torque == before.torque and after.side is before.side:
                continue
            if is_quiet(alarms.watch_of(drive), after.torque, after.side, given.mono_ns):
                continue
        found.append(drive)
    if isinstance(given, Tick) and given.mono_ns >= alarms.due_ns:
        known = set(found)
        found += [d for d in now.drives if d not in known and alarms.watch_of(d).due_ns <= given.mono_ns]
    return tuple(found)


class Responding:
    """A site's alarms while one step works on them. The state handed in stays as it was.

    Args:
        state: The site after the step's own facts. given: the step's input. facts: entries of the step itself.
    """

    def __init__(self, state: SiteState, given: Input, facts: Sequence[Entry] = ()) -> None:
        self.state = state
        self.plan = state.plan
        self.alarms: SiteAlarms = state.alarms
        self.now_ns, self.utc_ms = given.mono_ns, given.utc_ms
        self._facts = facts
        self._conditions: list[Condition] = []
        self.entries: list[Entry] = []
        self._touched: dict[str, None] = {}

    # --- judging ---

    def judge(self, drives: Iterable[str]) -> None:
        """Judge drives, and let lives, lockouts and calls follow."""
        conditions, self._conditions = self._conditions, []
        again: dict[str, None] = {}
        conditions += self._evaluated(dict.fromkeys(drives), self._facts)
        self._take(conditions, again)
        self._take(self._evaluated(again, ()), {})

    def _evaluated(self, drives: Mapping[str, None], entries: Sequence[Entry]) -> list[Condition]:
        """Conditions of these drives that differ from what was last said."""
        if not drives:
            return []
        conditions: list[Condition] = []
        watches, due_ns = dict(self.alarms.watches), self.alarms.due_ns
        for drive in drives:
            watch, told = self._evaluate(drive, entries)
            watches[drive], due_ns = watch, min(due_ns, watch.due_ns)
            conditions += told
        self.alarms = self.alarms._replace(watches=watches, due_ns=due_ns)
        return conditions

    def _evaluate(self, drive: str, entries: Sequence[Entry]) -> tuple[Watch, tuple[Condition, ...]]:
        state, alarms, setup = self.state, self.alarms, self.plan.setups[drive]
        facts = facts_of(state.wires[drive], state.drives[drive], self.now_ns, self.utc_ms)
        held = alarms.lockout_of(drive)
        facts = facts._replace(
            link_down=any(alarms.silence.silent.get(plc, False) for plc in self.plan.plcs[drive]),
            held=tuple(is_latched(alarms.book, drive, str(side.direction)) for side in setup.sides),
            locked_out=held.is_open,
            test_run=held.in_test_run(self.now_ns),
            standby=self.stands_by(drive),
            momentary=momentary_of(entries, drive),
        )
        return evaluate(setup, alarms.watch_of(drive), facts, self.now_ns)

    def stands_by(self, drive: str) -> bool:
        """Whether a drive is meant to stand, by command or by schedule."""
        return drive in self.alarms.standby or drive in self.alarms.scheduled

    def _take(self, conditions: Sequence[Condition], again: dict[str, None]) -> None:
        """Conditions into the book; a shutdown that comes opens a lockout, and its drive is to be judged again."""
        before = self.alarms.book
        after, told = advance(before, self.plan.rules, conditions, self.now_ns, self.utc_ms)
        self.follow(after, told)
        for entry in told:
            if entry.event in ("raised", "raised_again") and str(entry.data["alarm"]).endswith(SHUTDOWN):
                again[entry.drive] = None
                self._lock_out(entry)

    def _lock_out(self, entry: Entry) -> None:
        if not self.plan.response.lockout.after_shutdown:
            return
        because = f"{entry.data['alarm']} {entry.data['occurrence']}"
        held, told = lockout.on_shutdown(self.alarms.lockout_of(entry.drive), because, self.utc_ms, self.now_ns)
        self.locked(held, told)

    def _lock_out_what_stands(self) -> None:
        """A shutdown that holds its drive without a lockout: its record was damaged, or nobody could release one."""
        if not self.plan.response.lockout.after_shutdown:
            return
        for drive in self.state.drives:
            for side in () if self.alarms.lockout_of(drive).is_open else latched_sides(self.alarms, drive):
                key = AlarmKey(drive, side, "shutdown_contact")
                because = f"{key} {alarm_of(self.alarms.book, key).state.occurrence}"
                self.locked(*lockout.on_shutdown(self.alarms.lockout_of(drive), because, self.utc_ms, found=True))
                break

    def take_plan(self, same: Collection[str], *, had_people: bool = False) -> None:
        """The plan has changed: drives, PLCs, rules or people. Last, the calls are held against what stands.

        Args:
            same: Drives that are judged as before. had_people: there was somebody in the settings before.
        """
        alarms, drives = self.alarms, self.state.drives
        quiet = [p for p in self.plan.draws if self._is_put_aside(p)]
        silence, conditions = silences.on_settings(alarms.silence, self.plan.draws, self.now_ns, quiet)
        watches = {d: w if d in same else carried(w) for d, w in alarms.watches.items() if d in drives}
        standby = {d: o for d, o in alarms.standby.items() if d in drives}
        self.alarms = alarms._replace(watches=watches, due_ns=0, silence=silence, standby=standby, schedule_s=0)
        book, told = on_settings(self.alarms.book, self.plan.rules, self.now_ns, self.utc_ms)
        self.follow(book, told)
        self._conditions += conditions
        self.judge(d for d in drives if d not in same)
        self._lock_out_what_stands()
        self._take_people(had_people)
        alarms, now = self.alarms, (self.now_ns, self.utc_ms)
        calls, more = reconcile(alarms.calls, self.plan.response.rota, alarms.book, self.plan.rules, *now)
        self.alarms = alarms._replace(calls=calls)
        self.entries += more

    def _take_people(self, had_people: bool) -> None:
        """Nobody who has left the settings is waited for. Where that was the last of them, an alarm says so."""
        alarms, people = self.alarms, self.plan.response.rota.people
        checks = callchecks.on_settings(alarms.checks, people)
        self.alarms = alarms._replace(checks=checks)
        self.unreached(tuple(p for p in alarms.unreached if p in people))
        stood = alarm_of(self.alarms.book, NOBODY).state.life in ACTIVE
        if stood or not people:
            gone = not people and (stood or had_people or bool(alarms.calls.running))
            self._take([Condition(NOBODY, gone)], {})

    # --- what follows ---

    def follow(self, book: AlarmBook, told: Iterable[Entry]) -> None:
        """Go on with another book: whoever is to be called for what changed in it."""
        before, rota = self.alarms.book, self.plan.response.rota
        self.entries += told
        if book is before:
            return
        self.alarms = self.alarms._replace(book=book)
        if not rota.people:
            return
        for standing in changed_standings(before, self.alarms.book, self.plan.rules):
            goes_on = silences.goes_on_as(self.alarms.silence, standing.alarm)
            now = (self.now_ns, self.utc_ms)
            calls, more = escalation.on_transition(self.alarms.calls, rota, standing, *now, goes_on)
            self.alarms = self.alarms._replace(calls=calls)
            self.entries += more

    def locked(self, held: lockout.Lockout, told: Iterable[Entry]) -> None:
        """Go on with another lockout."""
        self.alarms = self.alarms._replace(lockouts={**self.alarms.lockouts, held.drive: held})
        self.entries += told
        self._touched[held.drive] = None

    def link(self, given: LinkHealth) -> tuple[str, ...]:
        """A link came up or went down; gives the drives that are to be judged for it."""
        if not given.link.startswith(_PLC):
            condition = link_condition(given.link, given.up, given.detail)
            if condition is not None and self._has(condition.key):
                self._conditions.append(condition)
            return ()
        plc = given.link.removeprefix(_PLC)
        if plc not in self.plan.draws:
            return ()
        quiet = [p for p in self.plan.draws if self._is_put_aside(p)]
        silence, conditions = on_plc(self.alarms.silence, plc, given.up, self.plan.draws, self.now_ns, quiet)
        self.alarms = self.alarms._replace(silence=silence)
        self._conditions += conditions
        return self.plan.draws[plc]

    def _has(self, key: AlarmKey) -> bool:
        """Whether what an alarm is about is there: a drive may have left the settings while it was being looked at."""
        spec = self.state.site.drives.get(key.drive)
        return not key.drive or (spec is not None and key.direction in map(str, spec.directions))

    def _is_put_aside(self, plc: str) -> bool:
        """Whether the alarm of a PLC's own silence is shelved or out of service."""
        alarm = alarm_of(self.alarms.book, AlarmKey(plc_subject(plc), "", "plc_silent"))
        return bool(why_silent(alarm.overlays))

    # --- time ---

    def let_time_pass(self) -> None:
        """What falls due with the tick: calls, test calls, test runs, standby."""
        self._look_for_due()
        ended = [d for d, o in self.alarms.standby.items() if is_over(o, self.now_ns, self.utc_ms)]
        scheduled = self._schedules()
        self._touched |= dict.fromkeys(scheduled)
        again = [*ended, *scheduled, *self._runs_that_ended()]
        for drive in ended:
            self.stand_by(drive, None, {"actor": "time limit"})
        self._call()
        if again:
            self.judge(again)

    def _call(self) -> None:
        """Whom to call now, and who has not answered a test call."""
        alarms, rota = self.alarms, self.plan.response.rota
        if not rota.people:
            return
        calls, told = escalation.on_tick(alarms.calls, rota, self.now_ns, self.utc_ms)
        checks, more = callchecks.on_tick(alarms.checks, rota, self.now_ns, self.utc_ms)
        if calls is not alarms.calls or checks is not alarms.checks:
            self.alarms = alarms._replace(calls=calls, checks=checks)
        self.entries += (*told, *more)
        lost = [str(e.data["person"]) for e in more if e.event == "check_unanswered"]
        if lost:
            self.unreached(tuple(dict.fromkeys((*self.alarms.unreached, *lost))))

    def _look_for_due(self) -> None:
        """The next moment at which time alone may change what is judged; found anew only when the last has come."""
        if self.now_ns >= self.alarms.due_ns:
            dues = (w.due_ns for w in self.alarms.watches.values())
            self.alarms = self.alarms._replace(due_ns=min(dues, default=NEVER_NS))

    def _schedules(self) -> list[str]:
        """Drives that begin or end to stand by schedule. A clock that was set back is looked at anew too."""
        utc_s, alarms = self.utc_ms // 1000, self.alarms
        schedules = self.plan.response.standby
        if not (schedules or alarms.scheduled) or alarms.schedule_s - AHEAD_S <= utc_s < alarms.schedule_s:
            return []
        scheduled = tuple(d for d, s in schedules.items() if d in self.state.drives and is_standby(s, utc_s))
        due_s = min((next_change(s, utc_s) for s in schedules.values()), default=utc_s + AHEAD_S)
        self.alarms = alarms._replace(scheduled=scheduled, schedule_s=due_s)
        return [d for d in self.state.drives if (d in scheduled) is not (d in alarms.scheduled)]

    def _runs_that_ended(self) -> list[str]:
        ended = []
        for drive, held in self.alarms.lockouts.items():
            if not 0 < held.run_until_ns <= self.now_ns:
                continue
            self.locked(*lockout.on_tick(held, self.now_ns))
            ended.append(drive)
        return ended

    def stand_by(self, drive: str, overlay: Overlay | None, by: Mapping[str, object]) -> None:
        """Begin a standby by command, or end it (None)."""
        standby = {d: o for d, o in self.alarms.standby.items() if d != drive}
        if overlay is not None:
            standby[drive] = overlay
        self.alarms = self.alarms._replace(standby=standby)
        self.entries.append(Entry("drive", "standby_began" if overlay is not None else "standby_ended", drive, "", by))
        self._touched[drive] = None

    def unreached(self, people: tuple[str, ...]) -> None:
        """These people have not answered their test call."""
        fresh = set(people) - set(self.alarms.unreached)
        # One more than were known is worse, also where somebody else has been heard of meanwhile.
        known = alarm_of(self.alarms.book, PAGING_DEAD).state.severity
        rank = max(len(people), known + 1) if fresh else len(people)
        self.alarms = self.alarms._replace(unreached=people)
        self._take([Condition(PAGING_DEAD, bool(people), "", rank, {"people": list(people)})], {})

    # --- done ---

    def done(self, outcome: Outcome) -> tuple[SiteState, Outcome]:
        """The state after, and the outcome with what the alarms brought."""
        if self.alarms is self.state.alarms and not self.entries:
            return self.state, outcome
        drives = dict.fromkeys(outcome.drives)
        drives |= dict.fromkeys(e.drive for e in self.entries if e.drive in self.state.drives)
        drives |= {d: None for d in self._touched if d in self.state.drives}
        after = self.state._replace(alarms=self.alarms)
        return after, outcome._replace(entries=(*outcome.entries, *self.entries), drives=tuple(drives))
