"""Alarms as the page shows them: what, since when, who was told, what comes next, what to do first. Pure.

The order is the watch's own (`domain.alarmview.alarms_view`): what calls first, then by priority, the oldest first.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from nightrake.alarms.life import UNANSWERED, Life
from nightrake.alarms.responses import CAUTION
from nightrake.domain.torquetext import torque_words
from nightrake.page.moments import Wall
from nightrake.page.people import People
from nightrake.page.torquebar import UNIT

_WAITS = {str(life) for life in UNANSWERED} | {str(Life.CLEARED_UNACKNOWLEDGED), str(Life.LATCHED_UNACKNOWLEDGED)}
_ASIDE = (("shelved", "shelved", "unshelve"), ("out_of_service", "out of service", "return_to_service"))


class Next(NamedTuple):
    """What comes next by itself.

    Attributes:
        words: What. at_utc_ms: When, 0: it has no time.
    """

    words: str
    at_utc_ms: int = 0


class Aside(NamedTuple):
    """What lies over an alarm.

    Attributes:
        what: ``shelved``, ``out of service`` or ``suppressed``. by, reason: Who and why. until_utc_ms: 0 = no time.
        undo: The command that ends it, "" = people cannot.
    """

    what: str
    by: str
    reason: str
    until_utc_ms: int
    undo: str


class Card(NamedTuple):
    """One alarm.

    Attributes:
        key: Its name, as commands have it. mark: id of its element. drive: "" where it is about no drive.
        where: What it is about, in words. title: What it says. priority: its word.
        occurrence: Of what is shown. tone: ``shutdown``, ``alarm`` or ``notice``. waits: for an acknowledgement.
        calling: Somebody is being called. life: In words. since_utc_ms: When it came.
        facts: Sentences: with what it came, how it is now. answered: Who acknowledged, when, or "".
        told: Who has been told, or "". next: See `Next`, or None. held: why nobody is called, or "".
        todo: What to do first. caution: goes with it, or "". cause, consequence: In words.
        aside: See `Aside`. is_alarm: False for a notice. may_shelve: It may be put aside.
    """

    key: str
    mark: str
    drive: str
    where: str
    title: str
    priority: str
    occurrence: int
    tone: str
    waits: bool
    calling: bool
    life: str
    since_utc_ms: int
    facts: tuple[str, ...]
    answered: str
    told: str
    next: Next | None
    held: str
    todo: tuple[str, ...]
    caution: str
    cause: str
    consequence: str
    aside: tuple[Aside, ...]
    is_alarm: bool
    may_shelve: bool

    @property
    def stands(self) -> bool:
        """It is an alarm that nobody and nothing has put aside, so it wants to be seen."""
        return self.is_alarm and self.life != Life.NORMAL and not self.aside

    @property
    def by_hand(self) -> bool:
        """Somebody has put it aside, and can take it back."""
        return any(over.undo for over in self.aside)

    @property
    def words(self) -> str:
        """What an acknowledgement is for, in words."""
        return f"{self.where}: {self.title}"


def cards_of(alarms: Sequence[Mapping[str, Any]], names: Mapping[str, str], people: People, wall: Wall) -> list[Card]:
    """All alarms of a scene that are for people, in their order: not what rests and is only suppressed by design.

    Args:
        alarms: As `domain.alarmnow.alarms_now`. names: Of drives, by id. people: Everybody. wall: The site's clock.
    """
    return [card_of(alarm, names, people, wall) for alarm in alarms if not _rests(alarm)]


def _rests(alarm: Mapping[str, Any]) -> bool:
    """Nothing stands, and nobody has put it aside, so that nobody has to take it back."""
    return alarm["life"] == Life.NORMAL and not any(alarm[key] for key, _, _ in _ASIDE)


def card_of(alarm: Mapping[str, Any], names: Mapping[str, str], people: People, wall: Wall) -> Card:
    """One alarm."""
    todo = tuple(alarm["first_response"])
    aside = _aside(alarm, people)
    shown = tuple(step for step in todo if step != CAUTION)
    return Card(
        key=alarm["alarm"],
        mark="alarm-" + "".join(c if c.isalnum() else "-" for c in alarm["alarm"]),
        drive=alarm["drive"],
        where=_where(alarm, names),
        title=alarm["title"],
        priority=alarm["priority"],
        occurrence=alarm["occurrence"],
        tone={"urgent": "shutdown", "notice": "notice"}.get(alarm["priority"], "alarm"),
        waits=alarm["life"] in _WAITS and alarm["is_alarm"],
        calling=bool(alarm["calling"]),
        life=alarm["life"],
        since_utc_ms=alarm["since_utc_ms"],
        facts=tuple(_facts(alarm, people, wall)),
        answered=_answered(alarm, people, wall),
        told=people.names(alarm["told"], alarm["told_count"] - len(alarm["told"])) if alarm["told"] else "",
        next=_next(alarm),
        held=str(alarm["withheld"]) if not aside else "",
        todo=shown,
        caution=CAUTION if len(shown) < len(todo) else "",
        cause=alarm["cause"],
        consequence=alarm["consequence"],
        aside=aside,
        is_alarm=bool(alarm["is_alarm"]),
        may_shelve=alarm["priority"] not in ("urgent", "notice"),
    )


def _where(alarm: Mapping[str, Any], names: Mapping[str, str]) -> str:
    subject, drive = str(alarm["subject"]), alarm["drive"]
    if subject.startswith("plc:"):
        return f"PLC {subject.removeprefix('plc:')}"
    if not drive:
        return "The site"
    direction = alarm["direction"] if alarm["direction"] not in ("", "-", "forward") else ""
    channel = f"channel {alarm['channel']}" if alarm["channel"] else ""
    return ", ".join(p for p in (f"{drive} {names.get(drive, '')}".strip(), direction, channel) if p)


def _answered(alarm: Mapping[str, Any], people: People, wall: Wall) -> str:
    if not alarm["acked_by"]:
        return ""
    return f"acknowledged {wall.at(alarm['acked_utc_ms'])}, {people.name(alarm['acked_by'])}"


def _next(alarm: Mapping[str, Any]) -> Next | None:
    """The next call, or how it ends by itself."""
    if alarm["next_call_utc_ms"]:
        again = "calls again" if alarm["acked_by"] and alarm["life"] not in _WAITS else "next call"
        return Next(again, _whole_s(alarm["next_call_utc_ms"]))
    if alarm.get("gone_utc_ms"):
        then = "latches" if alarm["kind"] == "shutdown_contact" else "over by itself"
        return Next(then, _whole_s(alarm["over_utc_ms"]))
    return None


def _whole_s(utc_ms: int) -> int:
    """Remaining times are told anew all the time; one and the same moment stays one and the same."""
    return round(utc_ms / 5000) * 5000


def _facts(alarm: Mapping[str, Any], people: People, wall: Wall) -> list[str]:
    facts, now, urgent = alarm["facts"], alarm.get("now"), alarm["priority"] == "urgent"
    lacks = bool(facts.get("torque_uncertainty_lacks"))
    then = torque_words(
        facts.get("torque_is", ""), facts.get("torque_nm"), facts.get("torque_uncertainty_nm"), lacks=lacks
    )
    said = []
    if then:
        said.append(f"When it came: torque {_joined(then, facts.get('running'), facts.get('stop'), urgent)}.")
    if now is not None and urgent:
        running, stop = now["running"], now["stop"]
        if running is None and stop:
            said.append(f"Now: whether the motor runs is not known; {stop_words(stop, running)}.")
        elif words := _joined("", running, stop, urgent):
            said.append(f"Now: {words}.")
    if gone := alarm.get("gone_utc_ms"):
        what = "The contact released" if alarm["kind"] in ("alarm_contact", "shutdown_contact") else "Gone"
        said.append(f"{what} at {wall.at(gone, seconds=True)}.")
    if alarm["repeats_with_rotation"]:
        said.append("It repeats with the rotation of the drive.")
    if alarm["chattering"]:
        said.append("It comes and goes so fast that its calls are held back.")
    return [t.replace("kN.m", UNIT) for t in (*said, *_others(facts, people))]


def stop_words(stop: object, running: object) -> str:
    """Whether the stop has acted; while nobody can see whether the motor runs, that it had is of the past."""
    text = str(stop)
    if text.startswith("still"):
        return text
    return f"stop was {text}" if text == "confirmed" and running is None else f"stop {text}"


def stop_now(stop: object, running: object) -> str:
    """The same as of now; "" where there is none, or a motor that runs has undone it."""
    return stop_words(stop, running) if stop and not (running is True and stop == "confirmed") else ""


def _joined(torque: str, running: object, stop: object, urgent: bool) -> str:
    """Torque, motor, and of what is urgent whether it has stopped; a stop that a running motor has undone is none."""
    parts = [torque] if torque else []
    if isinstance(running, bool):
        parts.append(("motor RUNS" if urgent else "motor runs") if running else "motor stands")
    if urgent and (words := stop_now(stop, running)):
        parts.append(words)
    return "; ".join(parts)


def _others(facts: Mapping[str, Any], people: People) -> list[str]:
    """Of alarms that are about no torque: whom or what they are about."""
    said = []
    if facts.get("people"):
        said.append(f"Not reached: {people.names(facts['people'])}.")
    if facts.get("plcs"):
        said.append(f"Silent: {_some(facts['plcs'])}.")
    if count := facts.get("unwatched"):
        named = f": {_some(facts['drives'])}" if facts.get("drives") else ""
        said.append(f"{count} {'drive' if count == 1 else 'drives'} unwatched{named}.")
    return [*said, *(_sentence(str(facts[k])) for k in ("link", "detail") if facts.get(k))]


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:].rstrip('.')}."


def _some(names: Sequence[str], most: int = 6) -> str:
    return ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")


def _aside(alarm: Mapping[str, Any], people: People) -> tuple[Aside, ...]:
    found = [
        Aside(words, people.name(over["by"]), over["reason"], over["until_utc_ms"], undo)
        for key, words, undo in _ASIDE
        if (over := alarm[key])
    ]
    if alarm["suppressed"]:
        found.append(Aside("suppressed by design", "", str(alarm["suppressed"]), 0, ""))
    return tuple(found)
