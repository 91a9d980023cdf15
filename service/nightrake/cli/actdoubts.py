"""What `check` says of people who can do nothing: known to the watch neither as a user of the machine nor by a key."""

from __future__ import annotations

from collections.abc import Iterator

from nightrake.alarms.rights import MAY, Role
from nightrake.alarms.rota import Rota
from nightrake.settings import Settings
from nightrake.settings.words import listed


def acting_doubts(settings: Settings) -> Iterator[str]:
    """One sentence for each thing that nobody, or too few, could do."""
    people = settings.people
    if not people:
        return
    able = [i for i, p in people.items() if p.local_user or p.public_key]
    if not able:
        open_to_all = listed(sorted(v for v, roles in MAY.items() if Role.LOCAL in roles))
        yield (
            "no person has local_user or public_key, so nobody is known to the watch: users of the machine may do "
            f"{open_to_all}, and everything else is refused, an answer to a test call and a release among it; see "
            "'nightrake operator add'"
        )
        return
    supervisors = [i for i, p in people.items() if p.role == "supervisor"]
    if supervisors and not set(supervisors) & set(able):
        yield (
            f"no supervisor ({listed(supervisors)}) has local_user or public_key, so nobody can release a lockout; see "
            "'nightrake operator add'"
        )
    yield from _two_persons(settings, able)
    mute = [p for p in tried(settings.duty.rota) if p in people and p not in able]
    if mute:
        yield (
            f"test calls go to {listed(mute)}, without local_user or public_key: no answer is known to be theirs, so "
            "each time others are told that the way to them is dead; see 'nightrake operator add'"
        )


def _two_persons(settings: Settings, able: list[str]) -> Iterator[str]:
    for verb in sorted(settings.duty.two_persons):
        if len(able) < 2:
            yield f"rights.two_persons asks for two people for {verb}, but only {able[0]} is known to the watch"
        elif not any(settings.people[i].role in MAY[verb] for i in able):
            roles = listed(sorted(MAY[verb]))
            yield f"nobody who is known to the watch has a role for {verb} ({roles}), which one of the two needs"


def tried(rota: Rota) -> tuple[str, ...]:
    """Everybody who gets a test call at some time."""
    found: dict[str, None] = {}
    steps = [s for c in rota.chains.values() for s in c.steps if s.checked] if rota.checks.days else []
    for step in steps:
        found |= dict.fromkeys(rota.people if step.everybody else step.people)
        for called in step.teams:
            found |= dict.fromkeys(_members(rota, called))
    for name, team in rota.teams.items():
        if team.check_at_shift_start:
            found |= dict.fromkeys(p for p in _members(rota, name) if p not in team.always)
    return tuple(found)


def _members(rota: Rota, name: str) -> tuple[str, ...]:
    team = rota.teams.get(name)
    if team is None:
        return ()
    turns = [*(s.people for s in team.shifts), *(e.people for e in team.exceptions)]
    return tuple(dict.fromkeys([*team.always, *(p for people in turns for p in people)]))
