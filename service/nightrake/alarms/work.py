"""A book while it is being changed: what each condition and each delay that is over does, and what is told of it. Pure.

Order for one alarm: what lies over it, its life, whether it chatters, whether somebody is called for it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from nightrake.alarms import overlays as over
from nightrake.alarms.flood import (
    CHATTERING,
    QUIET,
    Flood,
    chatter_after,
    chatter_due_ns,
    flood_after,
    flood_due_ns,
    held_back,
)
from nightrake.alarms.keys import AlarmKey
from nightrake.alarms.life import (
    ACTIVE,
    ROTATES,
    UNANSWERED,
    AlarmState,
    Event,
    Life,
    Transition,
    on_condition,
    on_tick,
)
from nightrake.alarms.records import Alarm, AlarmBook, Condition, Subject, due_of, is_at_rest
from nightrake.alarms.rules import AlarmRule, AlarmRules
from nightrake.domain.rows import Entry

Told = tuple[Entry, ...]
NAMES: Mapping[str, str] = {
    Event.OCCURS: "raised",
    Event.WORSENS: "worsened",
    Event.CLEARS: "cleared",
    Event.CLEARS_LATCHED: "latched",
    Event.ACKNOWLEDGED: "acknowledged",
    Event.RESET: "reset",
    Event.AGAIN: "raised_again",
    ROTATES: "repeating_with_rotation",
}
"""Transition -> event of the entry. An alarm raised again before its life was over is ``raised_again``."""
ENDED = {over.SHELVED: "shelving_ended", over.OUT_OF_SERVICE: "out_of_service_ended"}


def earliest(times: Iterable[int]) -> int:
    """The earliest of some moments, of which 0 means never."""
    return min((t for t in times if t), default=0)


class Work:
    """A book while it is being changed: copies what it changes, and the book handed in stays as it was."""

    def __init__(self, book: AlarmBook, rules: AlarmRules, now_ns: int, utc_ms: int) -> None:
        self._before = book
        self._rules = rules
        self.now_ns, self.utc_ms = now_ns, utc_ms
        self._subjects = dict(book.subjects)
        self._touched: dict[str, tuple[dict[str, Alarm], dict[str, int]]] = {}
        self._flood = book.flood
        self._dues = dict(book.dues) if book.dues is not None else None
        self._due_ns, self._due_utc_ms = book.due_ns, book.due_utc_ms
        self._entries: list[Entry] = []

    # --- looking and putting ---

    def alarm(self, key: AlarmKey) -> Alarm | None:
        """The alarm as it stands in this work, None = it is normal."""
        if key.subject in self._touched:
            return self._touched[key.subject][0].get(str(key))
        subject = self._subjects.get(key.subject)
        return subject.alarms.get(str(key)) if subject else None

    def rule(self, key: AlarmKey) -> AlarmRule | None:
        """Its rule; None where there is no such kind, or its subject is away."""
        subject = self._subjects.get(key.subject)
        return None if subject is not None and subject.away else self._rules.of(key)

    def put(self, alarm: Alarm) -> None:
        """Keep an alarm, or forget it where there is nothing to keep but the number of its occurrence."""
        key, text = alarm.key, str(alarm.key)
        if key.subject not in self._touched:
            subject = self._subjects.get(key.subject, Subject())
            self._touched[key.subject] = (dict(subject.alarms), dict(subject.occurrences))
        alarms, occurrences = self._touched[key.subject]
        if alarm.state.occurrence:
            occurrences[text] = alarm.state.occurrence
        if is_at_rest(alarm):
            alarms.pop(text, None)
            return
        alarms[text] = alarm

    def new(self, key: AlarmKey) -> Alarm:
        """A normal alarm that goes on counting its occurrences."""
        subject = self._subjects.get(key.subject, Subject())
        occurrences = self._touched[key.subject][1] if key.subject in self._touched else subject.occurrences
        return Alarm(key, AlarmState(occurrence=occurrences.get(str(key), 0)))

    def tell(self, alarm: Alarm, rule: AlarmRule, event: str, data: Mapping[str, Any], was: Life | None = None) -> None:
        """Add an entry about an alarm as it now stands."""
        key, state = alarm.key, alarm.state
        whole = {
            **data,
            "alarm": str(key),
            "occurrence": state.occurrence,
            "life": state.life.value,
            "was": (state.life if was is None else was).value,
            "priority": rule.priority.value,
        }
        self._entries.append(Entry("alarm", event, key.drive, key.direction, whole, rule.type.about_shutdown))

    def done(self) -> tuple[AlarmBook, Told]:
        """The book after, and the entries."""
        before, changed = self._before, False
        for name, (alarms, occurrences) in self._touched.items():
            after = Subject(alarms, occurrences)
            if after != before.subjects.get(name):
                self._subjects[name], changed = after, True
            self._note_due(name, alarms)
        dues = (self._due_ns, self._due_utc_ms)
        same = self._flood is before.flood and dues == (before.due_ns, before.due_utc_ms)
        if not changed and same and self._dues == before.dues:
            return before, tuple(self._entries)
        subjects = self._subjects if changed else before.subjects
        return AlarmBook(subjects, self._flood, *dues, self._dues), tuple(self._entries)

    def _note_due(self, name: str, alarms: Mapping[str, Alarm]) -> None:
        """When time alone next changes one of a subject's alarms; what is away waits."""
        pairs = [due_of(a, rule) for a in alarms.values() if (rule := self.rule(a.key)) is not None]
        ns, utc_ms = earliest(p[0] for p in pairs), earliest(p[1] for p in pairs)
        self._due_ns, self._due_utc_ms = earliest((self._due_ns, ns)), earliest((self._due_utc_ms, utc_ms))
        if self._dues is None:
            return
        if ns or utc_ms:
            self._dues[name] = (ns, utc_ms)
        else:
            self._dues.pop(name, None)

    # --- going on ---

    def take(self, condition: Condition) -> None:
        """One condition."""
        key, rule = condition.key, self.rule(condition.key)
        alarm = self.alarm(key)
        if rule is None or (alarm is None and not condition.holds):
            return
        alarm = alarm or self.new(key)
        lying = over.suppressed(alarm.overlays, rule, condition.suppressed, self.utc_ms)
        state, moved = on_condition(
            alarm.state,
            rule,
            condition.holds,
            self.now_ns,
            self.utc_ms,
            condition.severity,
            chatters=alarm.chatter.active,
            held_since_ns=condition.since_ns,
            started_ns=condition.started_ns,
        )
        shifted = alarm._replace(overlays=lying, facts=_facts(alarm, condition, comes=bool(moved)))
        if lying.suppressed != alarm.overlays.suppressed and alarm.state.life is not Life.NORMAL:
            event = "suppressed" if lying.suppressed else "suppression_ended"
            self.tell(shifted, rule, event, {"why": lying.suppressed or alarm.overlays.suppressed})
        self.follow(shifted, state, moved, rule, {})

    def let_time_pass(self) -> None:
        """Everything that is due; then the next moment is looked for anew."""
        flood_due = flood_due_ns(self._flood)
        flood_ends = 0 < flood_due <= self.now_ns
        if flood_ends:
            self._end_flood()
        whole = self._dues is None or flood_ends
        names = list(self._subjects) if whole else self._due_subjects()
        self._dues = self._dues or {}
        for name in names:
            for alarm in self._subjects[name].alarms.values():
                self._let_pass(alarm, flood_ends)
            touched = self._touched.get(name)
            self._note_due(name, touched[0] if touched else self._subjects[name].alarms)
        self._due_ns = earliest((flood_due_ns(self._flood), *(ns for ns, _ in self._dues.values())))
        self._due_utc_ms = earliest(utc_ms for _, utc_ms in self._dues.values())

    def _due_subjects(self) -> list[str]:
        now_ns, now_utc_ms, dues = self.now_ns, self.utc_ms, self._dues or {}
        return [n for n, (ns, utc_ms) in dues.items() if 0 < ns <= now_ns or 0 < utc_ms <= now_utc_ms]

    def _let_pass(self, alarm: Alarm, flood_ends: bool) -> None:
        rule = self.rule(alarm.key)
        if rule is None:
            return
        ns, utc_ms = due_of(alarm, rule)
        if 0 < ns <= self.now_ns or 0 < utc_ms <= self.utc_ms or (flood_ends and alarm.withheld):
            state, moved = on_tick(alarm.state, rule, self.now_ns, self.utc_ms, chatters=alarm.chatter.active)
            self.follow(self._overlays_end(alarm, rule), state, moved, rule, {})

    def _overlays_end(self, alarm: Alarm, rule: AlarmRule) -> Alarm:
        lying, names = over.ended(alarm.overlays, self.now_ns, self.utc_ms)
        after = alarm._replace(overlays=lying)
        for name in names:
            self.tell(after, rule, ENDED[name], {})
        return after

    def follow(
        self,
        alarm: Alarm,
        state: AlarmState,
        moved: tuple[Transition, ...],
        rule: AlarmRule,
        data: Mapping[str, Any],
    ) -> None:
        """Bring an alarm to its new state: what is told of it, and whether somebody is called."""
        alarm = self._chatter_ends(alarm._replace(state=state), rule)
        comes = False
        for step in moved:
            if step.life is Life.UNACKNOWLEDGED and step.event != ROTATES:
                comes = True
                alarm, called = self._comes(alarm, rule)
                again = step.event == Event.OCCURS and step.was is not Life.NORMAL
                facts = {**alarm.facts, "call": called, "withheld": alarm.withheld}
                facts |= {"suppressed": alarm.overlays.suppressed, "severity": state.severity}
                self.tell(alarm, rule, "raised_again" if again else NAMES[step.event], facts, step.was)
            else:
                self.tell(alarm, rule, NAMES[step.event], data, step.was)
        self.put(alarm if comes else self._waits(alarm, rule))

    def _comes(self, alarm: Alarm, rule: AlarmRule) -> tuple[Alarm, bool]:
        """An alarm comes: call for it, unless something holds the call back. A call that is out already stays out."""
        silent = over.why_silent(alarm.overlays)
        if silent or not rule.type.is_alarm:
            return alarm._replace(calling=False, withheld=silent), False
        alarm = self._chatters(alarm, rule)
        severity = alarm.state.severity
        held = held_back(rule, alarm.chatter, self._flood, self.now_ns, severity)
        if held != CHATTERING:  # one alarm that chatters is no flood
            self._count()
            held = held_back(rule, alarm.chatter, self._flood, self.now_ns, severity)
        if held:
            return (alarm if alarm.calling else alarm._replace(withheld=held)), False
        return self._called(alarm), True

    def _chatters(self, alarm: Alarm, rule: AlarmRule) -> Alarm:
        after = alarm._replace(chatter=chatter_after(alarm.chatter, self.now_ns))
        if after.chatter.active and not alarm.chatter.active:
            self.tell(after, rule, "chattering_began", {})
        return after

    def _count(self) -> None:
        flood = flood_after(self._flood, self.now_ns, self.utc_ms)
        if flood.active and not self._flood.active:
            self._tell_flood("flood_began", flood)
            ns = flood_due_ns(flood)
            self._due_ns = min(self._due_ns or ns, ns)
        self._flood = flood

    def _called(self, alarm: Alarm) -> Alarm:
        chatter = alarm.chatter._replace(called_ns=self.now_ns, called_severity=alarm.state.severity)
        return alarm._replace(calling=True, withheld="", chatter=chatter)

    def _waits(self, alarm: Alarm, rule: AlarmRule) -> Alarm:
        """An alarm that has not just come: is a call for it still right, or right again?"""
        life = alarm.state.life
        if life not in UNANSWERED:
            unanswered = life is Life.CLEARED_UNACKNOWLEDGED
            return alarm._replace(calling=alarm.calling and unanswered, withheld="")
        silent = over.why_silent(alarm.overlays)
        if silent or not rule.type.is_alarm:
            return alarm._replace(calling=False, withheld=silent)
        if alarm.calling:
            return alarm
        held = held_back(rule, alarm.chatter, self._flood, self.now_ns)
        if held:
            return alarm._replace(withheld=held)
        after = self._called(alarm)
        self.tell(after, rule, "call_released", {"after": alarm.withheld, "call": True})
        return after

    def _chatter_ends(self, alarm: Alarm, rule: AlarmRule) -> Alarm:
        if not 0 < chatter_due_ns(alarm.chatter) <= self.now_ns:
            return alarm
        after = alarm._replace(chatter=QUIET)
        if alarm.chatter.active:
            self.tell(after, rule, "chattering_ended", {})
        return after

    def _end_flood(self) -> None:
        ended = Flood(self._flood.times)
        self._tell_flood("flood_ended", self._flood)
        self._flood = ended

    def _tell_flood(self, event: str, flood: Flood) -> None:
        data = {"count": flood.total, "since_utc_ms": flood.since_utc_ms}
        nothing = {"alarm": "", "occurrence": 0, "life": "", "was": "", "priority": ""}
        self._entries.append(Entry("alarm", event, "", "", {**nothing, **data}))


def _facts(alarm: Alarm, condition: Condition, *, comes: bool) -> Mapping[str, Any]:
    """With which torque an alarm came stands until it comes again, over a restart too; anything else as last said."""
    stays = alarm.state.life in ACTIVE and not comes and "torque_nm" in alarm.facts
    return alarm.facts if stays or not condition.holds else condition.data
