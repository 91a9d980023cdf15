"""Stamps for the lines of each series, none of them twice, whatever the clock does and however often the watch begins.

What is sent again after a restart must come under the same stamp, and what is new under one that its series has not
used. Both follow from one thing: the kept text says of each series what its last stamp was.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from heapq import nlargest
from typing import Any, NamedTuple

DAY_MS = 86_400_000
"""A clock that has moved by less than this is waited for, so that the order is kept; one that was further off than that
was wrong for good, and after it has been put right the samples get their own time again."""
STRETCHES = 64
"""So many stretches of time that a clock has been wrong in are remembered; beyond, the shortest is forgotten."""
MOST_SAMPLES, MOST_EVENTS = 3000, 300
"""Of so many series the last stamp is kept; of the others only that none was later than the earliest of these."""


class Stamps:
    """Gives each series stamps that it has not used before, whatever the clock does.

    They rise for as long as the clock keeps within a day of where it was. A clock that leaps further than that begins
    a stretch of its own, and comes back into the old one, above what was used there: so what was once stamped years
    ahead holds nobody there. In a new stretch nothing was used, so each series begins at its own time, also one that
    comes later with an earlier one.

    Args:
        floor_ms: A series of which nothing more is known has used nothing above this.
        low_ms: Where the stretch that ends there begins; 0 = everything below the floor counts as used.
        others: Other stretches used, (first, last).
        most: Series of which the last stamp is kept.
    """

    def __init__(
        self, floor_ms: int = 0, low_ms: int = 0, others: Iterable[tuple[int, int]] = (), most: int = MOST_SAMPLES
    ) -> None:
        self._floor_ms = self._top_ms = floor_ms
        self._low_ms = low_ms
        self._others: Sequence[tuple[int, int]] = tuple(others)
        self._most = most
        self._until_ms = 0
        self._last: dict[str, int] = {}

    @classmethod
    def of(cls, kept: str, most: int = MOST_SAMPLES) -> Stamps:
        """What an earlier run has used, from its `kept`; "" = nothing.

        Raises:
            ValueError, TypeError, LookupError, AttributeError: The text is damaged.
        """
        return cls._of_plain(json.loads(kept), most) if kept.startswith("{") else cls._of_old(kept or "0", most)

    @classmethod
    def _of_plain(cls, found: Mapping[str, Any], most: int) -> Stamps:
        stamps = cls(int(found["floor"]), int(found["low"]), [(int(a), int(b)) for a, b in found["others"]], most)
        stamps._top_ms = int(found["top"])
        stamps._last = {series: stamps._top_ms - int(below) for series, below in found["last"].items()}
        return stamps

    @classmethod
    def _of_old(cls, kept: str, most: int) -> Stamps:
        """As earlier versions kept it, without the series."""
        top, *more = kept.split(";")
        low = more[0] if more else "0"
        spans = [span.split("-") for span in more[1:]]
        return cls(int(top), int(low), [(int(a), int(b)) for a, b in spans], most)

    @property
    def kept(self) -> str:
        """All that a later run needs to know."""
        return json.dumps(self._plain(), separators=(",", ":"))

    def _plain(self) -> dict[str, Any]:
        last, floor_ms = {s: ms for s, ms in self._last.items() if ms > self._floor_ms}, self._floor_ms
        if len(last) > self._most:
            latest = nlargest(self._most + 1, last.items(), key=lambda item: item[1])
            floor_ms = latest.pop()[1]
            last = dict(latest)
        return {
            "top": self._top_ms,
            "low": self._low_ms,
            "floor": floor_ms,
            "others": self._others,
            "last": {series: self._top_ms - ms for series, ms in last.items()},
        }

    def take(self, series: str, utc_ms: int) -> int:
        """The stamp for the next line of a series: its own time, or one millisecond after the last one's."""
        if not self._last.get(series, utc_ms) < utc_ms < self._until_ms:
            utc_ms = self._found(series, utc_ms)
        self._last[series] = utc_ms
        if utc_ms > self._top_ms:
            self._top_ms = utc_ms
        elif utc_ms < self._low_ms:
            self._low_ms = utc_ms
        return utc_ms

    def take_all(self, series: Iterable[str], utc_ms: int) -> bool:
        """The same for several series of one time; False where one of them cannot have its own: then none has."""
        last = self._last
        if utc_ms >= self._until_ms or not all([last.get(one, utc_ms) < utc_ms for one in series]):  # noqa: C419  # faster
            return False
        for one in series:
            last[one] = utc_ms
        self._top_ms = max(self._top_ms, utc_ms)
        self._low_ms = min(self._low_ms, utc_ms)
        return True

    def _found(self, series: str, utc_ms: int) -> int:
        """The stamp where the clock was set, has leapt, or reaches a stretch that was used; or the series is new."""
        if not _is_near(utc_ms, self._low_ms, self._top_ms):
            self._move(utc_ms)
        stamp_ms = max(utc_ms, self._last.get(series, self._floor_ms) + 1)
        for low_ms, top_ms in sorted(self._others):
            if low_ms <= stamp_ms <= top_ms:
                self._join(low_ms, top_ms)
                stamp_ms = top_ms + 1
        above_ms = [low_ms for low_ms, _ in self._others if low_ms > stamp_ms]
        self._until_ms = min([max(stamp_ms, self._top_ms) + DAY_MS, *above_ms])
        return stamp_ms

    def _move(self, utc_ms: int) -> None:
        """Into another stretch: one that was used before, or a new one."""
        others = [*self._others, (self._low_ms, self._top_ms)] if self._top_ms else list(self._others)
        home = max((span for span in others if _is_near(utc_ms, *span)), default=None)
        self._last = {}
        if home is None:
            self._low_ms, self._top_ms, self._floor_ms = utc_ms, utc_ms - 1, 0
        else:
            others.remove(home)
            self._low_ms, self._top_ms = home
            self._floor_ms = self._top_ms
        while len(others) > STRETCHES:
            others.remove(min(others, key=lambda span: span[1] - span[0]))
        self._others = tuple(others)

    def _join(self, low_ms: int, top_ms: int) -> None:
        """Time has come to a stretch that was used: go on above it."""
        self._others = tuple(span for span in self._others if span != (low_ms, top_ms))
        self._low_ms, self._top_ms = min(low_ms, self._low_ms), max(top_ms, self._top_ms)
        self._floor_ms = max(top_ms, self._floor_ms)
        self._last = {series: max(last_ms, top_ms) for series, last_ms in self._last.items()}

    def above(self, low_ms: int, top_ms: int) -> Stamps:
        """A copy that goes on above a span: what lies in between is stamped by somebody else, from what these know."""
        other = self.copy()
        other._low_ms = min(self._low_ms, low_ms) if self._top_ms else low_ms
        other._top_ms = max(self._top_ms, top_ms)
        other._floor_ms = max(self._floor_ms, top_ms)
        other._last = {series: ms for series, ms in self._last.items() if ms > top_ms}
        other._until_ms = 0
        return other

    def copy(self) -> Stamps:
        """As they stand, for going back to."""
        other = Stamps(self._floor_ms, self._low_ms, self._others, self._most)
        other._top_ms, other._until_ms = self._top_ms, self._until_ms
        other._last = dict(self._last)
        return other

    @property
    def highest_ms(self) -> int:
        """The highest stamp used so far in the stretch that the clock is in."""
        return self._top_ms


