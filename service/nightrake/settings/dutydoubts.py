"""What is allowed but seldom meant about people: gaps in the rota, ways that were never tried, nobody to release."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime

from nightrake.alarms.rota import MUST_REACH, chain_of, chain_uncovered, uncovered
from nightrake.alarms.zones import DAY_S, Span, Zone, wall_text
from nightrake.settings.duty import Duty

DAYS_AHEAD = 366
"""Gaps are looked for so far: exceptions are entered months ahead."""
LAST_SHOWN = 3


def duty_doubts(duty: Duty, today: date) -> Iterator[str]:
    """One sentence for each."""
    tables = duty.tables
    if not tables.person:
        yield "there is no [person.ID], so nobody can be called, whatever happens"
        return
    from_utc_s = int(datetime(today.year, today.month, today.day, tzinfo=UTC).timestamp())
    to_utc_s = from_utc_s + DAYS_AHEAD * DAY_S
    yield from _chains(duty, from_utc_s, to_utc_s)
    yield from _teams(duty, from_utc_s, to_utc_s)
    tried = tables.test_call.days or any(t.test_call_at_shift_start for t in tables.team.values())
    if not tried:
        yield "test_call.days is empty and no team has test_call_at_shift_start, so a dead way to a person stays unseen"
    if not any(p.role == "supervisor" for p in tables.person.values()):
        yield "no person has the role supervisor, so nobody can release a lockout, and a shutdown opens none"
    if tables.team and "zone" not in tables.rota.model_fields_set and not all(t.zone for t in tables.team.values()):
        yield "rota.zone is not given, so the shifts' times of day are taken as UTC"


def _chains(duty: Duty, from_utc_s: int, to_utc_s: int) -> Iterator[str]:
    for priority in MUST_REACH:
        chain = chain_of(duty.rota, priority)
        if priority not in duty.rota.chains or chain is None:
            yield f"escalation.{priority} has no steps, so everybody is called at once"
            continue
        gaps = chain_uncovered(duty.rota, chain, from_utc_s, to_utc_s)
        if gaps:
            text = f"escalation.{priority}: no step has anybody on duty {_spans(duty.rota.zone, gaps)}"
            yield f"{text}; everybody is called then"


def _teams(duty: Duty, from_utc_s: int, to_utc_s: int) -> Iterator[str]:
    called = {t for c in duty.rota.chains.values() for s in c.steps for t in s.teams}
    for team in duty.rota.teams.values():
        if team.id not in called:
            yield f"team.{team.id} is in no escalation step, so it is never called as a team"
        gaps = uncovered(team, from_utc_s, to_utc_s)
        if gaps and not duty.tables.team[team.id].gaps_meant:
            zone = team.shifts[0].zone if team.shifts else duty.rota.zone
            text = f"team.{team.id}: nobody is on duty {_spans(zone, gaps)}"
            yield f"{text}; fill the gap, or say gaps_meant = true"


def _spans(zone: Zone, gaps: Sequence[Span]) -> str:
    shown = ", ".join(f"from {wall_text(zone, a)} to {wall_text(zone, b)}" for a, b in gaps[:LAST_SHOWN])
    more = f" and {len(gaps) - LAST_SHOWN} more times" if len(gaps) > LAST_SHOWN else ""
    return f"{shown}{more} (within {DAYS_AHEAD} days, {zone.name} time)"
