"""Two courses of the same time side by side: which alarms came in both, earlier or later, which in one only. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from nightrake.domain.rows import Entry

NEAR_MS = 15 * 60_000
"""Two occurrences of one alarm that do not overlap are the same one if they came within this time."""
BACK_PCT = 2.0
"""Torque has left a limit when it is this much below it, percent: noise is no second time (common practice)."""
_COMES = frozenset({"raised", "raised_again"})
_GOES = frozenset({"cleared", "latched"})


class Occurrence(NamedTuple):
    """An alarm that came.

    Attributes:
        alarm: Its text form. priority: As it was told. came_ms: When, ms of a time that only rises.
        went_ms: When its condition had gone; None = it still stood at the end.
        utc_ms: When it came, by the clock.
    """

    alarm: str
    priority: str
    came_ms: int
    went_ms: int | None
    utc_ms: int


class Pair(NamedTuple):
    """One occurrence in both courses, or in one of them."""

    alarm: str
    was: Occurrence | None
    now: Occurrence | None

    @property
    def later_ms(self) -> int:
        """How much later it comes now; negative = earlier; 0 where it comes in one course only."""
        return self.now.came_ms - self.was.came_ms if self.was is not None and self.now is not None else 0

    @property
    def utc_ms(self) -> int:
        """When it came, by the clock; in the course that it came in first."""
        return min(one.utc_ms for one in (self.was, self.now) if one is not None)


class Standing(NamedTuple):
    """Something that stands when a period begins in one course only.

    Attributes:
        name: An alarm's text form, or a set point's. was, now: In which course. came_utc_ms: When it came there.
        at_utc_ms: When the period begins, by its first input.
    """

    name: str
    was: bool
    now: bool
    came_utc_ms: int
    at_utc_ms: int


class Count(NamedTuple):
    """How one alarm fares.

    Attributes:
        was, now: Occurrences in either course. same, earlier, later: Those in both. gone, new: Those in one only.
    """

    alarm: str
    priority: str
    was: int
    now: int
    same: int
    earlier: int
    later: int
    gone: int
    new: int


class Course:
    """Gathers the occurrences of one course out of its entries."""

    def __init__(self) -> None:
        self.occurrences: list[Occurrence] = []
        self._open: dict[str, int] = {}

    def take(self, entries: Iterable[Entry], at_ms: int, utc_ms: int) -> None:
        """Entries of one input.

        Args:
            at_ms: When, ms of a time that only rises. utc_ms: By the clock.
        """
        for entry in entries:
            alarm = entry.data.get("alarm") if entry.kind == "alarm" else None
            if not isinstance(alarm, str) or not alarm:
                continue
            if entry.event in _COMES:
                self._end(alarm, at_ms)
                self._open[alarm] = len(self.occurrences)
                priority = str(entry.data.get("priority", ""))
                self.occurrences.append(Occurrence(alarm, priority, at_ms, None, utc_ms))
            elif entry.event in _GOES:
                self._end(alarm, at_ms)

    def _end(self, alarm: str, at_ms: int) -> None:
        index = self._open.pop(alarm, None)
        if index is not None:
            self.occurrences[index] = self.occurrences[index]._replace(went_ms=at_ms)


class Crossings:
    """Gathers how often torque has reached a limit; it has left it when it is well below again."""

    def __init__(self) -> None:
        self.occurrences: list[Occurrence] = []
        self._open: dict[str, int] = {}

    def standing(self) -> dict[str, int]:
        """What torque is at or above now, and since when, UTC ms."""
        return {name: self.occurrences[index].utc_ms for name, index in self._open.items()}

    def take(self, name: str, torque_nm: float | None, limit_nm: float, at_ms: int, utc_ms: int) -> None:
        """A reading.

        Args:
            name: Of drive, direction and limit. torque_nm: None = nobody knows, and what was, stands.
            limit_nm: N.m, > 0. at_ms, utc_ms: As for `Course.take`.
        """
        if torque_nm is None:
            return
        index = self._open.get(name)
        if index is None and torque_nm >= limit_nm:
            self._open[name] = len(self.occurrences)
            self.occurrences.append(Occurrence(name, "", at_ms, None, utc_ms))
        elif index is not None and torque_nm < limit_nm * (1.0 - BACK_PCT / 100.0):
            self.occurrences[index] = self.occurrences[index]._replace(went_ms=at_ms)
            del self._open[name]


def paired(was: Iterable[Occurrence], now: Iterable[Occurrence], near_ms: int = NEAR_MS) -> list[Pair]:
    """Occurrences of both courses, put together by alarm and time, in the order in which they came.

    Two belong together where they overlap, or came within `near_ms` of each other; each belongs to one other at most,
    and of one alarm the order is the same in both courses.
    """
    ours, theirs = _by_alarm(was), _by_alarm(now)
    pairs: list[Pair] = []
    for alarm in dict.fromkeys((*ours, *theirs)):
        pairs += _aligned(alarm, ours.get(alarm, []), theirs.get(alarm, []), near_ms)
    return sorted(pairs, key=lambda pair: min(one.came_ms for one in (pair.was, pair.now) if one is not None))


def _by_alarm(occurrences: Iterable[Occurrence]) -> dict[str, list[Occurrence]]:
    found: dict[str, list[Occurrence]] = {}
    for one in occurrences:
        found.setdefault(one.alarm, []).append(one)
    return found


def _aligned(alarm: str, was: Sequence[Occurrence], now: Sequence[Occurrence], near_ms: int) -> list[Pair]:
    pairs: list[Pair] = []
    i = j = 0
    while i < len(was) and j < len(now):
        a, b = was[i], now[j]
        belong = _belong(a, b, near_ms)
        # One that suits the next of the other course better is left to it.
        if belong and j + 1 < len(now) and _nearer(a, now[j + 1], b, near_ms):
            belong, first_is_ours = False, False
        elif belong and i + 1 < len(was) and _nearer(b, was[i + 1], a, near_ms):
            belong, first_is_ours = False, True
        else:
            first_is_ours = a.came_ms <= b.came_ms
        if belong:
            pairs.append(Pair(alarm, a, b))
            i, j = i + 1, j + 1
        elif first_is_ours:
            pairs.append(Pair(alarm, a, None))
            i += 1
        else:
            pairs.append(Pair(alarm, None, b))
            j += 1
    pairs += [Pair(alarm, a, None) for a in was[i:]]
    pairs += [Pair(alarm, None, b) for b in now[j:]]
    return pairs


def _belong(a: Occurrence, b: Occurrence, near_ms: int) -> bool:
    first, second = (a, b) if a.came_ms <= b.came_ms else (b, a)
    overlap = first.went_ms is None or first.went_ms > second.came_ms
    return overlap or second.came_ms - first.came_ms <= near_ms


def _nearer(one: Occurrence, other: Occurrence, than: Occurrence, near_ms: int) -> bool:
    closer = abs(one.came_ms - other.came_ms) < abs(one.came_ms - than.came_ms)
    return closer and _belong(one, other, near_ms)


def standing_apart(was: Mapping[str, int], now: Mapping[str, int], at_utc_ms: int) -> list[Standing]:
    """What stands at a moment in one of two courses only.

    Args:
        was, now: By name since when, UTC ms. at_utc_ms: The moment.
    """
    gone = [Standing(name, True, False, came_ms, at_utc_ms) for name, came_ms in was.items() if name not in now]
    new = [Standing(name, False, True, came_ms, at_utc_ms) for name, came_ms in now.items() if name not in was]
    return sorted((*gone, *new))


def counts(pairs: Iterable[Pair]) -> list[Count]:
    """Each alarm's pairs, counted; in the order in which the alarms first came."""
    found: dict[str, Count] = {}
    for pair in pairs:
        either = pair.now or pair.was
        known = found.get(pair.alarm) or Count(pair.alarm, either.priority if either else "", *(0,) * 7)
        both = pair.was is not None and pair.now is not None
        found[pair.alarm] = known._replace(
            was=known.was + (pair.was is not None),
            now=known.now + (pair.now is not None),
            same=known.same + (both and pair.later_ms == 0),
            earlier=known.earlier + (pair.later_ms < 0),
            later=known.later + (pair.later_ms > 0),
            gone=known.gone + (pair.now is None),
            new=known.new + (pair.was is None),
        )
    return list(found.values())
