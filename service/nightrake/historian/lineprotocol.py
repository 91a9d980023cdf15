"""InfluxDB line protocol, text of our own: floats only, integer milliseconds, nothing that a store could take wrongly.

A store that is lenient keeps strings as 0 and drops NaN without a word, so neither ever leaves here.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence


def escape(text: str) -> str:
    """A tag value or name with what line protocol needs escaped.

    Raises:
        ValueError: It is empty or holds a line break.
    """
    if not text or "\n" in text or "\r" in text:
        raise ValueError(f"not fit for a tag: {text[:40]!r}")
    return text.replace("\\", "\\\\").replace(",", "\\,").replace(" ", "\\ ").replace("=", "\\=")


def head(measurement: str, tags: Mapping[str, str]) -> str:
    """Measurement and tags, the part of a line that a series has in common."""
    return measurement + "".join(f",{escape(k)}={escape(v)}" for k, v in tags.items())


def line(series: str, fields: Mapping[str, float], utc_ms: int) -> str:
    """One line.

    Args:
        series: From `head`. fields: At least one; finite numbers. utc_ms: The stamp.

    Raises:
        ValueError: No field, or one that is not a finite number.
    """
    isfinite = math.isfinite
    parts = []
    for name, value in fields.items():
        if type(value) is not float or not isfinite(value):
            raise ValueError(f"{series}: field {name} is {value!r}; only finite floats are forwarded")
        parts.append(f"{name}={value!r}")
    if not parts:
        raise ValueError(f"{series}: no field")
    return f"{series} {','.join(parts)} {utc_ms}"


FLOOR_SLACK_MS = 2000
"""Stamps this little below the floor are left as they are: several PLCs answer in one millisecond, and what is sent
again after a restart has to come under the same stamp. A clock that was set back lies further below."""


DAY_MS = 86_400_000
"""A clock that has moved by less than this is waited for, so that the order is kept; one that was further off than that
was wrong for good, and after it has been put right the samples get their own time again."""
STRETCHES = 8
"""So many stretches of time that a clock has been wrong in are remembered; beyond, the shortest is forgotten."""


class Stamps:
    """Gives each series stamps that it has not used before, whatever the clock does.

    They rise for as long as the clock keeps within a day of where it was. A clock that leaps further than that begins
    a stretch of its own, and comes back into the old one, above what was used there: so what was once stamped years
    ahead holds nobody there.

    Args:
        floor_ms: What an earlier run has used. A series not seen yet begins above it, unless it is only just below.
        low_ms: Where the stretch that ends there begins; 0 = everything below the floor counts as used.
        others: Other stretches used, (first, last).
    """

    def __init__(self, floor_ms: int = 0, low_ms: int = 0, others: Sequence[tuple[int, int]] = ()) -> None:
        self._floor_ms = self._top_ms = floor_ms
        self._low_ms = low_ms
        self._others = tuple(others)
        self._until_ms = 0
        self._last: dict[str, int] = {}

    @classmethod
    def of(cls, kept: str) -> Stamps:
        """What an earlier run has used, from its `kept`."""
        top, *more = kept.split(";")
        low = more[0] if more else "0"
        spans = [span.split("-") for span in more[1:]]
        return cls(int(top), int(low), [(int(a), int(b)) for a, b in spans])

    @property
    def kept(self) -> str:
        """All that a later run needs to know, as a text without commas."""
        return ";".join((str(self._top_ms), str(self._low_ms), *(f"{a}-{b}" for a, b in self._others)))

    def take(self, series: str, utc_ms: int) -> int:
        """The stamp for the next line of a series: its own time, or one millisecond after the last one's."""
        last_ms = self._last.get(series)
        if last_ms is None or not last_ms < utc_ms < self._until_ms:
            utc_ms = self._found(series, utc_ms)
        self._last[series] = utc_ms
        if utc_ms > self._top_ms:
            self._top_ms = utc_ms
        return utc_ms

    def _found(self, series: str, utc_ms: int) -> int:
        """The stamp where the clock was set, has leapt, or reaches a stretch that was used; or the series is new."""
        if not _is_near(utc_ms, self._low_ms, self._top_ms):
            self._move(utc_ms)
        last_ms = self._last.get(series)
        if last_ms is None:
            last_ms = self._floor_ms if utc_ms < self._floor_ms - FLOOR_SLACK_MS else utc_ms - 1
        stamp_ms = max(utc_ms, last_ms + 1)
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
        if home is None:
            home = utc_ms, utc_ms - 1
        else:
            others.remove(home)
        self._low_ms, self._top_ms = home
        while len(others) > STRETCHES:
            others.remove(min(others, key=lambda span: span[1] - span[0]))
        self._others = tuple(others)
        self._floor_ms = self._top_ms
        self._last = dict.fromkeys(self._last, self._top_ms)

    def _join(self, low_ms: int, top_ms: int) -> None:
        """Time has come to a stretch that was used: go on above it."""
        self._others = tuple(span for span in self._others if span != (low_ms, top_ms))
        self._low_ms, self._top_ms = min(low_ms, self._low_ms), max(top_ms, self._top_ms)
        self._floor_ms = max(top_ms, self._floor_ms)
        self._last = {series: max(last_ms, top_ms) for series, last_ms in self._last.items()}

    def copy(self) -> Stamps:
        """As they stand, for going back to."""
        other = Stamps(self._floor_ms, self._low_ms, self._others)
        other._top_ms, other._until_ms = self._top_ms, self._until_ms
        other._last = dict(self._last)
        return other

    @property
    def highest_ms(self) -> int:
        """The highest stamp used so far in the stretch that the clock is in."""
        return self._top_ms


def _is_near(utc_ms: int, low_ms: int, top_ms: int) -> bool:
    return low_ms - DAY_MS <= utc_ms <= top_ms + DAY_MS