class Used(NamedTuple):
    """Stamps of samples and of events, apart: the few events of a long outage are sent long before its last samples,
    and must not make those look as if their time had been used.

    Attributes:
        samples, events: Their stamps.
    """

    samples: Stamps
    events: Stamps

    @classmethod
    def of(cls, kept: str) -> Used:
        """What an earlier run has used, from its `kept`; an earlier version kept one text for both.

        Raises:
            ValueError, TypeError, LookupError, AttributeError: The text is damaged.
        """
        if kept.startswith("["):
            first, second = json.loads(kept)
            return cls(Stamps._of_plain(first, MOST_SAMPLES), Stamps._of_plain(second, MOST_EVENTS))
        samples, _, events = kept.partition("|")
        return cls(Stamps.of(samples), Stamps.of(events or samples, MOST_EVENTS))

    @property
    def kept(self) -> str:
        """All that a later run needs to know."""
        return json.dumps([self.samples._plain(), self.events._plain()], separators=(",", ":"))

    def copy(self) -> Used:
        """As they stand, for going back to."""
        return Used(self.samples.copy(), self.events.copy())


def _is_near(utc_ms: int, low_ms: int, top_ms: int) -> bool:
    return low_ms - DAY_MS <= utc_ms <= top_ms + DAY_MS
