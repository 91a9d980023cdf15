"""Whom to call for an alarm, and whom next, until somebody answers for it. Pure.

One escalation for each alarm that stands. Theory of operation:

- An alarm that calls (unacknowledged, and active or latched) has its next call due at all times: the next step, a
  reminder, or its first step again after the last one. Only an acknowledgement of the occurrence that stands, the end
  of the need (returned to normal, shelved, in test), or, for priorities that must not reach somebody, the last of the
  rounds that the site has set, ends this.
- A step that has nobody on duty is passed over at once, and said so; a whole chain without anybody is everybody.
- An acknowledgement holds for the alarm's time to respond. Still active then, it calls again from its first step.
- Worse than before: from its first step at once, whatever was acknowledged.

Durations are monotonic nanoseconds; who is on duty is asked for the UTC of the moment.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from nightrake.alarms.calls import Escalation, Escalations, Need, Standing
from nightrake.alarms.rota import MUST_REACH, Chain, Rota, Step, chain_of, whom
from nightrake.alarms.zones import wall_text
from nightrake.domain.rows import Answer, Entry

Told = tuple[Entry, ...]
_Moved = tuple[Escalation, Told]


def on_transition(state: Escalations, rota: Rota, now: Standing, now_ns: int, utc_ms: int) -> tuple[Escalations, Told]:
    """Take in an alarm as it stands now; the same again changes nothing."""
    held = state.running.get(now.alarm)
    if held is not None and now.occurrence < held.standing.occurrence:
        return state, ()
    if now.need is Need.OVER:
        return _end(state, held, now)
    if held is not None and held.standing == now:
        return state, ()
    before = _in_occurrence(held, now)
    was = before.standing
    after = before._replace(standing=now)
    worse = held is not None and now.severity > was.severity
    if now.need is Need.CALL:
        after, told = _on_call(rota, after, was, worse, now_ns, utc_ms)
    elif now.need is Need.RESPOND:
        after, told = _on_respond(rota, after, was, worse, now_ns, utc_ms)
    else:
        told = (_entry(after, "calls_stopped", {"told": list(after.told)}),) if _is_calling(before) else ()
    return _put(state, after, now_ns, utc_ms), told


def _in_occurrence(held: Escalation | None, now: Standing) -> Escalation:
    """The escalation that goes on; a new occurrence of an alarm that nobody answered stays where its calls stand."""
    if held is None:
        return Escalation(now)
    if held.standing.occurrence == now.occurrence:
        return held
    if held.calling and held.due_ns:
        # Otherwise a contact that comes and goes would call the first step for ever.
        return held._replace(acked_by="", acked_utc_ms=0, told=())
    return Escalation(now._replace(need=Need.REST))


def _on_call(rota: Rota, after: Escalation, was: Standing, worse: bool, now_ns: int, utc_ms: int) -> _Moved:
    if worse or not after.calling or not after.due_ns:
        return _begin(rota, after, "worse" if worse else "raised", now_ns, utc_ms)
    if was.need is not Need.CALL or was.occurrence != after.standing.occurrence:
        return _again(rota, after, "again", now_ns, utc_ms)
    if was.priority != after.standing.priority:
        return _begin(rota, after, "other priority", now_ns, utc_ms)
    return after, ()


def _on_respond(rota: Rota, after: Escalation, was: Standing, worse: bool, now_ns: int, utc_ms: int) -> _Moved:
    if worse:
        return _begin(rota, after, "worse", now_ns, utc_ms)
    if after.calling and was.need is Need.REST:
        return _again(rota, after, "again", now_ns, utc_ms)
    if (after.calling and was.need is Need.CALL) or not (after.calling or after.due_ns):
        return _answered(after, now_ns), ()
    return after, ()


def on_tick(state: Escalations, rota: Rota, now_ns: int, utc_ms: int) -> tuple[Escalations, Told]:
    """Do what is due: call the next step, remind, go round again, or call again after the time to respond."""
    if not state.due_ns or now_ns < state.due_ns:
        return state, ()
    running, entries = dict(state.running), list[Entry]()
    for name, held in state.running.items():
        if not 0 < held.next_ns <= now_ns:
            continue
        after, told = _on_due(rota, held, now_ns, utc_ms)
        running[name] = after._replace(seen_ns=now_ns, seen_utc_ms=utc_ms)
        entries.extend(told)
    return Escalations(running, _earliest(running)), tuple(sorted(entries, key=lambda e: not e.urgent))


def _on_due(rota: Rota, held: Escalation, now_ns: int, utc_ms: int) -> _Moved:
    if not held.calling:
        return _begin(rota, held, "still active", now_ns, utc_ms)
    if now_ns >= held.until_ns:
        return _go_on(rota, held, held.step + 1, "nobody answered", now_ns, utc_ms)
    return _again(rota, held, "reminder", now_ns, utc_ms)


def on_acknowledge(
    state: Escalations, rota: Rota, alarm: str, occurrence: int, by: Mapping[str, str], now_ns: int, utc_ms: int
) -> tuple[Escalations, Told, Answer]:
    """Stop the calls of one occurrence for its time to respond, or refuse and say why.

    Args:
        occurrence: The one that the person has seen. by: ``actor``, ``role``, ``known_by``.
    """
    held = state.running.get(alarm)
    refusal = _why_not(rota, held, occurrence)
    if held is None or refusal:
        data = {**by, "verb": "acknowledge", "alarm": alarm, "occurrence": occurrence, "reason": refusal}
        about = (held.standing.drive, held.standing.direction) if held is not None else ("", "")
        entry = Entry("command", "refused", *about, data)
        return state, (entry,), Answer(False, f"{alarm}: not acknowledged: {refusal}")
    after = _answered(held, now_ns)._replace(acked_by=by["actor"], acked_utc_ms=utc_ms)
    if held.standing.need is Need.CALL:
        after = after._replace(standing=held.standing._replace(need=Need.RESPOND))
    respond_s = held.standing.respond_ns / 1e9
    entry = _entry(after, "calls_answered", {**by, "told": list(after.told), "respond_s": respond_s})
    minutes = f"; still active in {respond_s / 60:g} min, it calls again" if respond_s else ""
    return _put(state, after, now_ns, utc_ms), (entry,), Answer(True, f"{alarm}: acknowledged{minutes}")


def _why_not(rota: Rota, held: Escalation | None, occurrence: int) -> str:
    if held is None:
        return "no such alarm stands now"
    stands = held.standing.occurrence
    if occurrence < stands:
        return f"occurrence {occurrence} is over and {stands} stands now; look at it and acknowledge that one"
    if occurrence > stands:
        return f"there is no occurrence {occurrence} of it yet; {stands} stands now"
    if held.acked_by and not held.calling:
        at = wall_text(rota.zone, held.acked_utc_ms // 1000)
        return f"{_name(rota, held.acked_by)} has acknowledged it already, at {at}"
    return ""


def _name(rota: Rota, person: str) -> str:
    return f"{rota.people[person].name} ({person})" if person in rota.people else person


def after_restart(state: Escalations, now_ns: int, utc_ms: int, *, same_boot: bool) -> Escalations:
    """Bring stored escalations back: nothing is called twice for it, and nothing forgotten.

    After a start of the machine the monotonic clock is another one. What was left of a wait is shortened by the UTC
    that has passed, and never becomes longer than it was.
    """
    if same_boot:
        return state._replace(due_ns=_earliest(state.running))
    running = {}
    for name, held in state.running.items():
        gone_ns = max(0, utc_ms - held.seen_utc_ms) * 1_000_000
        due_ns, until_ns = (
            now_ns + max(1, at_ns - held.seen_ns - gone_ns) if at_ns else 0 for at_ns in (held.due_ns, held.until_ns)
        )
        running[name] = held._replace(due_ns=due_ns, until_ns=until_ns, seen_ns=now_ns, seen_utc_ms=utc_ms)
    return Escalations(running, _earliest(running))


# --- the moves ---


def _begin(rota: Rota, held: Escalation, why: str, now_ns: int, utc_ms: int) -> _Moved:
    """Call the first step."""
    fresh = held._replace(calling=True, step=-1, round=1)
    return _go_on(rota, fresh, held.standing.first_step, why, now_ns, utc_ms)


def _go_on(rota: Rota, held: Escalation, step: int, why: str, now_ns: int, utc_ms: int) -> _Moved:
    """Call the next step that has somebody on duty, each looked at once; nobody anywhere: everybody."""
    chain = chain_of(rota, held.standing.priority)
    if chain is None:
        return held._replace(due_ns=0, until_ns=0), ()
    first = min(held.standing.first_step, len(chain.steps) - 1)
    at, told = held, list[Entry]()
    step = step if held.step >= 0 else first
    for _ in range(len(chain.steps) - first):
        if step >= len(chain.steps):
            step, at = first, at._replace(round=at.round + 1)
            if _is_enough(chain, held.standing.priority, at.round):
                told.append(_entry(at, "chain_ended", {"rounds": chain.rounds, "told": list(at.told)}))
                return at._replace(due_ns=0, until_ns=0), tuple(told)
        people = whom(rota, chain.steps[step], utc_ms // 1000)
        at = at._replace(step=step)
        if people:
            called, entry = _call(at, chain, people, "called", why, now_ns)
            return called, (*told, entry)
        told.append(_passed_over(at, chain))
        step += 1
    called, entry = _call(at, chain, tuple(rota.people), "called", "nobody on duty in any step", now_ns)
    return called, (*told, entry._replace(data={**entry.data, "everybody": True}))


def _again(rota: Rota, held: Escalation, why: str, now_ns: int, utc_ms: int) -> _Moved:
    """Call the present step once more, without waiting any longer for it; who is on duty may have changed."""
    chain = chain_of(rota, held.standing.priority)
    if chain is None:
        return held._replace(due_ns=0, until_ns=0), ()
    if not 0 <= held.step < len(chain.steps) or now_ns >= held.until_ns:
        return _go_on(rota, held, held.step + 1, why, now_ns, utc_ms)
    people = whom(rota, chain.steps[held.step], utc_ms // 1000)
    if not people:
        after, more = _go_on(rota, held, held.step + 1, "nobody on duty any more", now_ns, utc_ms)
        return after, (_passed_over(held, chain), *more)
    event = "reminded" if why == "reminder" else "called"
    after, entry = _call(held, chain, people, event, why, now_ns)
    return after._replace(until_ns=held.until_ns, due_ns=min(after.due_ns, held.until_ns)), (entry,)


def _call(
    held: Escalation, chain: Chain, people: tuple[str, ...], event: str, why: str, now_ns: int
) -> tuple[Escalation, Entry]:
    step: Step = chain.steps[held.step]
    until_ns = now_ns + max(1, step.wait_ns)
    due_ns = min(until_ns, now_ns + step.remind_ns) if step.remind_ns else until_ns
    data = {
        "people": list(people),
        "everybody": step.everybody,
        "step": held.step + 1,
        "steps": len(chain.steps),
        "round": held.round,
        "why": why,
        "told_before": list(held.told),
    }
    told = tuple(dict.fromkeys((*held.told, *people)))
    return held._replace(told=told, due_ns=due_ns, until_ns=until_ns), _entry(held, event, data)


def _is_enough(chain: Chain, priority: str, count: int) -> bool:
    """Whether the rounds are used up. A site cannot limit them for what must reach somebody most of all."""
    return 0 < chain.rounds < count and priority != MUST_REACH[0]


def _passed_over(held: Escalation, chain: Chain) -> Entry:
    return _entry(held, "nobody_on_duty", {"step": held.step + 1, "steps": len(chain.steps)})


def _answered(held: Escalation, now_ns: int) -> Escalation:
    respond_ns = held.standing.respond_ns
    return held._replace(calling=False, step=-1, round=1, due_ns=now_ns + respond_ns if respond_ns else 0, until_ns=0)


def _is_calling(held: Escalation) -> bool:
    return held.calling and held.step >= 0 and held.standing.need in (Need.CALL, Need.RESPOND)


def _end(state: Escalations, held: Escalation | None, now: Standing) -> tuple[Escalations, Told]:
    if held is None:
        return state, ()
    running = {name: e for name, e in state.running.items() if name != now.alarm}
    told = (_entry(held, "calls_ended", {"told": list(held.told)}),) if held.told else ()
    return Escalations(running, state.due_ns if running else 0), told


def _put(state: Escalations, after: Escalation, now_ns: int, utc_ms: int) -> Escalations:
    running = {**state.running, after.standing.alarm: after._replace(seen_ns=now_ns, seen_utc_ms=utc_ms)}
    dues = [ns for ns in (state.due_ns, after.next_ns) if ns]
    return Escalations(running, min(dues, default=0))


def _earliest(running: Mapping[str, Escalation]) -> int:
    return min((e.next_ns for e in running.values() if e.next_ns), default=0)


def _entry(held: Escalation, event: str, data: Mapping[str, Any]) -> Entry:
    standing = held.standing
    about = {"alarm": standing.alarm, "occurrence": standing.occurrence, "priority": str(standing.priority)}
    urgent = standing.priority == MUST_REACH[0]
    return Entry("call", event, standing.drive, standing.direction, {**about, **data}, urgent)
