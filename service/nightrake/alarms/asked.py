"""What people ask of an alarm: acknowledge, reset, shelve, take out of service, and back. Pure.

Each is answered in one sentence and journalled, also where it is refused. Whether the person may ask for it at all is
decided before (`alarms.rights`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import NamedTuple

from nightrake.alarms import overlays as over
from nightrake.alarms.book import begin
from nightrake.alarms.keys import AlarmKey, parse_key
from nightrake.alarms.life import ACTIVE, UNANSWERED, AlarmState, Life, on_acknowledge, on_reset
from nightrake.alarms.records import Alarm, AlarmBook
from nightrake.alarms.rules import AlarmRule, AlarmRules
from nightrake.alarms.work import Told, Work
from nightrake.domain.rows import Answer, Entry

STILL_OPERATED = "the shutdown contact is still operated: find the cause, clear it and release it first"
NOT_READABLE = "the shutdown contact cannot be read now, so nobody can say that it is released"
NOT_LATCHED = "no shutdown is latched there"
UNKNOWN_ALARM = "there is no alarm of this name"
UNNAMED = "no alarm is named; say which, as it is shown (PC1/forward/alarm_contact)"
NOT_THERE = "no such alarm stands now"


class Asking(NamedTuple):
    """Who asks for what, when.

    Attributes:
        alarm: Text form of the key, as it came in.
        by: ``actor``, ``role``, ``known_by``, for the journal.
        now_ns, utc_ms: When.
    """

    alarm: str
    by: Mapping[str, str]
    now_ns: int
    utc_ms: int

    @property
    def actor(self) -> str:
        """Who."""
        return self.by["actor"]


Asked = tuple[AlarmBook, Told, Answer]
_WhyNot = Callable[[Alarm, AlarmRule], str]
_Do = Callable[[Work, Alarm, AlarmRule], str]


def _on(book: AlarmBook, rules: AlarmRules, asking: Asking, verb: str, why_not: _WhyNot, do: _Do) -> Asked:
    """One request: find the alarm, refuse with a reason, or do it and say so."""
    work = begin(book, rules, asking.now_ns, asking.utc_ms)
    alarm, rule = _find(work, rules, asking.alarm)
    unknown = UNKNOWN_ALARM if asking.alarm else UNNAMED
    refusal = unknown if alarm is None or rule is None else why_not(alarm, rule)
    if alarm is None or rule is None or refusal:
        after, told = work.done()
        key = alarm.key if alarm is not None else AlarmKey("", "", "")
        data = {**asking.by, "verb": verb, "alarm": asking.alarm[:80], "reason": refusal}
        entry = Entry("command", "refused", key.drive, key.direction, data)
        return after, (*told, entry), Answer(False, f"{asking.alarm[:80] or 'alarm'}: not {_PAST[verb]}: {refusal}")
    text = do(work, alarm, rule)
    return (*work.done(), Answer(True, f"{asking.alarm}: {text}"))


_PAST = {
    "acknowledge": "acknowledged",
    "reset": "reset",
    "shelve": "shelved",
    "unshelve": "unshelved",
    "out_of_service": "taken out of service",
    "return_to_service": "returned to service",
}


def _find(work: Work, rules: AlarmRules, text: str) -> tuple[Alarm | None, AlarmRule | None]:
    try:
        key = parse_key(text)
    except ValueError:
        return None, None
    rule, alarm = work.rule(key), work.alarm(key)
    if rule is None or (alarm is None and not rules.there_is(key)):
        return None, None
    return alarm or work.new(key), rule


# --- acknowledge ---


def acknowledge(book: AlarmBook, rules: AlarmRules, asking: Asking, occurrence: int) -> Asked:
    """Acknowledge the occurrence that the person has seen, and no other."""

    def do(work: Work, alarm: Alarm, rule: AlarmRule) -> str:
        state, moved = on_acknowledge(alarm.state, occurrence, asking.actor, asking.utc_ms)
        work.follow(alarm, state, moved, rule, asking.by)
        return "acknowledged" + ("; it stays latched until it is reset" if rule.type.latches else "")

    return _on(book, rules, asking, "acknowledge", lambda a, r: why_not_acknowledge(a.state, occurrence), do)


def why_not_acknowledge(state: AlarmState, occurrence: int) -> str:
    """Why this occurrence cannot be acknowledged, "" = it can."""
    stands = state.occurrence
    if state.life is Life.NORMAL:
        return NOT_THERE if occurrence >= stands else f"occurrence {occurrence} is over"
    if occurrence < stands:
        return f"occurrence {occurrence} is over and {stands} stands now; look at it and acknowledge that one"
    if occurrence > stands:
        return f"there is no occurrence {occurrence} of it yet; {stands} stands now"
    return f"{state.acked_by} has acknowledged it already" if state.acked_by else ""


# --- reset ---


def reset(book: AlarmBook, rules: AlarmRules, asking: Asking) -> Asked:
    """Reset a latched alarm. This is a record: nothing is done in the plant, and no energy is isolated."""

    def do(work: Work, alarm: Alarm, rule: AlarmRule) -> str:
        state, moved = on_reset(alarm.state, asking.utc_ms)
        work.follow(alarm, state, moved, rule, asking.by)
        return "the latch is reset (in this service's record only; nothing was done in the plant)"

    return _on(book, rules, asking, "reset", lambda a, r: why_not_reset(a.state, r, asking.now_ns), do)


def why_not_reset(state: AlarmState, rule: AlarmRule, now_ns: int) -> str:
    """Why it cannot be reset, "" = it can."""
    if not rule.type.latches or state.life is Life.NORMAL:
        return NOT_LATCHED
    if state.condition is None:
        return NOT_READABLE
    if state.condition:
        return STILL_OPERATED
    if state.life in UNANSWERED:
        return "it has not been acknowledged: acknowledge it first"
    if state.life in ACTIVE:
        left_s = max(1, -(-(state.since_ns + rule.off_delay_ns - now_ns) // 1_000_000_000))
        return f"the contact has only just released: it must stay so for another {left_s} s"
    return ""


# --- overlays ---


def shelve(book: AlarmBook, rules: AlarmRules, asking: Asking, for_ns: int, reason: str) -> Asked:
    """Shelve one alarm for a limited time, with a reason."""

    def do(work: Work, alarm: Alarm, rule: AlarmRule) -> str:
        overlay = over.laid(for_ns, asking.actor, reason, asking.now_ns, asking.utc_ms)
        times = alarm.overlays.shelvings + 1
        after = alarm._replace(overlays=alarm.overlays._replace(shelved=overlay, shelvings=times))
        facts = {"reason": overlay.reason, "until_utc_ms": overlay.until_utc_ms, "times": times}
        work.tell(after, rule, "shelved", {**asking.by, **facts})
        work.follow(after, after.state, (), rule, {})
        return f"shelved for {for_ns / 60e9:g} min; it comes back by itself"

    return _on(book, rules, asking, "shelve", lambda a, r: over.why_not_shelve(r, a.overlays, for_ns, reason), do)


def unshelve(book: AlarmBook, rules: AlarmRules, asking: Asking) -> Asked:
    """End a shelving before its time."""

    def do(work: Work, alarm: Alarm, rule: AlarmRule) -> str:
        after = alarm._replace(overlays=alarm.overlays._replace(shelved=None))
        work.tell(after, rule, "unshelved", asking.by)
        work.follow(after, after.state, (), rule, {})
        return "no longer shelved"

    return _on(book, rules, asking, "unshelve", lambda a, r: "" if a.overlays.shelved else "it is not shelved", do)


def out_of_service(book: AlarmBook, rules: AlarmRules, asking: Asking, for_ns: int, reason: str) -> Asked:
    """Take one alarm out of service under a permit, for a limited time."""

    def do(work: Work, alarm: Alarm, rule: AlarmRule) -> str:
        overlay = over.laid(for_ns, asking.actor, reason, asking.now_ns, asking.utc_ms)
        after = alarm._replace(overlays=alarm.overlays._replace(out_of_service=overlay))
        facts = {"reason": overlay.reason, "until_utc_ms": overlay.until_utc_ms}
        work.tell(after, rule, "out_of_service", {**asking.by, **facts})
        work.follow(after, after.state, (), rule, {})
        return f"out of service for {for_ns / 3600e9:g} h; it comes back by itself"

    def why_not(alarm: Alarm, rule: AlarmRule) -> str:
        return over.why_not_leave_service(rule, alarm.overlays, for_ns, reason)

    return _on(book, rules, asking, "out_of_service", why_not, do)


def return_to_service(book: AlarmBook, rules: AlarmRules, asking: Asking) -> Asked:
    """Put one alarm back into service before its time."""

    def do(work: Work, alarm: Alarm, rule: AlarmRule) -> str:
        after = alarm._replace(overlays=alarm.overlays._replace(out_of_service=None))
        work.tell(after, rule, "returned_to_service", asking.by)
        work.follow(after, after.state, (), rule, {})
        return "back in service"

    return _on(
        book,
        rules,
        asking,
        "return_to_service",
        lambda a, r: "" if a.overlays.out_of_service else "it is not out of service",
        do,
    )
