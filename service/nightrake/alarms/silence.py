"""Silent PLCs, and links of our own that are down: conditions of alarms that are about no single drive. Pure.

PLCs that fall silent within ten seconds (a switch, a supply) are one alarm, under the name of the first of them; it
says how many drives are unwatched. It lasts as long as any of them is silent. They stay together: those that fall
silent again soon after all were back are the same alarm again, whichever is first then. But nobody's silence may hide
behind another's, whose alarm may be acknowledged, shelved or out of service for a long repair: one that has been back
for a while and falls silent again is a matter of its own, and more unwatched drives than before are worse.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import NamedTuple

from nightrake.alarms.keys import SITE, AlarmKey, parse_key, plc_subject
from nightrake.alarms.records import Condition

KIND = "plc_silent"
TOGETHER_NS = 10_000_000_000
"""Within this they are one alarm."""
APART_NS = 60_000_000_000
"""All back for longer than this, and a group is forgotten (own choice)."""


class Group(NamedTuple):
    """PLCs that fell silent together.

    Attributes:
        lead: The first; its name is the alarm's. members: all, the lead included.
        since_ns: When the first fell silent. back_ns: since when all have been back, 0 = some are not.
        back: Members that are back, and since when.
        anew: Rank above which one that fell silent anew has lifted the alarm, 0 = none has.
    """

    lead: str
    members: tuple[str, ...]
    since_ns: int
    back_ns: int = 0
    back: Mapping[str, int] = {}
    anew: int = 0


class Silence(NamedTuple):
    """PLCs by id: whether each is silent (one that is missing has not been heard of), since when, and their groups."""

    silent: Mapping[str, bool] = {}
    groups: tuple[Group, ...] = ()
    since: Mapping[str, int] = {}


def on_plc(
    silence: Silence,
    plc: str,
    up: bool,
    drives: Mapping[str, Collection[str]],
    now_ns: int,
    quiet: Collection[str] = (),
) -> tuple[Silence, tuple[Condition, ...]]:
    """A PLC answers, or does not.

    Args:
        plc: Its id. drives: For each PLC, the drives that draw on it.
        quiet: PLCs whose own alarm is shelved or out of service: nobody else's silence goes under their name.

    Returns:
        The state after, and the conditions that this is about: of the group's one alarm, and of the PLC's own name
        where that is another one.
    """
    known = {**silence.silent, plc: not up}
    since = {p: ns for p, ns in silence.since.items() if not (up and p == plc)}
    since |= {} if up else {plc: since.get(plc, now_ns)}
    group, left = _group_of(silence, plc, now_ns), list[Condition]()
    hides = group is not None and group.lead != plc and group.lead in quiet and plc in group.back
    if not up and group is not None and (hides or _has_left(group, plc, known, now_ns)):
        silence, group, left = _without(silence, group, plc, known, quiet)
    if not up and group is None:
        fresh = [g for g in silence.groups if not g.back_ns and now_ns - g.since_ns <= TOGETHER_NS]
        open_group = next((g for g in fresh if g.lead not in quiet and plc not in quiet), None)
        group = open_group or Group(plc, (plc,), now_ns)
    if group is None:
        key = AlarmKey(plc_subject(plc), "", KIND)
        return Silence(known, silence.groups, since), (Condition(key, False),)
    if group.lead != plc:
        # Under its own name nothing stands now: an alarm of before it left the settings, say, would stand for ever.
        left = [Condition(AlarmKey(plc_subject(plc), "", KIND), False)]
    members = group.members if plc in group.members else (*group.members, plc)
    some = any(known.get(m, True) for m in members)  # one not heard of may be silent: it is not back yet
    back = {m: group.back.get(m, now_ns) for m in members if not known.get(m, m not in group.back)}
    if not up and plc in group.back and now_ns - group.back[plc] > TOGETHER_NS:
        # Whoever has answered for the alarm knew it as back: worse than all that the group has said so far.
        group = group._replace(anew=max(group.anew, _unwatched_by(group.members, drives)) + 1)
    after = group._replace(members=members, back_ns=0 if some else group.back_ns or now_ns, back=back)
    rest = tuple(g for g in silence.groups if g.lead != group.lead and not _is_over(g, now_ns))
    return Silence(known, (*rest, after), since), (*left, _condition(after, known, since, drives))


def goes_on_as(silence: Silence, alarm: str) -> str:
    """Under which other name the silence of a PLC goes on, "" = under none: what ends is only the name.

    Args:
        alarm: Text form of its own alarm's key.
    """
    key = parse_key(alarm)
    plc = key.subject.partition(":")[2]
    if key.kind != KIND or not silence.silent.get(plc):
        return ""
    lead = next((g.lead for g in silence.groups if plc in g.members and not g.back_ns), plc)
    return "" if lead == plc else str(AlarmKey(plc_subject(lead), "", KIND))


def _has_left(group: Group, plc: str, known: Mapping[str, bool], now_ns: int) -> bool:
    """One that has been back for a while, others not, and now falls silent again."""
    others = any(known.get(m, True) for m in group.members if m != plc)
    return others and plc in group.back and now_ns - group.back[plc] > TOGETHER_NS


def _without(
    silence: Silence, group: Group, plc: str, known: Mapping[str, bool], quiet: Collection[str]
) -> tuple[Silence, Group | None, list[Condition]]:
    """A member leaves; where it is the first, all go on under another name, whose alarm nobody has answered yet.

    Returns:
        The state after, the group of the one that leaves (None: none yet), and what to say of the old name.
    """
    rest = tuple(g for g in silence.groups if g is not group)
    if plc != group.lead:
        members = tuple(m for m in group.members if m != plc)
        return silence._replace(groups=(*rest, group._replace(members=members))), None, []
    others = [m for m in group.members if m != plc and known.get(m, True)]
    after = group._replace(lead=next((m for m in others if m not in quiet), others[0]))
    old = Condition(AlarmKey(plc_subject(plc), "", KIND), False)
    return silence._replace(groups=(*rest, after)), after, [old]


def _group_of(silence: Silence, plc: str, now_ns: int) -> Group | None:
    return next((g for g in silence.groups if plc in g.members and not _is_over(g, now_ns)), None)


def _is_over(group: Group, now_ns: int) -> bool:
    return group.back_ns > 0 and now_ns - group.back_ns > APART_NS


def _unwatched_by(plcs: Collection[str], drives: Mapping[str, Collection[str]]) -> int:
    return len({d for plc in plcs for d in drives.get(plc, ())})


def _condition(
    group: Group, known: Mapping[str, bool], since: Mapping[str, int], drives: Mapping[str, Collection[str]]
) -> Condition:
    """Of the group's one alarm; under another name too it holds since the first of those fell silent that still are."""
    silent = [m for m in group.members if known.get(m)]
    unheard = any(m not in known for m in group.members)
    unwatched = sorted({d for plc in silent for d in drives.get(plc, ())})
    data = {"plcs": silent, "unwatched": len(unwatched), "drives": unwatched[:20]}
    holds = True if silent else None if unheard else False
    severity = max(len(unwatched), group.anew) if holds else 0
    key, since_ns = AlarmKey(plc_subject(group.lead), "", KIND), min((since.get(m, 0) for m in silent), default=0)
    return Condition(key, holds, "", severity, data, since_ns)


