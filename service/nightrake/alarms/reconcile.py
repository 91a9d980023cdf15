"""The calls held against the alarms as they stand: after changed settings, and in the first step of a run. Pure.

Calls follow the transitions of alarms, one by one (`alarms.escalation`). What happened while nobody could be called,
while nothing ran, or what a damaged record has lost is no transition: so everything is looked at once more here.

- What stands and needs somebody has a call due, by the people, steps, priorities and times of now.
- What does not stand, or is watched no more, has none.
- Where nobody is in the settings there are no calls at all; those that were end, each with a row that says so. They
  begin when there is somebody.

Doing it twice changes nothing.
"""

from __future__ import annotations

from typing import NamedTuple

from nightrake.alarms.calls import Escalation, Escalations, Need, Standing
from nightrake.alarms.callsteps import Moved, Told, begin, is_enough
from nightrake.alarms.escalation import NOBODY, earliest, end, on_transition
from nightrake.alarms.records import AlarmBook, standing_of
from nightrake.alarms.rota import Rota, chain_of
from nightrake.alarms.rules import AlarmRules
from nightrake.domain.rows import Entry

FOUND = "found"
"""Why somebody is called: it stood, and no call for it was out."""


class Stand(NamedTuple):
    """An alarm as it stands, and who acknowledged it when ("" = nobody)."""

    now: Standing
    acked_by: str
    acked_utc_ms: int


def reconcile(
    calls: Escalations, rota: Rota, book: AlarmBook, rules: AlarmRules, now_ns: int, utc_ms: int
) -> tuple[Escalations, Told]:
    """Bring the calls in line with the alarms.

    Args:
        calls: As they are. rota, rules: Of the settings that hold now. book: The alarms.

    Returns:
        The calls after (themselves where nothing is different), and what is to be journalled, what is urgent first.
    """
    if not rota.people:
        return _without_people(calls, rota, now_ns, utc_ms)
    stands, told = _stands(book, rules), list[Told]()
    for text, held in list(calls.running.items()):
        found = stands.get(text)
        if found is None or found.now.occurrence < held.standing.occurrence:
            calls, more = end(calls, rota, text, "lost" if _is_lost(book, held) else "normal", now_ns, utc_ms)
            told.append(more)
    for text, found in stands.items():
        timed = text in calls.running and calls.running[text].due_ns > 0
        if text in calls.running or found.now.need is not Need.CALL:
            calls, more = on_transition(calls, rota, found.now, now_ns, utc_ms)
            told.append(more)
        calls, more = _mend(calls, rota, found, timed, now_ns, utc_ms)
        told.append(more)
    entries = [entry for more in told for entry in more]
    return calls, tuple(sorted(entries, key=lambda e: not e.urgent))


def _without_people(calls: Escalations, rota: Rota, now_ns: int, utc_ms: int) -> tuple[Escalations, Told]:
    """Every call ends, and the journal says of each alarm that stands that nobody is called for it."""
    if not (calls.running or calls.late):
        return calls, ()
    told = list[Entry]()
    for text, held in calls.running.items():
        if held.next_ns or held.calling:
            told += end(calls, rota, text, NOBODY, now_ns, utc_ms)[1]
    return Escalations(), tuple(sorted(told, key=lambda e: not e.urgent))


def _stands(book: AlarmBook, rules: AlarmRules) -> dict[str, Stand]:
    """Every alarm that is not normal, by its text form; of a subject that is away, as away."""
    found = {}
    for subject in book.subjects.values():
        for text, alarm in subject.alarms.items():
            rule = rules.of(alarm.key)
            if rule is None:
                continue
            now = standing_of(alarm, rule)
            if now.need is Need.OVER:
                continue
            now = now._replace(need=Need.AWAY) if subject.away else now
            found[text] = Stand(now, alarm.state.acked_by, alarm.state.acked_utc_ms)
    return found


def _is_lost(book: AlarmBook, held: Escalation) -> bool:
    """Whether the book does not even know the occurrence that people were called for: its record was damaged."""
    subjects, alarm = book.subjects, held.standing.alarm
    subject = subjects.get(alarm.partition("/")[0])
    return subject is None or subject.occurrences.get(alarm, 0) < held.standing.occurrence


def _mend(
    calls: Escalations, rota: Rota, found: Stand, timed: bool, now_ns: int, utc_ms: int
) -> tuple[Escalations, Told]:
    """What no transition tells: that there is no call yet, other people, steps, times.

    Args:
        timed: Something was due for it already.
    """
    before = calls.running.get(found.now.alarm)
    need = found.now.need
    if before is None and need is not Need.CALL:
        return calls, ()
    held = before or Escalation(found.now)
    after = held
    told: Told = ()
    if need is Need.CALL or (need is Need.RESPOND and held.calling):
        after, told = _calling(rota, held, now_ns, utc_ms)
    elif need is Need.RESPOND:
        after = _answered(held, found, timed, now_ns, utc_ms)
    elif held.calling:
        after = _in_time(rota, held, now_ns)
    if after == before:
        return calls, ()
    running = {**calls.running, found.now.alarm: after._replace(seen_ns=now_ns, seen_utc_ms=utc_ms)}
    return calls._replace(running=running, due_ns=earliest(running)), told


def _calling(rota: Rota, held: Escalation, now_ns: int, utc_ms: int) -> Moved:
    """One that has to call: it has a call due, unless the site has no steps for it or has limited its rounds."""
    chain = chain_of(rota, held.standing.priority)
    nobody_left = bool(held.told) and not any(p in rota.people for p in held.told)
    used_up = chain is not None and held.step >= 0 and is_enough(chain, held.standing.priority, held.round)
    if not held.calling or nobody_left or not (held.due_ns or used_up):
        return begin(rota, held, FOUND, now_ns, utc_ms)
    return _in_time(rota, held, now_ns), ()


def _in_time(rota: Rota, held: Escalation, now_ns: int) -> Escalation:
    """What is due comes no later than the step says now."""
    chain = chain_of(rota, held.standing.priority)
    if chain is None:
        return held._replace(due_ns=0, until_ns=0)
    if not held.due_ns or held.step < 0:
        return held
    step = chain.steps[min(held.step, len(chain.steps) - 1)]
    until_ns = min(held.until_ns, now_ns + step.wait_ns)
    due_ns = min(held.due_ns, until_ns, now_ns + (step.remind_ns or step.wait_ns))
    return held._replace(due_ns=due_ns, until_ns=until_ns)


def _answered(held: Escalation, found: Stand, timed: bool, now_ns: int, utc_ms: int) -> Escalation:
    """One that somebody has answered for: it calls again when its time to respond, as it is now, is over."""
    respond_ns = found.now.respond_ns
    held = held if held.acked_by else held._replace(acked_by=found.acked_by, acked_utc_ms=found.acked_utc_ms)
    if not respond_ns:
        return held._replace(due_ns=0)
    if timed and held.due_ns <= now_ns + respond_ns:
        return held
    gone_ns = max(0, utc_ms - (held.acked_utc_ms or utc_ms)) * 1_000_000
    return held._replace(due_ns=now_ns + max(1, respond_ns - gone_ns))
