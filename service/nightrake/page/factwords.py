"""What drives, PLCs and links did, in a sentence: rows of the journal that are about no alarm. Pure."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping

from nightrake.alarms import accountwords as words
from nightrake.alarms.silence import NOTICE
from nightrake.alarms.table import ALARM_TYPES
from nightrake.alarms.told import Fact, span_text, torque_text
from nightrake.page.torquebar import in_units


def fact_words(fact: Fact) -> str:
    """A row in words; "" where its event has none of its own here."""
    if fact.event in words.STOPS:
        return words.STOPS[fact.event]
    told = _WORDS.get(fact.event)
    return told(fact) if told is not None else ""


_ADDRESS = re.compile(r"no connection to \S+:[0-9]+(?:: .*)?$")
NAMED = 3
"""Signals of a reason that are named; of more only how many they are."""


def reason_words(reason: str, *, brief: bool = False) -> str:
    """Why a reading cannot be trusted, with its signals as people name them.

    Args:
        reason: As `domain.quality` says it. brief: Without the PLC's address, which is the same for many drives.
    """
    if brief:
        reason = _ADDRESS.sub("no connection to its PLC", reason)
    text, bracket, roles = reason.removesuffix(")").rpartition(" (")
    names = roles.split(", ")
    if not bracket or not reason.endswith(")") or not all(_is_role(name) for name in names):
        return reason
    shown = f"{len(names)} signals" if len(names) > NAMED else ", ".join(_role(name) for name in names)
    return f"{text} ({shown})"


def _is_role(text: str) -> bool:
    kind, colon, name = text.partition(":")
    return (bool(colon) and " " not in name) or kind in _PLAIN_ROLES


_PLAIN_ROLES = ("position", "running", "power", "speed", "heartbeat", "rack_healthy")


def _role(role: str) -> str:
    """``contact:forward/alarm/A`` as ``alarm contact A``."""
    kind, _, name = role.partition(":")
    side, _, rest = name.partition("/")
    stage, _, channel = rest.partition("/")
    if not stage:
        return (name or kind).replace("_", " ")
    where = f" {side}" if side != "forward" else ""
    what = {"contact": "contact", "counter": "contact's counter", "latched": "contact's latch"}.get(kind, kind)
    return f"{stage} {what}{where} {channel}".strip()


def _side(fact: Fact) -> str:
    """The direction, where there are several to tell apart: the usual one is not said."""
    return f" {fact.direction}" if fact.direction not in ("", "forward") else ""


def _at(fact: Fact) -> str:
    """With what torque."""
    torque = torque_text(fact)
    if not torque:
        return ""
    return f" with the torque {torque}" if torque.startswith(("below", "beyond")) else f" at {torque}"


def _test(fact: Fact) -> str:
    return ", during a function check" if fact.data.get("in_test") is True else ""


def _stage(stage: str, done: str) -> Callable[[Fact], str]:
    return lambda fact: f"The {stage} contact{_side(fact)} {done}{_at(fact)}{_test(fact)}."


def _edge(fact: Fact) -> str:
    """One channel, before any debounce."""
    _, _, stage, channel = (*fact.text("contact").split("/"), "", "", "", "")[:4]
    state = "operated" if fact.data.get("operated") is True else "released"
    which = " ".join(part for part in (f"{stage or 'a'} contact{_side(fact)}", channel) if part)
    return f"The {which} reads {state}{_at(fact)}{_test(fact)}."


def _quality(fact: Fact) -> str:
    reasons = [reason_words(text) for text in fact.texts("reasons")]
    more = f" and {len(reasons) - 2} more" if len(reasons) > 2 else ""
    return f"Quality {fact.text('quality') or 'changed'}{': ' if reasons else ''}{'; '.join(reasons[:2])}{more}."


def _plc(says: str) -> Callable[[Fact], str]:
    return lambda fact: f"PLC {fact.text('plc') or '?'} {says}."


def _link(fact: Fact) -> str:
    link, up = fact.text("link"), fact.event == "link_up"
    why = f" ({fact.text('detail')})" if fact.text("detail") and not up else ""
    if link.startswith("plc:"):
        return f"PLC {link.removeprefix('plc:')} {'answers' if up else 'does not answer'}{why}."
    if link.startswith(NOTICE):
        return _notice(link.removeprefix(NOTICE), why=fact.text("detail") if not up else "", up=up)
    known = {"broker": "The broker", "store": "The store that history is forwarded to"}.get(link, "")
    return f"{known} {'can be reached' if up else 'cannot be reached'}{why}." if known else ""


def _notice(name: str, *, why: str, up: bool) -> str:
    """Something for the daytime, or no longer; of the site, or of a drive's direction."""
    kind, _, about = name.partition(":")
    drive, _, direction = about.partition(":")
    where = ", ".join(part for part in (drive, direction if direction != "forward" else "") if part)
    title = ALARM_TYPES[kind].title if kind in ALARM_TYPES else kind.replace("_", " ")
    said = f"{why[:1].upper()}{in_units(why[1:]).rstrip('.')}." if why else ""
    return f"{'No longer of notice' if up else 'Of notice'}{f' for {where}' if where else ''}: {title}. {said}".strip()


def _test_began(fact: Fact) -> str:
    limit = fact.number("limit_s")
    span = f" for {span_text(limit)}" if limit is not None else ""
    reason = f": '{fact.text('reason')}'" if fact.text("reason") else ""
    return f"{fact.text('actor') or 'Somebody'} put it in test{span}{reason}."


def _test_ended(fact: Fact) -> str:
    return f"{fact.text('actor')} ended the function check." if fact.text("actor") else "The function check is over."


_WORDS: Mapping[str, Callable[[Fact], str]] = {
    "alarm_operated": _stage("alarm", "has operated"),
    "alarm_released": _stage("alarm", "has released"),
    "shutdown_operated": _stage("shutdown", "has operated"),
    "shutdown_released": _stage("shutdown", "has released"),
    "contact_edge": _edge,
    "quality_changed": _quality,
    "image_restarting": _plc("is starting anew: what it serves does not count until it is sound"),
    "image_suspect": _plc("serves nothing but zeros: none of it counts"),
    "image_sound": _plc("serves sound values again"),
    "link_up": _link,
    "link_down": _link,
    "test_began": _test_began,
    "test_ended": _test_ended,
}