def on_settings(
    silence: Silence, drives: Mapping[str, Collection[str]], now_ns: int, quiet: Collection[str] = ()
) -> tuple[Silence, tuple[Condition, ...]]:
    """Take changed settings: PLCs that are gone leave their groups; a group whose first is gone takes the next name.

    Args:
        drives: For each PLC of the new settings, the drives that draw on it. quiet: See `on_plc`.

    Returns:
        The state after, and the conditions of all groups, said anew.
    """
    known = {plc: s for plc, s in silence.silent.items() if plc in drives}
    groups: list[Group] = []
    for group in silence.groups:
        members = tuple(m for m in group.members if m in drives)
        if members and not _is_over(group, now_ns):
            named = [m for m in members if known.get(m)] or list(members)
            named.sort(key=lambda m: m in quiet)
            lead = group.lead if group.lead in members else named[0]
            back = {m: since_ns for m, since_ns in group.back.items() if m in members}
            some = any(known.get(m, True) for m in members)  # those that were not may be gone
            back_ns = group.back_ns or (0 if some else now_ns)
            groups.append(group._replace(lead=lead, members=members, back_ns=back_ns, back=back))
    since = {plc: ns for plc, ns in silence.since.items() if plc in drives}
    return Silence(known, tuple(groups), since), tuple(_condition(g, known, since, drives) for g in groups)


def after_restart(silence: Silence, now_ns: int) -> Silence:
    """Bring stored groups back: nobody has been heard of yet, and what was together stays together."""
    long_ns = now_ns - TOGETHER_NS - 1  # what was so has been so for a while: nobody knows for how long
    groups = (
        g._replace(since_ns=long_ns, back_ns=now_ns if g.back_ns else 0, back=dict.fromkeys(g.back, long_ns))
        for g in silence.groups
    )
    return Silence({}, tuple(groups))


NOTICE = "notice:"
_LINKS = {
    "disk": "store_full",
    "broker": "broker_unreachable",
    "store": "not_forwarded",
    "history": "history_behind",
}


def link_condition(link: str, up: bool, detail: str) -> Condition | None:
    """The alarm's condition of one of our own links (``disk``, ``broker``, ``store``, ``history``), None for any other.

    ``notice:KIND`` is a notice of the site, ``notice:KIND:DRIVE:DIRECTION`` one of a drive's direction: not up means
    that there is something to be said.
    """
    subject, direction, kind = SITE, "", _LINKS.get(link, "")
    data = {"link": link, "detail": detail[:300]}
    if link.startswith(NOTICE):
        del data["link"]  # it is none
        kind, _, side = link.removeprefix(NOTICE).partition(":")
        drive, _, direction = side.partition(":")
        subject = drive or SITE
    if not kind:
        return None
    return Condition(AlarmKey(subject, direction, kind), not up, "", 0, data)
