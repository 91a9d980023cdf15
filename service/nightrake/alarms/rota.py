"""Who is on duty when: people, teams, shifts over nights and clock changes, exceptions by date. Pure.

A shift's ends are times of day, each turned into one instant (`alarms.zones`), so that at a handover one shift ends
exactly when the next begins, also in the nights of 23 and 25 hours.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import NamedTuple

from nightrake.alarms.zones import THURSDAY, UTC_ZONE, Span, Zone, day_of, instant, weekday

SECOND_NS = 1_000_000_000


class Shift(NamedTuple):
    """A shift that recurs.

    Attributes:
        name: Within its team.
        people: Person ids.
        days: Weekdays on which it begins, Monday = 0.
        from_s, to_s: Time of day of its ends, seconds on the wall from midnight; `to_s` <= `from_s`: on the next day.
        zone: In which the wall clock hangs.
        every_weeks, first_week: Only every n-th week; day number (`day_of`) of a day in a week that has it.
    """

    name: str
    people: tuple[str, ...]
    days: tuple[int, ...]
    from_s: int
    to_s: int
    zone: Zone = UTC_ZONE
    every_weeks: int = 1
    first_week: int = 0


class ShiftException(NamedTuple):
    """What is different about one shift on some days (those on which it begins, or would begin).

    Attributes:
        shift: Its name. first_day, last_day: Day numbers, both included.
        people: Who has it instead; none: the shift does not take place.
        from_s, to_s: Its ends on these days, -1 = as always.
    """

    shift: str
    first_day: int
    last_day: int
    people: tuple[str, ...]
    from_s: int = -1
    to_s: int = -1


class Team(NamedTuple):
    """People who take turns.

    Attributes:
        id, name: Identity, label.
        always: Person ids that are on duty at any time.
        shifts: Their turns. exceptions: What is different by date; of several for one shift and day the first counts.
        check_at_shift_start: Whoever comes on duty gets a test call.
    """

    id: str
    name: str
    always: tuple[str, ...] = ()
    shifts: tuple[Shift, ...] = ()
    exceptions: tuple[ShiftException, ...] = ()
    check_at_shift_start: bool = False


class Person(NamedTuple):
    """Somebody who may be told.

    Attributes:
        id, name, role: Identity, label, role (`alarms.rights.Role`).
        reach: Name of a channel and the address there, in the order in which they are used.
    """

    id: str
    name: str
    role: str
    reach: tuple[tuple[str, str], ...] = ()


class Step(NamedTuple):
    """One step of an escalation: whom, and for how long an acknowledgement is waited for.

    Attributes:
        people: Person ids, on duty or not. teams: Those of them who are on duty. everybody: all people of the rota.
        wait_ns: After this the next step is called.
        remind_ns: The same step is called again this often meanwhile, 0 = not.
        checked: It has its test calls.
    """

    people: tuple[str, ...] = ()
    teams: tuple[str, ...] = ()
    everybody: bool = False
    wait_ns: int = 300 * SECOND_NS
    remind_ns: int = 0
    checked: bool = True


class Chain(NamedTuple):
    """The steps of one priority; gone through from its beginning again after the last, `rounds` times (0: no end)."""

    steps: tuple[Step, ...]
    rounds: int = 0


class CheckTimes(NamedTuple):
    """When every step gets a test call.

    Attributes:
        days: Weekdays, Monday = 0; none: no such calls. at_s: Time of day. zone: In which.
        answer_ns: Within this a test call has to be answered, those at shift start too.
    """

    days: tuple[int, ...] = ()
    at_s: int = 36_000
    zone: Zone = UTC_ZONE
    answer_ns: int = 900 * SECOND_NS


class Rota(NamedTuple):
    """Everybody of a site who may be told, and in which order.

    Attributes:
        people, teams: By id. chains: By priority. checks: Test calls. zone: In which the site tells the time.
    """

    people: Mapping[str, Person] = {}
    teams: Mapping[str, Team] = {}
    chains: Mapping[str, Chain] = {}
    checks: CheckTimes = CheckTimes()
    zone: Zone = UTC_ZONE


EVERYBODY = Chain((Step(everybody=True, checked=False),))
"""For priorities that must reach somebody and for which the site has no steps."""
MUST_REACH = ("urgent", "high")


class Duty(NamedTuple):
    """One turn of a shift."""

    from_utc_s: int
    to_utc_s: int
    shift: str
    people: tuple[str, ...]


# --- who is on duty ---


def duties(team: Team, from_utc_s: int, to_utc_s: int) -> tuple[Duty, ...]:
    """Every turn that overlaps a span, in order of its beginning; turns that nobody has are left out."""
    found = []
    for shift in team.shifts:
        # A shift begun yesterday may last into today, none lasts longer.
        for day in range(day_of(shift.zone, from_utc_s) - 1, day_of(shift.zone, to_utc_s) + 1):
            duty = _duty(team, shift, day)
            if duty is not None and duty.from_utc_s < to_utc_s and duty.to_utc_s > from_utc_s:
                found.append(duty)
    return tuple(sorted(found))


def _duty(team: Team, shift: Shift, day: int) -> Duty | None:
    people, from_s, to_s = shift.people if _begins(shift, day) else (), shift.from_s, shift.to_s
    for other in team.exceptions:
        if other.shift == shift.name and other.first_day <= day <= other.last_day:
            people = other.people
            from_s = other.from_s if other.from_s >= 0 else from_s
            to_s = other.to_s if other.to_s >= 0 else to_s
            break
    if not people:
        return None
    last_day = day if to_s > from_s else day + 1
    begins, ends = instant(shift.zone, day, from_s), instant(shift.zone, last_day, to_s)
    return Duty(begins, ends, shift.name, people) if ends > begins else None


def _begins(shift: Shift, day: int) -> bool:
    if weekday(day) not in shift.days:
        return False
    weeks = (day + THURSDAY) // 7 - (shift.first_week + THURSDAY) // 7
    return weeks % shift.every_weeks == 0


def on_duty(team: Team, utc_s: int) -> tuple[str, ...]:
    """Person ids of a team at an instant, each once."""
    turns = duties(team, utc_s, utc_s + 1)
    return tuple(dict.fromkeys((*team.always, *(p for d in turns for p in d.people))))


def whom(rota: Rota, step: Step, utc_s: int) -> tuple[str, ...]:
    """Person ids that a step calls at an instant, each once; people and teams that the rota no longer has are none."""
    if step.everybody:
        return tuple(rota.people)
    teams = [rota.teams[t] for t in step.teams if t in rota.teams]
    named = (*step.people, *(p for team in teams for p in on_duty(team, utc_s)))
    return tuple(p for p in dict.fromkeys(named) if p in rota.people)


def chain_of(rota: Rota, priority: str) -> Chain | None:
    """The steps of a priority; everybody where it must reach somebody and the site says nothing; None: no calls."""
    chain = rota.chains.get(priority)
    if chain is not None and chain.steps:
        return chain
    return EVERYBODY if priority in MUST_REACH else None


# --- what a check asks ---


def uncovered(team: Team, from_utc_s: int, to_utc_s: int) -> tuple[Span, ...]:
    """Spans in which nobody of a team is on duty."""
    if team.always:
        return ()
    return gaps_between(((d.from_utc_s, d.to_utc_s) for d in duties(team, from_utc_s, to_utc_s)), from_utc_s, to_utc_s)


def chain_uncovered(rota: Rota, chain: Chain, from_utc_s: int, to_utc_s: int) -> tuple[Span, ...]:
    """Spans in which no step of a chain has anybody to call."""
    if any((s.everybody and rota.people) or s.people for s in chain.steps):
        return ()
    teams = [rota.teams[t] for s in chain.steps for t in s.teams if t in rota.teams]
    if any(t.always for t in teams):
        return ()
    turns = (d for t in teams for d in duties(t, from_utc_s, to_utc_s))
    return gaps_between(((d.from_utc_s, d.to_utc_s) for d in turns), from_utc_s, to_utc_s)


def gaps_between(covered: Iterable[Span], from_utc_s: int, to_utc_s: int) -> tuple[Span, ...]:
    """What a set of spans, in any order, leaves of a span."""
    gaps, at = [], from_utc_s
    for begins, ends in sorted(covered):
        if begins > at:
            gaps.append((at, min(begins, to_utc_s)))
        at = max(at, ends)
        if at >= to_utc_s:
            break
    if at < to_utc_s:
        gaps.append((at, to_utc_s))
    return tuple(gaps)
