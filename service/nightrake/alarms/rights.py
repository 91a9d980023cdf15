"""Which role may do which command, and which commands need two different people. Pure.

One set of rules for every way in: signed message, control socket, page. A refusal is one plain sentence.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import NamedTuple


class Role(StrEnum):
    """What a person is at the site."""

    OPERATOR = "operator"
    SUPERVISOR = "supervisor"
    MAINTENANCE = "maintenance"
    ENGINEER = "engineer"
    LOCAL = "local"  # a user of the machine whom the settings do not name as a person


_NAMED = frozenset({Role.OPERATOR, Role.SUPERVISOR, Role.MAINTENANCE, Role.ENGINEER})
_ANYBODY = _NAMED | {Role.LOCAL}
_CONTROL_ROOM = frozenset({Role.OPERATOR, Role.SUPERVISOR})
_WORK = frozenset({Role.SUPERVISOR, Role.MAINTENANCE, Role.ENGINEER})

MAY: Mapping[str, frozenset[Role]] = {
    "acknowledge": _ANYBODY,
    "answer": _NAMED,
    "shelve": _CONTROL_ROOM,
    "unshelve": _CONTROL_ROOM,
    "standby": _CONTROL_ROOM,
    "standby_end": _CONTROL_ROOM,
    "out_of_service": _WORK,
    "return_to_service": _WORK,
    "test": _WORK | {Role.LOCAL},
    "test_end": _WORK | {Role.LOCAL},
    "reset": _CONTROL_ROOM | {Role.ENGINEER, Role.LOCAL},
    "lockout_open": _NAMED,
    "lockout_cancel": frozenset({Role.SUPERVISOR}),
    "isolation_reported": _NAMED,
    "zero_energy_reported": _NAMED,
    "cause": _NAMED,
    "cleared": _NAMED,
    "contacts_proved": _NAMED,
    "area_clear": _NAMED,
    "lock_removed": _NAMED,
    "lock_exception": frozenset({Role.SUPERVISOR}),
    "shift_transfer": _NAMED,
    "test_run": _WORK,
    "test_run_end": _NAMED,
    "release": frozenset({Role.SUPERVISOR}),
}
"""Command -> roles. Lockout steps that say what has been done are open to every named person: a report is never lost
for want of a rank. What lets a machine go on is not."""

TWO_POSSIBLE = frozenset({"release", "reset", "lock_exception", "out_of_service", "shelve"})
"""Commands for which a site may ask for two different people."""

SECOND_WITHIN_NS = 15 * 60 * 1_000_000_000
"""The second person confirms within this, or the first has to ask again (own choice)."""

MAX_WAITING = 64
"""Requests that wait for a second person; beyond it the oldest is forgotten, and has to be asked for again."""


class Who(NamedTuple):
    """Actor of a command: person id (or local user), role, and how that is known."""

    actor: str
    role: str
    known_by: str

    def data(self) -> dict[str, str]:
        """As it stands in a journal row."""
        return self._asdict()


class Asked(NamedTuple):
    """A command that waits for its second person; reason: the first one's."""

    who: Who
    until_ns: int
    reason: str = ""


class Seconds(NamedTuple):
    """All of them, by ``command/subject``."""

    waiting: Mapping[str, Asked] = {}


class Ruling(NamedTuple):
    """May it be done now?

    Attributes:
        go: Yes. waits: noted, another person has to confirm. Neither: refused.
        text: Why not, or for whom it waits; "" where it may be done.
        first: Who asked first, where two were needed. first_reason: and why.
    """

    go: bool
    waits: bool = False
    text: str = ""
    first: Who | None = None
    first_reason: str = ""


