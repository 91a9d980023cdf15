"""One move of an escalation: which step is called, whom that is now, and when something is due next. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from nightrake.alarms.calls import Escalation
from nightrake.alarms.rota import MUST_REACH, Chain, Rota, Step, chain_of, whom
from nightrake.domain.rows import Entry

APART_NS = 60_000_000_000
"""An alarm that only comes again calls at most once within this, or within the wait of its step where that is shorter,
and once more where it has become worse than ever called (own choice)."""
SOON_NS = 10_000_000_000
"""A reminder this short before the next step is left out (a tenth of the wait, where that is shorter)."""
Told = tuple[Entry, ...]
Moved = tuple[Escalation, Told]


def begin(rota: Rota, held: Escalation, why: str, now_ns: int, utc_ms: int) -> Moved:
    """Call the first step."""
    worst = held.worst if held.calling or now_ns < held.apart_ns else 0
    fresh = held._replace(calling=True, step=-1, round=1, worst=worst)
    return go_on(rota, fresh, held.standing.first_step, why, now_ns, utc_ms)


def put_off(held: Escalation) -> Escalation:
    """Call the first step when the last call is no longer a moment ago."""
    return held._replace(calling=True, step=-1, round=1, due_ns=held.apart_ns, until_ns=held.apart_ns)


def go_on(rota: Rota, held: Escalation, step: int, why: str, now_ns: int, utc_ms: int) -> Moved:
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
            if is_enough(chain, held.standing.priority, at.round):
                told.append(entry_of(at, "chain_ended", {"rounds": chain.rounds, "told": list(at.told)}))
                return at._replace(due_ns=0, until_ns=0), tuple(told)
        people = whom(rota, chain.steps[step], utc_ms // 1000)
        at = at._replace(step=step)
        if people:
            after, entry = _call(at, chain, people, "called", why, now_ns)
            return after, (*told, entry)
        told.append(_passed_over(at, chain))
        step += 1
    after, entry = _call(at, chain, tuple(rota.people), "called", "nobody on duty in any step", now_ns)
    return after, (*told, entry._replace(data={**entry.data, "everybody": True}))


def again(rota: Rota, held: Escalation, why: str, now_ns: int, utc_ms: int) -> Moved:
    """Call the present step once more, without waiting any longer for it; who is on duty may have changed."""
    chain = chain_of(rota, held.standing.priority)
    if chain is None:
        return held._replace(due_ns=0, until_ns=0), ()
    if not 0 <= held.step < len(chain.steps) or now_ns >= held.until_ns:
        return go_on(rota, held, held.step + 1, why, now_ns, utc_ms)
    people = whom(rota, chain.steps[held.step], utc_ms // 1000)
    if not people:
        after, more = go_on(rota, held, held.step + 1, "nobody on duty any more", now_ns, utc_ms)
        return after, (_passed_over(held, chain), *more)
    event = "reminded" if why == "reminder" else "called"
    after, entry = _call(held, chain, people, event, why, now_ns)
    due_ns = after.due_ns if after.due_ns < held.until_ns - soon_ns(rota, held) else held.until_ns
    return after._replace(until_ns=held.until_ns, due_ns=due_ns), (entry,)


def _call(
    held: Escalation, chain: Chain, people: tuple[str, ...], event: str, why: str, now_ns: int
) -> tuple[Escalation, Entry]:
    step: Step = chain.steps[held.step]
    until_ns = now_ns + max(1, step.wait_ns)
    due_ns = now_ns + step.remind_ns if 0 < step.remind_ns < step.wait_ns - _soon_ns(step) else until_ns
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
    after = held._replace(told=told, due_ns=due_ns, until_ns=until_ns)
    apart_ns = now_ns + min(APART_NS, step.wait_ns)
    return after._replace(apart_ns=apart_ns, worst=max(held.worst, held.standing.severity)), entry_of(held, event, data)


def is_enough(chain: Chain, priority: str, count: int) -> bool:
    """Whether the rounds are used up. A site cannot limit them for what must reach somebody most of all."""
    return 0 < chain.rounds < count and priority != MUST_REACH[0]


def _passed_over(held: Escalation, chain: Chain) -> Entry:
    return entry_of(held, "nobody_on_duty", {"step": held.step + 1, "steps": len(chain.steps)})


def answered(held: Escalation, now_ns: int) -> Escalation:
    """Somebody has; it calls again after the time to respond."""
    respond_ns = held.standing.respond_ns
    return held._replace(calling=False, step=-1, round=1, due_ns=now_ns + respond_ns if respond_ns else 0, until_ns=0)


def soon_ns(rota: Rota, held: Escalation) -> int:
    """How short before the next step a reminder is left out."""
    chain = chain_of(rota, held.standing.priority)
    return _soon_ns(chain.steps[held.step]) if chain is not None and 0 <= held.step < len(chain.steps) else 0


def _soon_ns(step: Step) -> int:
    return min(SOON_NS, step.wait_ns // 10)


def last_step(rota: Rota, held: Escalation, utc_ms: int) -> tuple[str, ...]:
    """Who is to know that an alarm which stands is watched no more, beside those who were called for it."""
    chain = chain_of(rota, held.standing.priority)
    must = chain is not None and held.standing.priority in MUST_REACH
    return whom(rota, chain.steps[-1], utc_ms // 1000) if chain is not None and must else ()


def entry_of(held: Escalation, event: str, data: Mapping[str, Any]) -> Entry:
    """A row of the journal about its calls."""
    standing = held.standing
    about = {"alarm": standing.alarm, "occurrence": standing.occurrence, "priority": str(standing.priority)}
    urgent = standing.priority == MUST_REACH[0]
    return Entry("call", event, standing.drive, standing.direction, {**about, **data}, urgent)
