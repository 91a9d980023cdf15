"""One strip for each drive, worst first: what the overview shows. Pure.

A strip says in this order: how it stands (a shape and a word), which drive, its torque against its set points, the last
hour, and in words whatever is not as it should be, who has acknowledged, and what calls next.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from enum import IntEnum
from typing import Any, NamedTuple

from nightrake.page.alarmcards import Card, stop_words
from nightrake.page.factwords import reason_words
from nightrake.page.moments import Wall
from nightrake.page.people import People
from nightrake.page.torquebar import Bar, Number, alarm_share, bar_of, number_of

SHARE_STEP = 0.1
"""Drives that stand alike are told apart by torque in these steps of the alarm torque, so that strips keep still."""


class Rank(IntEnum):
    """How bad a drive stands; the worst first."""

    SHUTDOWN_WAITS = 0
    SHUTDOWN = 1
    ALARM_WAITS = 2
    ALARM = 3
    UNKNOWN = 4
    DOUBTFUL = 5
    ASIDE = 6
    NORMAL = 7


class Note(NamedTuple):
    """One line of words on a strip.

    Attributes:
        text: What. tone: "" or ``strong``. at_utc_ms: A moment to come that is shown as remaining time, 0: none.
    """

    text: str
    tone: str = ""
    at_utc_ms: int = 0


class Strip(NamedTuple):
    """One drive.

    Attributes:
        id, name, area: Which. rank: See `Rank`. order: sorts strips, the worst first.
        tone: ``shutdown``, ``alarm``, ``unknown``, ``doubt``, ``aside`` or ``calm``; waits: for an acknowledgement.
        shape: Id of its mark. word: how it stands. since_utc_ms: since when, 0: it is of no interest.
        bar, number: The torque. direction: That the arm leans to, where there are several. notes: See `Note`.
        alarms: Those that stand, the worst first. lacks: The uncertainty lacks a source. locked_out: Its lockout is
            open.
    """

    id: str
    name: str
    area: str
    rank: Rank
    order: int
    tone: str
    waits: bool
    shape: str
    word: str
    since_utc_ms: int
    bar: Bar
    number: Number
    direction: str
    notes: tuple[Note, ...]
    alarms: tuple[Card, ...]
    lacks: bool
    locked_out: bool

    @property
    def calm(self) -> bool:
        """Nothing is the matter."""
        return self.rank is Rank.NORMAL


_TONES = {
    Rank.SHUTDOWN_WAITS: "shutdown",
    Rank.SHUTDOWN: "shutdown",
    Rank.ALARM_WAITS: "alarm",
    Rank.ALARM: "alarm",
    Rank.UNKNOWN: "unknown",
    Rank.DOUBTFUL: "doubt",
    Rank.ASIDE: "aside",
    Rank.NORMAL: "calm",
}


def strips_of(
    drives: Mapping[str, Mapping[str, Any]], cards: Sequence[Card], people: People, wall: Wall
) -> list[Strip]:
    """Every drive, worst first.

    Args:
        drives: By id, as `domain.view.drive_view`. cards: All alarms. people: Everybody. wall: The site's clock.
    """
    return sorted((strip_of(view, cards, people, wall) for view in drives.values()), key=lambda s: s.order)


def strip_of(view: Mapping[str, Any], cards: Sequence[Card], people: People, wall: Wall) -> Strip:
    """One drive."""
    own = tuple(c for c in cards if c.drive == view["drive"] and c.stands)
    _, worst = worst_direction(view)
    rank = rank_of(view, own)
    tone = _TONES[rank]
    word = word_of(view, own, rank)
    since = worst["since_utc_ms"] if worst["state"] in ("alarm", "shutdown") else 0
    if not since and own:
        since = min(c.since_utc_ms for c in own)
    return Strip(
        id=view["drive"],
        name=view["name"],
        area=view["area"],
        rank=rank,
        order=int(rank) * 1000 + _share_key(view),
        tone=tone,
        waits=rank in (Rank.SHUTDOWN_WAITS, Rank.ALARM_WAITS),
        shape="lockout" if view["locked_out"] and rank is Rank.SHUTDOWN else tone,
        word=word,
        since_utc_ms=since if rank <= Rank.ALARM else 0,
        bar=bar_of(view),
        number=number_of(view),
        direction=str(view["leans"]) if len(view["directions"]) > 1 else "",
        notes=tuple(notes_of(view, own, worst, people, wall)),
        alarms=own,
        lacks=bool(view["torque_nm"]["uncertainty_lacks"]) and view["torque_nm"]["uncertainty"] is not None,
        locked_out=bool(view["locked_out"]),
    )


def _share_key(view: Mapping[str, Any]) -> int:
    """The nearer to the alarm, the smaller; 0 to 999."""
    return max(0, 999 - int(alarm_share(view) / SHARE_STEP))


_STATES = ("shutdown", "alarm", "unknown", "normal")


def worst_direction(view: Mapping[str, Any]) -> tuple[str, Mapping[str, Any]]:
    """The direction in the worst state, and that state."""
    found: tuple[str, Mapping[str, Any]] = min(view["directions"].items(), key=lambda d: _STATES.index(d[1]["state"]))
    return found


def rank_of(view: Mapping[str, Any], own: Sequence[Card]) -> Rank:
    """How bad a drive stands.

    Args:
        view: The drive. own: Its alarms that stand.
    """
    sides = list(view["directions"].values())
    states = {side["state"] for side in sides}
    shut = "shutdown" in states or view["locked_out"] or any(side["latched"] for side in sides)
    if shut or any(c.tone == "shutdown" for c in own):
        return Rank.SHUTDOWN_WAITS if any(c.waits for c in own) else Rank.SHUTDOWN
    if "alarm" in states or own:
        return Rank.ALARM_WAITS if any(c.waits for c in own) else Rank.ALARM
    if "unknown" in states or not all(side["known_now"] for side in sides):
        return Rank.UNKNOWN
    if view["quality"] != "good":
        return Rank.DOUBTFUL
    return Rank.ASIDE if view["shelved"] or view["out_of_service"] or view["standby"] else Rank.NORMAL


def word_of(view: Mapping[str, Any], own: Sequence[Card], rank: Rank) -> str:
    """How a drive stands, in a word or two."""
    side, worst = worst_direction(view)
    if rank <= Rank.SHUTDOWN:
        latched = any(d["latched"] for d in view["directions"].values())
        word = "Shutdown" if worst["state"] == "shutdown" or latched else "Urgent"
        if view["locked_out"] and not any(c.waits for c in own):
            word = "Locked out"
    else:
        word = {
            Rank.ALARM_WAITS: "Alarm",
            Rank.ALARM: "Alarm",
            Rank.UNKNOWN: "Not known",
            Rank.DOUBTFUL: "Doubtful",
            Rank.ASIDE: "Put aside",
        }.get(rank, "Normal")
    if view["standby"] and rank is Rank.ASIDE:
        word = "Standby"
    if len(view["directions"]) > 1 and worst["state"] in ("alarm", "shutdown") and word in ("Shutdown", "Alarm"):
        word += f" {side}"
    if not worst["known_now"] and rank <= Rank.ALARM:
        word += ", last known"
    return word


# --- words ---


def notes_of(
    view: Mapping[str, Any], own: Sequence[Card], worst: Mapping[str, Any], people: People, wall: Wall
) -> list[Note]:
    """Whatever is not as it should be, the most pressing first."""
    notes = []
    if own:
        notes.append(Note(own[0].title, "strong"))
    if view["stop"]:
        runs = str(view["stop"]).startswith("still") or (view["stop"] == "confirmed" and view["running"] is True)
        text = "motor RUNS" if runs else stop_words(view["stop"], view["running"])
        notes.append(Note(text, "strong" if runs else ""))
    if not worst["known_now"]:
        known = wall.at(worst["known_utc_ms"], seconds=True)
        notes.append(Note(f"last known at {known}" if known else "never read since the start", "strong"))
    if view["test_run_s"]:
        notes.append(Note("supervised test run goes on", "strong"))
    if view["in_test_s"]:
        notes.append(Note("in test: nobody is called", "", _at(wall, view["in_test_s"])))
    if own:
        notes += _answer_notes(own[0])
    if view["locked_out"]:
        notes.append(Note(f"locked out since {wall.at(view['locked_out_utc_ms'])}"))
    if not view["in_test_s"] and view["quality"] != "good":
        notes.append(Note(quality_words(view)))
    return notes + _aside_notes(view, people, wall)


def _at(wall: Wall, seconds: float) -> int:
    return round((wall.now_utc_ms + seconds * 1000) / 5000) * 5000


def _answer_notes(card: Card) -> list[Note]:
    """Who has acknowledged, who was told, and what comes next."""
    notes = []
    if card.answered:
        notes.append(Note(card.answered))
    elif card.told:
        notes.append(Note(f"told: {card.told}"))
    if card.next is not None:
        notes.append(Note(card.next.words, "", card.next.at_utc_ms))
    if card.held:
        notes.append(Note(f"nobody is called: {card.held}"))
    return notes


def quality_words(view: Mapping[str, Any]) -> str:
    """Quality and the first reason for it."""
    reasons = [reason_words(text, brief=True) for text in view["reasons"]]
    if not reasons:
        return str(view["quality"])
    more = f" (+{len(reasons) - 1})" if len(reasons) > 1 else ""
    said = str(view["quality"]) in reasons[0]
    return f"{reasons[0]}{more}" if said else f"{view['quality']}: {reasons[0]}{more}"


def _aside_notes(view: Mapping[str, Any], people: People, wall: Wall) -> list[Note]:
    notes = []
    if standby := view["standby"]:
        why = f": {standby['reason']}" if standby["reason"] else ""
        by = "" if standby["by"] == "schedule" else f", {people.name(standby['by'])}"
        notes.append(Note(f"in standby until {wall.at(standby['until_utc_ms'])}{by}{why}"))
    for key, words in (("shelved", "shelved"), ("out_of_service", "out of service")):
        if view[key]:
            names = [str(text).split("/")[2].replace("_", " ") for text in view[key] if str(text).count("/") >= 2]
            notes.append(Note(f"{words}: {', '.join(names[:3])}{f' +{len(names) - 3}' if len(names) > 3 else ''}"))
    return notes