def refusal(verb: str, role: str) -> str:
    """Why a role may not do a command, or "" where it may."""
    roles = MAY.get(verb)
    if roles is None:
        return f"unknown command '{verb[:32]}'"
    if role in roles:
        return ""
    allowed = [str(r) for r in Role if r in roles]
    shown = f"the role '{role[:32]}'" if role else "nobody without a role"
    may = allowed[0] if len(allowed) == 1 else f"{', '.join(allowed[:-1])} or {allowed[-1]}"
    hint = ""
    if role == Role.LOCAL:
        hint = "; whoever acts at the machine as a person is named there by local_user in people.toml"
    return f"{verb.replace('_', ' ')} is for {may}; {shown} may not{hint}"


def rule(
    seconds: Seconds,
    two_persons: frozenset[str],
    verb: str,
    subject: str,
    who: Who,
    now_ns: int,
    *,
    said: str = "",
    reason: str = "",
    roles: Mapping[str, str] | None = None,
) -> tuple[Seconds, Ruling]:
    """Rule on one command: by role, and by the rule of two people where the site has it.

    The first of the two may have any role that may report work; one of them has to have the role of the command. Both
    are people of the settings, as they stand now: who has left, or is another thing by now, has not spoken.

    Args:
        two_persons: Commands for which the site asks for two. subject: What it is about (drive, or alarm with its
            occurrence), so that two people mean the same.
        said: What is asked for, in words (a time limit, say): who says another is the first of another request.
        reason: Why, for the journal. roles: What everybody is at the site now, None = not looked at.
    """
    no = refusal(verb, who.role)
    if verb not in two_persons or verb not in MAY:
        return seconds, Ruling(go=not no, text=no)
    if who.role not in _NAMED:
        text = f"this site asks for two different people, and '{who.actor}' is nobody whom people.toml names"
        return seconds, Ruling(go=False, text=no or text)
    name = f"{verb}/{subject}{_SAID}{said}"
    asked = seconds.waiting.get(name)
    gone = roles is not None and asked is not None and roles.get(asked.who.actor) != asked.who.role
    if asked is None or gone or now_ns >= asked.until_ns:
        waiting = {n: a for n, a in seconds.waiting.items() if n != name and a.until_ns > now_ns}
        waiting = dict(list(waiting.items())[-(MAX_WAITING - 1) :])
        after = Seconds({**waiting, name: Asked(who, now_ns + SECOND_WITHIN_NS, reason)})
        minutes = SECOND_WITHIN_NS // 60_000_000_000
        text = f"noted; this site asks for two different people, so another one confirms within {minutes} minutes"
        return after, Ruling(go=False, waits=True, text=text + _other(waiting, verb, subject, who))
    return _second(seconds, name, asked, verb, who, no)


_SAID = "\n"


def _other(waiting: Mapping[str, Asked], verb: str, subject: str, who: Who) -> str:
    """Whoever says something else than the first is told so."""
    about = f"{verb}/{subject}{_SAID}"
    others = [(n.removeprefix(about), a.who.actor) for n, a in waiting.items() if n.startswith(about)]
    words = [f"{actor} has asked for {said}, which is another request" for said, actor in others if actor != who.actor]
    return f"; {'; '.join(words)}" if words else ""


def first_words(seconds: Seconds, verb: str, about: str, now_ns: int) -> tuple[Asked, ...]:
    """Who has asked for a command and waits for another to confirm it.

    Args:
        about: How its subject begins.
    """
    name = f"{verb}/{about}"
    return tuple(a for n, a in seconds.waiting.items() if n.startswith(name) and now_ns < a.until_ns)


def _second(seconds: Seconds, name: str, asked: Asked, verb: str, who: Who, no: str) -> tuple[Seconds, Ruling]:
    if who.actor == asked.who.actor:
        text = f"this site asks for two different people, and {who.actor} has asked already; somebody else confirms"
        return seconds, Ruling(go=False, text=text)
    if no and refusal(verb, asked.who.role):
        return seconds, Ruling(go=False, text=no)
    waiting = {n: a for n, a in seconds.waiting.items() if n != name}
    return Seconds(waiting), Ruling(go=True, first=asked.who, first_reason=asked.reason)
