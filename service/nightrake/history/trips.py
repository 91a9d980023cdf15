"""Trip records: which journal rows begin one, which belong to it, when it ends, and when it grows. Pure.

    alarm row 'raised' of a shutdown or alarm contact --> a record, from before it ...
    lockout released (or, without one, the alarm over)  --> ... to here, at least 10 min after, at most 24 h

A row may be seen again, after a worker was killed: taking it twice changes nothing.
"""

from __future__ import annotations

import json
from collections.abc import Container, Iterable, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from nightrake.domain.rows import Row
from nightrake.domain.site import Direction

I64 = npt.NDArray[np.int64]
STAGES = {"shutdown_contact": "shutdown", "alarm_contact": "alarm"}
"""Kinds of alarm that are frozen, and the stage that each is about."""
BEGINS = frozenset({"raised", "raised_again"})
LOCKED = frozenset({"opened", "shutdown_again"})
UNLOCKED = frozenset({"released", "cancelled"})
MS_NS = 1_000_000
DIRECTIONS = frozenset(map(str, Direction))
LONGEST_NAMED = 32
"""Characters of a drive or an epoch in a file's name."""


class End(StrEnum):
    """Why a record ends where it does."""

    RELEASED = "the lockout was released"
    CANCELLED = "the lockout was cancelled"
    OVER = "the alarm was over"
    LONGEST = "that is as long as a record may be"


class At(NamedTuple):
    """A moment: start of the machine, its monotonic clock, UTC."""

    boot_id: str
    mono_ns: int
    utc_ms: int


def at_of(row: Row) -> At:
    """When a row was."""
    return At(row.boot_id, row.mono_ns, row.utc_ms)


def between_ms(first: At, later: At) -> int:
    """From one moment to another: by the monotonic clock within one start of the machine, else by UTC."""
    if first.boot_id == later.boot_id:
        return (later.mono_ns - first.mono_ns) // MS_NS
    return later.utc_ms - first.utc_ms


@dataclass(frozen=True, slots=True)
class Rules:
    """How long a record is, and how often it grows while it is open (own choice but the first three).

    Attributes:
        before_ms, turns: It begins the longer of this time and so many turns of the output before.
        most_ms: It ends this long after, and never begins longer before.
        least_ms: It never ends sooner after.
        grow_ms, longest_grow_ms: It grows when the time after has doubled, within these.
    """

    before_ms: int = 3_600_000
    turns: int = 2
    most_ms: int = 86_400_000
    least_ms: int = 600_000
    grow_ms: int = 60_000
    longest_grow_ms: int = 1_800_000


RULES = Rules()


class Key(NamedTuple):
    """One occurrence of an alarm in one life of the store."""

    alarm: str
    occurrence: int
    epoch: str


@dataclass(frozen=True, slots=True)
class Trip:
    """What one record is about.

    Attributes:
        alarm: Key of the alarm (``PC1/forward/shutdown_contact``). drive, direction, stage: What it says.
        epoch, row, input_seq: The row that began it. last_row: The last one of that epoch that changed it; whatever is
            read again up to there changes nothing.
        occurrences: Of the alarm; an alarm that comes again while its record is open goes into the same one.
        at, trusted: When, and whether the clock could be believed.
        lockout: A lockout holds the record open.
        over, why: What it waited for has come; None = not yet.
    """

    alarm: str
    drive: str
    direction: str
    stage: str
    epoch: str
    row: int
    input_seq: int
    occurrences: tuple[int, ...]
    at: At
    trusted: bool = True
    lockout: bool = False
    over: At | None = None
    why: str = ""
    last_row: int = 0

    def has_taken(self, row: Row) -> bool:
        """Whether a row is no news to it."""
        return row.epoch == self.epoch and row.seq <= max(self.row, self.last_row)

    @property
    def name(self) -> str:
        """Of its file: drive, direction, stage, occurrence, life of the store."""
        life = "".join(c for c in self.epoch if c.isascii() and c.isalnum())[:LONGEST_NAMED]
        return f"{self.drive}-{self.direction}-{self.stage}-{self.occurrences[0]}-{life}"

    def keys(self) -> Iterable[Key]:
        """What it holds."""
        return (Key(self.alarm, n, self.epoch) for n in self.occurrences)


# --- rows -------------------------------------------------------------------------------------------------------------


def take(row: Row, opened: Iterable[Trip], known: Container[Key], rules: Rules = RULES) -> list[Trip]:
    """What a row of the journal changes.

    Args:
        row: The next one. opened: Records that are open; one that was to end before the row is left as it is, though
            the worker may have been away and not have ended it yet. known: Occurrences that have, or had, a record.
        rules: See there.

    Returns:
        Records that begin with it or are changed by it, as they are after it.
    """
    news = (trip for trip in opened if not trip.has_taken(row))
    changed = _taken(row, [trip for trip in news if after_ms(trip, at_of(row), rules) is None], known)
    return [replace(trip, last_row=row.seq) if row.epoch == trip.epoch else trip for trip in changed]


