"""What came of messages to people, in words, for the account of a night and the list of rows. Pure.

None of these rows says that a person has answered: a message that a server took may still lie unread.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from nightrake.alarms.keys import parse_key
from nightrake.alarms.told import Fact, counted, listed, span_text
from nightrake.domain.cleantext import clean

DELIVERIES = ("delivered", "delivery_failed", "deliveries_counted", "told_together")
"""Events about messages, of which some are about one alarm and some about none."""
_MESSAGE = {
    "called": "the call",
    "reminded": "the reminder",
    "check_called": "the test call",
    "check_answered": "the word that the test call is answered",
    "check_unanswered": "the word that paging is dead",
    "calls_answered": "the word that somebody has answered",
    "calls_stopped": "the word that nobody has to answer",
    "calls_ended": "the word that nobody is called any more",
    "flood_began": "the word of an alarm flood",
    "flood_ended": "the word that the alarm flood is over",
    "more": "one message in the place of many",
}
_ERRORS = {
    32: "the connection was closed",
    101: "the network cannot be reached",
    104: "the connection was reset",
    110: "no answer in time",
    111: "connection refused",
    113: "no route to host",
}
"""Errors of the system by their numbers on Linux, in a few words. Source: errno(3)."""
_SYSTEM = re.compile(r"\[Errno ([1-9][0-9]{0,2})\]")
NAMED = 6
"""Alarms named of those in one message."""


def is_about_alarm(fact: Fact) -> bool:
    """Whether a row names an alarm: not one of a test call, nor of one message in the place of many."""
    try:
        parse_key(fact.text("alarm"))
    except ValueError:
        return False
    return True


def delivery_words(fact: Fact) -> str:
    """A row of `DELIVERIES`."""
    if fact.event == "told_together":
        return _together(fact)
    if fact.event == "deliveries_counted":
        within = f" within {span_text(s)}" if (s := fact.number("within_s")) else ""
        last = fact.data.get("last_data")
        known = _one(fact.text("last"), last) if isinstance(last, Mapping) else ""
        more = f" The last: {known}" if known else ""
        said = f"{counted(fact.count('events'), 'message')}{within}, {fact.count('told')} of them told singly"
        return f"Delivered or not: {said}.{more}"
    return _one(fact.event, fact.data)


def delivery_key(fact: Fact) -> tuple[str, ...]:
    """What two such rows have in common that say the same."""
    texts = tuple(fact.text(k) for k in ("person", "channel", "message", "detail"))
    return (fact.event, *texts) if fact.event in ("delivered", "delivery_failed") else ()


def _one(event: str, data: Mapping[str, Any]) -> str:
    whom, way = _text(data, "person") or "somebody", _text(data, "channel") or "a way that is not named"
    what = _MESSAGE.get(_text(data, "message"), "a message")
    tries = data.get("tries")
    if event == "delivered":
        tried = f", at try {tries}" if isinstance(tries, int) and tries > 1 else ""
        return f"Delivered to {whom} over {way}: {what}{tried}."
    why = _plain(_text(data, "detail")) or "no reason given"
    then = "; it is tried again" if data.get("again") is True else ""
    return f"NOT delivered to {whom} over {way}: {what}: {why.rstrip('.')}{then}."


def _plain(detail: str) -> str:
    """A reason as people say it: where a library tells of an error of the system, that error alone."""
    found = _SYSTEM.search(detail)
    return _ERRORS.get(int(found[1]), detail) if found else detail


def _text(data: Mapping[str, Any], key: str) -> str:
    value = data.get(key)
    return clean(value, 240) if isinstance(value, str) else ""


def _together(fact: Fact) -> str:
    counts = fact.data.get("counts")
    numbers = {p: n for p, n in counts.items() if isinstance(n, int)} if isinstance(counts, Mapping) else {}
    over = fact.count("over")
    by = listed([f"{n} {p}" for p, n in numbers.items()])
    parts = [f"{by} {'call' if sum(numbers.values()) == 1 else 'calls'}"] if numbers else []
    parts += [f"{counted(over, 'alarm')} that {'needs' if over == 1 else 'need'} nobody any more"] if over else []
    alarms = fact.texts("alarms")
    named = f": {', '.join(alarms[:NAMED])}{' and others' if len(alarms) > NAMED else ''}" if alarms else ""
    whom = fact.text("person") or "Somebody"
    way = {"broker": " over the broker", "channels": " over the channels"}.get(fact.text("way"), "")
    what = listed(parts) or "what waited"
    return f"{whom} was told in one message{way}, for the limit on messages was reached, of {clean(what, 200)}{named}."
