"""Journal rows in words, for the lists of the page: a sentence each, by what the row itself says. Pure."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple

from nightrake.alarms import accountwords as words
from nightrake.alarms.keys import parse_key
from nightrake.alarms.told import Fact, Moment, span_text, torque_text
from nightrake.domain.cleantext import clean
from nightrake.page.factwords import fact_words
from nightrake.page.people import People
from nightrake.page.torquebar import UNIT


class Told(NamedTuple):
    """One row as it is listed.

    Attributes:
        seq: Its number. utc_ms: When. drive: "" where it is about no drive. about: What, in words. text: A sentence.
        tone: "" or ``strong``.
    """

    seq: int
    utc_ms: int
    drive: str
    about: str
    text: str
    tone: str


_PERSON = ("actor", "person", "first", "from", "to", "lock_of", "supervised_by", "whom")
"""Where a row names one person by id."""
_PEOPLE = ("people", "told")
"""Where it names several."""


def told_rows(rows: Sequence[Mapping[str, Any]], names: Mapping[str, str], people: People) -> list[Told]:
    """Rows for a list, the newest first.

    Args:
        rows: As `status.row_view`. names: Of drives, by id. people: Everybody.
    """
    return [told_row(row, names, people) for row in sorted(rows, key=lambda r: -r["seq"])]


def told_row(row: Mapping[str, Any], names: Mapping[str, str], people: People) -> Told:
    """One row in words."""
    at = Moment(row["boot_id"], row["mono_ns"], row["utc_ms"])
    drive, data = clean(row["drive"]), _named(row["data"], names, people)
    fact = Fact(row["seq"], at, row["kind"], row["event"], drive, clean(row["direction"]), data)
    text = _text(fact).replace("kN.m", UNIT)
    strong = fact.event in ("raised", "raised_again", "worsened") or (fact.kind, fact.event) == ("lockout", "opened")
    return Told(row["seq"], row["utc_ms"], drive, _about(fact, names), text, "strong" if strong else "")


def _named(data: Mapping[str, Any], names: Mapping[str, str], people: People) -> dict[str, Any]:
    """The same with people's names in place of their ids."""
    named = {k: people.name(v) if k in _PERSON and isinstance(v, str) and v else v for k, v in data.items()}
    for key in _PEOPLE:
        if isinstance(those := data.get(key), list):
            named[key] = [people.name(p) if isinstance(p, str) else p for p in those]
    for key in ("reason", "beside"):
        if isinstance(said := data.get(key), str):
            named[key] = people.in_words(said)
    if isinstance(because := data.get("because"), str):
        named["because"] = because_words(because, names, people)
    return named


def because_words(because: str, names: Mapping[str, str], people: People) -> str:
    """Why a lockout was opened: an alarm, with the number of its occurrence, or what somebody did."""
    key, _, more = because.partition(" ")
    if key.count("/") < 2:
        return people.in_words(because)
    number, _, beyond = more.partition(" ")
    return f"{words.title_of(key, names)}{f' {beyond}' if number.isdecimal() and beyond else ''}"


def _about(fact: Fact, names: Mapping[str, str]) -> str:
    if alarm := fact.text("alarm"):
        return words.title_of(alarm, names)
    name = f"{fact.drive} {names.get(fact.drive, '')}".strip()
    if fact.kind == "lockout" and name:
        return f"{name}: lockout"
    return f"{name}, {fact.direction}" if fact.drive and fact.direction not in ("", "forward") else name


def _text(fact: Fact) -> str:
    by_kind: Mapping[str, Callable[[Fact], str]] = {
        "alarm": _alarm,
        "call": _call,
        "lockout": words.lockout_words,
        "command": words.refused_words,
        "history": lambda f: f"{words.history_words(f.event).capitalize()}.",
    }
    text = by_kind.get(fact.kind, _other)(fact)
    return text[:1].upper() + text[1:]


def _alarm(fact: Fact) -> str:
    if fact.event == "acknowledged":
        return f"{fact.text('actor') or 'Somebody'} acknowledged it."
    return words.alarm_words(fact)


def _call(fact: Fact) -> str:
    if fact.event == "calls_answered":
        return f"{fact.text('actor') or 'Somebody'} has answered; the calls stop."
    try:
        parse_key(fact.text("alarm"))
    except ValueError:
        return words.check_words(fact)
    return words.call_words(fact) or f"{words.event_words(fact.event)}."


def _other(fact: Fact) -> str:
    """Facts of drives, links and the service: what happened, or the event and what stands behind it."""
    if said := fact_words(fact):
        return said
    parts = [torque_text(fact)] if fact.number("torque_nm") is not None else []
    parts += [fact.text(k) for k in ("contact", "link", "plc", "person", "reason", "detail", "actor") if fact.text(k)]
    parts += list(fact.texts("reasons")[:2])
    if (limit := fact.number("limit_s")) is not None:
        parts.append(f"for {span_text(limit)}")
    tail = f": {', '.join(p for p in parts if p)}" if parts else ""
    return f"{words.event_words(fact.event)}{tail}."