def _taken(row: Row, opened: Iterable[Trip], known: Container[Key]) -> list[Trip]:
    if row.kind == "lockout":
        return [_locked(row, trip) for trip in opened if _is_held(row, trip)]
    if row.kind != "alarm":
        return []
    data = _data(row)
    alarm, occurrence = data.get("alarm"), data.get("occurrence")
    if not isinstance(alarm, str) or type(occurrence) is not int:
        return []
    if row.event in BEGINS:
        return _begun(row, Key(alarm, occurrence, row.epoch), opened, known)
    if data.get("life") != "normal":
        return []
    mine = (t for t in opened if t.alarm == alarm and t.occurrences[-1] == occurrence)
    return [replace(t, over=at_of(row), why=End.OVER.value) for t in mine if not t.lockout and t.over is None]


def _data(row: Row) -> Mapping[str, Any]:
    try:
        data = json.loads(row.payload)
    except (ValueError, TypeError, RecursionError):
        return {}
    return data if isinstance(data, dict) else {}


def _begun(row: Row, key: Key, opened: Iterable[Trip], known: Container[Key]) -> list[Trip]:
    parts = key.alarm.split("/")
    if len(parts) != 3 or parts[2] not in STAGES or parts[0] != row.drive or key in known:
        return []
    drive, direction, kind = parts
    if not is_id(drive) or direction not in DIRECTIONS:
        return []
    before = [t for t in opened if t.alarm == key.alarm]
    if STAGES[kind] == "alarm":
        goes_on = next((t for t in before if t.epoch == key.epoch), None)
        if goes_on is not None:
            more = (*goes_on.occurrences, key.occurrence)
            return [replace(goes_on, occurrences=more, over=None, why="")]
    ended = [replace(t, over=at_of(row), why=End.OVER.value) for t in before if not t.lockout and t.over is None]
    trip = Trip(
        alarm=key.alarm,
        drive=drive,
        direction=direction,
        stage=STAGES[kind],
        epoch=row.epoch,
        row=row.seq,
        input_seq=row.input_seq,
        occurrences=(key.occurrence,),
        at=at_of(row),
        trusted=row.clock_trusted,
    )
    return [*ended, trip]


def is_id(text: str) -> bool:
    """Whether a text may be a drive's id, so that it can stand in a file's name."""
    return 0 < len(text) <= LONGEST_NAMED and all(c.isascii() and (c.isalnum() or c in "_-") for c in text)


def is_named(trip: Trip) -> bool:
    """Whether a trip that came from a file has a name that a file may have."""
    return is_id(trip.drive) and trip.direction in DIRECTIONS and trip.stage in STAGES.values()


def _is_held(row: Row, trip: Trip) -> bool:
    """Whether a row about a lockout is about a record's."""
    if trip.stage != "shutdown" or row.drive != trip.drive:
        return False
    return (row.event in LOCKED and trip.over is None) or (row.event in UNLOCKED and trip.lockout and trip.over is None)


def _locked(row: Row, trip: Trip) -> Trip:
    if row.event in LOCKED:
        return replace(trip, lockout=True)
    why = End.RELEASED if row.event == "released" else End.CANCELLED
    return replace(trip, over=at_of(row), why=why.value)


def belongs(row: Row, trip: Trip) -> bool:
    """Whether a row goes into a record, if it lies within its time: those of the drive, and those of no drive."""
    return row.drive in ("", trip.drive)


# --- time -------------------------------------------------------------------------------------------------------------


def before_ms(rules: Rules, turn_ns: int) -> int:
    """How long before it a record begins.

    Args:
        turn_ns: One turn of the output, 0 = not known.
    """
    return min(rules.most_ms, max(rules.before_ms, rules.turns * turn_ns // MS_NS))


def after_ms(trip: Trip, now: At, rules: Rules = RULES) -> tuple[int, str] | None:
    """How long after it a record ends, and why; None = it is open still.

    Args:
        now: The newest recorded input.
    """
    passed_ms = between_ms(trip.at, now)
    if trip.over is not None:
        wanted_ms = max(rules.least_ms, between_ms(trip.at, trip.over))
        if wanted_ms < rules.most_ms:
            return (wanted_ms, trip.why) if passed_ms >= wanted_ms else None
    return (rules.most_ms, End.LONGEST.value) if passed_ms >= rules.most_ms else None


def is_due(trip: Trip, covered: At | None, now: At, rules: Rules = RULES) -> bool:
    """Whether an open record is to grow now.

    Args:
        covered: Up to where it reaches, None = nothing of it is there. now: The newest recorded input.
    """
    if covered is None or after_ms(trip, now, rules) is not None:
        return True
    step_ms = min(rules.longest_grow_ms, max(rules.grow_ms, between_ms(trip.at, covered)))
    return between_ms(covered, now) >= step_ms


def inside(
    trip: Trip, boot_id: str, mono_ns: I64, utc_ms: I64, before: int, after: int | None
) -> npt.NDArray[np.bool_]:
    """Which readings lie in a record's time, both ends included.

    Args:
        boot_id, mono_ns, utc_ms: Theirs; "" = of the same start of the machine. before, after: Its ends from the trip,
            ms; None = open.
    """
    if boot_id in ("", trip.at.boot_id):
        off_ms = (mono_ns - trip.at.mono_ns) / MS_NS
    else:
        off_ms = (utc_ms - trip.at.utc_ms).astype(np.float64)
    found: npt.NDArray[np.bool_] = off_ms >= -before
    return found if after is None else found & (off_ms <= after)
