"""Test calls: is the way to each person alive? Who does not answer one is reported to the next. Pure.

Each step's people get a test call at the site's times; so does whoever comes on duty at the start of a shift, where the
team wants it. A check belongs to a person: two people of one step prove two telephones.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import NamedTuple

from nightrake.alarms.rota import MUST_REACH, Rota, Team, chain_of, duties, on_duty, whom
from nightrake.alarms.zones import DAY_S, day_of, instant, weekday
from nightrake.domain.rows import Answer, Entry

LATE_S = 3_600
"""A time that was missed by more than this, because the service stood, is missed: nobody is called in the afternoon for
the start of the night shift."""


class OpenCheck(NamedTuple):
    """A test call that waits for its answer.

    Attributes:
        why: ``check time`` or ``shift start``.
        called_ns, called_utc_ms: When. due_ns: Until when it waits.
    """

    why: str
    called_ns: int
    called_utc_ms: int
    due_ns: int


class CallChecks(NamedTuple):
    """Until when the rota has been looked at for test calls (UTC seconds, 0: not yet), and the open ones by person."""

    looked_utc_s: int = 0
    open: Mapping[str, OpenCheck] = {}


def on_tick(state: CallChecks, rota: Rota, now_ns: int, utc_ms: int) -> tuple[CallChecks, tuple[Entry, ...]]:
    """Make the test calls whose time has come, and report those that nobody answered."""
    now_s = utc_ms // 1000
    told: tuple[Entry, ...] = ()
    if any(c.due_ns <= now_ns for c in state.open.values()):
        state, told = _report(state, rota, now_ns, now_s)
    if not state.looked_utc_s or state.looked_utc_s > now_s + DAY_S:
        return state._replace(looked_utc_s=now_s), told
    if now_s <= state.looked_utc_s:  # also after the clock was set back: no time comes twice
        return state, told
    after_s = max(state.looked_utc_s, now_s - LATE_S)
    state = state._replace(looked_utc_s=now_s)
    at_check_time, at_start = _at_check_time(rota, after_s, now_s), _at_start(rota, after_s, now_s)
    for why, people in (("check time", at_check_time), ("shift start", at_start)):
        state, more = _call(state, rota, why, people, now_ns, utc_ms)
        told += more
    return state, told


def on_call_answered(state: CallChecks, person: str, now_ns: int) -> tuple[CallChecks, tuple[Entry, ...], Answer]:
    """A person answers; any command of theirs is as good as the answer itself."""
    check = state.open.get(person)
    if check is None:
        return state, (), Answer(False, f"{person}: no test call waits for an answer")
    after_s = (now_ns - check.called_ns) / 1e9
    entry = Entry("call", "check_answered", "", "", {"person": person, "why": check.why, "after_s": round(after_s, 1)})
    return state._replace(open=_without(state.open, {person})), (entry,), Answer(True, f"{person}: test call answered")


def on_settings(state: CallChecks, people: Collection[str]) -> CallChecks:
    """Take changed settings: nobody waits for an answer of whoever has left."""
    gone = {p for p in state.open if p not in people}
    return state._replace(open=_without(state.open, gone)) if gone else state


def after_restart(state: CallChecks, now_ns: int, utc_ms: int, *, same_boot: bool) -> CallChecks:
    """Bring stored checks back; after a start of the machine what is left of a wait goes by the UTC that has passed."""
    if same_boot:
        return state
    waiting = {}
    for person, check in state.open.items():
        gone_ns = max(0, utc_ms - check.called_utc_ms) * 1_000_000
        left_ns = max(1, check.due_ns - check.called_ns - gone_ns)
        waiting[person] = check._replace(called_ns=now_ns - gone_ns, due_ns=now_ns + left_ns)
    return state._replace(open=waiting)


def _at_check_time(rota: Rota, after_s: int, now_s: int) -> tuple[str, ...]:
    """People of every step that is checked, if its time of day has passed within the span."""
    times = rota.checks
    for day in range(day_of(times.zone, after_s), day_of(times.zone, now_s) + 1):
        at_s = instant(times.zone, day, times.at_s)
        if weekday(day) in times.days and after_s < at_s <= now_s:
            steps = [s for c in rota.chains.values() for s in c.steps if s.checked]
            return tuple(dict.fromkeys(p for s in steps for p in whom(rota, s, now_s)))
    return ()


def _at_start(rota: Rota, after_s: int, now_s: int) -> tuple[str, ...]:
    teams = [t for t in rota.teams.values() if t.check_at_shift_start]
    people = (p for t in teams for p in _coming(t, after_s, now_s))
    return tuple(p for p in dict.fromkeys(people) if p in rota.people)


def _coming(team: Team, after_s: int, now_s: int) -> tuple[str, ...]:
    """Who has come on duty within the span and was not on duty the second before."""
    turns = [d for d in duties(team, after_s, now_s + 1) if after_s < d.from_utc_s <= now_s]
    return tuple(p for d in turns for p in d.people if p not in on_duty(team, d.from_utc_s - 1))


def _call(
    state: CallChecks, rota: Rota, why: str, people: tuple[str, ...], now_ns: int, utc_ms: int
) -> tuple[CallChecks, tuple[Entry, ...]]:
    fresh = [p for p in people if p not in state.open]
    if not fresh:
        return state, ()
    check = OpenCheck(why, now_ns, utc_ms, now_ns + rota.checks.answer_ns)
    data = {"people": fresh, "why": why, "answer_s": rota.checks.answer_ns / 1e9}
    waiting = {**state.open, **dict.fromkeys(fresh, check)}
    return state._replace(open=waiting), (Entry("call", "check_called", "", "", data),)


def _report(state: CallChecks, rota: Rota, now_ns: int, now_s: int) -> tuple[CallChecks, tuple[Entry, ...]]:
    dead = {p for p, c in state.open.items() if c.due_ns <= now_ns}
    entries = []
    for person in sorted(dead):
        check = state.open[person]
        data = {"person": person, "why": check.why, "people": list(_next_after(rota, person, dead, now_s))}
        entries.append(Entry("call", "check_unanswered", "", "", data))
    return state._replace(open=_without(state.open, dead)), tuple(entries)


def _next_after(rota: Rota, person: str, dead: set[str], now_s: int) -> tuple[str, ...]:
    """Who is told that the way to a person is dead: the next step with somebody whose way is not; else everybody."""
    chain = chain_of(rota, MUST_REACH[0])
    called = [whom(rota, s, now_s) for s in chain.steps] if chain else []
    own = next((i for i, people in enumerate(called) if person in people), -1)
    for people in (*called[own + 1 :], tuple(rota.people)):
        alive = tuple(p for p in people if p not in dead)
        if alive:
            return alive
    return tuple(p for p in rota.people if p != person)


def _without(waiting: Mapping[str, OpenCheck], gone: set[str]) -> dict[str, OpenCheck]:
    return {p: c for p, c in waiting.items() if p not in gone}
