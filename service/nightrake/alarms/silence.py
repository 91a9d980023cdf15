"""Silent PLCs, and links of our own that are down: conditions of alarms that are about no single drive. Pure.

PLCs that fall silent within ten seconds (a switch, a supply) are one alarm, under the name of the first of them; it
says how many drives are unwatched. It lasts as long as any of them is silent. They stay together: those that fall
silent again soon after all were back are the same alarm again, whichever is first then.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import NamedTuple

from nightrake.alarms.keys import SITE, AlarmKey, plc_subject
from nightrake.alarms.records import Condition

TOGETHER_NS = 10_000_000_000
"""Within this they are one alarm."""
APART_NS = 60_000_000_000
"""All back for longer than this, and a group is forgotten (own choice)."""


class Group(NamedTuple):
    """PLCs that fell silent together.

    Attributes:
        lead: The first; its name is the alarm's. members: all, the lead included.
        since_ns: When the first fell silent. back_ns: since when all have been back, 0 = some are not.
    """

    lead: str
    members: tuple[str, ...]
    since_ns: int
    back_ns: int = 0


class Silence(NamedTuple):
    """PLCs by id: whether each is silent (one that is missing has not been heard of), and their groups."""

    silent: Mapping[str, bool] = {}
    groups: tuple[Group, ...] = ()


def on_plc(
    silence: Silence, plc: str, up: bool, drives: Mapping[str, Collection[str]], now_ns: int
) -> tuple[Silence, tuple[Condition, ...]]:
    """A PLC answers, or does not.

    Args:
        plc: Its id. drives: For each PLC, the drives that draw on it.

    Returns:
        The state after, and the condition of the one alarm that this is about, if any.
    """
    known = {**silence.silent, plc: not up}
    group = _group_of(silence, plc, now_ns)
    if not up and group is None:
        open_group = next((g for g in silence.groups if not g.back_ns and now_ns - g.since_ns <= TOGETHER_NS), None)
        group = open_group or Group(plc, (plc,), now_ns)
    if group is None:
        key = AlarmKey(plc_subject(plc), "", "plc_silent")
        return Silence(known, silence.groups), (Condition(key, False),)
    members = group.members if plc in group.members else (*group.members, plc)
    some = any(known.get(m, True) for m in members)  # one not heard of may be silent: it is not back yet
    after = group._replace(members=members, back_ns=0 if some else group.back_ns or now_ns)
    rest = tuple(g for g in silence.groups if g.lead != group.lead and not _is_over(g, now_ns))
    return Silence(known, (*rest, after)), (_condition(after, known, drives),)


def _group_of(silence: Silence, plc: str, now_ns: int) -> Group | None:
    return next((g for g in silence.groups if plc in g.members and not _is_over(g, now_ns)), None)


def _is_over(group: Group, now_ns: int) -> bool:
    return group.back_ns > 0 and now_ns - group.back_ns > APART_NS


def _condition(group: Group, known: Mapping[str, bool], drives: Mapping[str, Collection[str]]) -> Condition:
    silent = [m for m in group.members if known.get(m)]
    unheard = any(m not in known for m in group.members)
    unwatched = sorted({d for plc in silent for d in drives.get(plc, ())})
    data = {"plcs": silent, "unwatched": len(unwatched), "drives": unwatched[:20]}
    holds = True if silent else None if unheard else False
    return Condition(AlarmKey(plc_subject(group.lead), "", "plc_silent"), holds, "", 0, data)


def on_settings(
    silence: Silence, drives: Mapping[str, Collection[str]], now_ns: int
) -> tuple[Silence, tuple[Condition, ...]]:
    """Take changed settings: PLCs that are gone leave their groups; a group whose first is gone takes the next name.

    Args:
        drives: For each PLC of the new settings, the drives that draw on it.

    Returns:
        The state after, and the conditions of all groups, said anew.
    """
    known = {plc: s for plc, s in silence.silent.items() if plc in drives}
    groups: list[Group] = []
    for group in silence.groups:
        members = tuple(m for m in group.members if m in drives)
        if members and not _is_over(group, now_ns):
            lead = group.lead if group.lead in members else next((m for m in members if known.get(m)), members[0])
            groups.append(group._replace(lead=lead, members=members))
    return Silence(known, tuple(groups)), tuple(_condition(g, known, drives) for g in groups)


def after_restart(silence: Silence, now_ns: int) -> Silence:
    """Bring stored groups back: nobody has been heard of yet, and what was together stays together."""
    return Silence({}, tuple(g._replace(since_ns=now_ns, back_ns=now_ns if g.back_ns else 0) for g in silence.groups))


NOTICE = "notice:"
_LINKS = {"disk": "store_full", "broker": "broker_unreachable", "store": "not_forwarded"}


def link_condition(link: str, up: bool, detail: str) -> Condition | None:
    """The alarm's condition of one of our own links (``disk``, ``broker``, ``store``), None for any other.

    ``notice:KIND`` is a notice of the site: not up means that there is something to be said.
    """
    kind = _LINKS.get(link) or (link.removeprefix(NOTICE) if link.startswith(NOTICE) else None)
    if kind is None:
        return None
    return Condition(AlarmKey(SITE, "", kind), not up, "", 0, {"link": link, "detail": detail[:300]})
