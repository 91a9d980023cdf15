"""Sliding ten minutes: peak and floods; and quantiles of counted seconds. Pure."""

from __future__ import annotations

from collections import Counter, deque

WINDOW_MS = 600_000
ABOVE = 10
"""More annunciations than these within ten minutes begin a flood, for each operator position."""
BELOW = 5
"""Fewer than these end it."""


class Floods:
    """Takes moments of annunciations in rising order.

    Args:
        positions: Operator positions that share the alarms: the limits are for each.

    Attributes:
        count: Floods that began. peak, peak_ms: most within any ten minutes (each without its end), and when.

    Source: ANSI/ISA-18.2-2016 clause 16.4: a flood starts above 10 in ten minutes and ends below 5.
    """

    def __init__(self, positions: int) -> None:
        self._above, self._below = ABOVE * positions, BELOW * positions
        self._times: deque[int] = deque()
        self._last: deque[int] = deque(maxlen=self._below)
        self._since_ms: int | None = None
        self._total_ms = 0
        self.count = 0
        self.peak = self.peak_ms = 0

    def take(self, at_ms: int) -> None:
        """One more."""
        self._end_by(at_ms)
        while self._times and at_ms - self._times[0] >= WINDOW_MS:
            self._times.popleft()
        self._times.append(at_ms)
        self._last.append(at_ms)
        if len(self._times) > self.peak:
            self.peak, self.peak_ms = len(self._times), at_ms
        if len(self._times) > self._above and self._since_ms is None:
            self._since_ms = at_ms
            self.count += 1

    def _end_by(self, at_ms: int) -> None:
        """A flood ends when the fifth annunciation from the end leaves the window."""
        if self._since_ms is not None and at_ms >= self._last[0] + WINDOW_MS:
            self._total_ms += self._last[0] + WINDOW_MS - self._since_ms
            self._since_ms = None

    def total_s(self, end_ms: int) -> float:
        """Time in flood up to a moment after the last annunciation, seconds."""
        self._end_by(end_ms)
        going_on_ms = 0 if self._since_ms is None else max(0, end_ms - self._since_ms)
        return (self._total_ms + going_on_ms) / 1000


def quantile_s(seconds: Counter[int], percent: int) -> float | None:
    """The value that so many percent of all do not pass (nearest rank); None of nothing.

    Args:
        seconds: How often each value is there. percent: 50 gives the median, the middle of the two where they are two.
    """
    total = sum(seconds.values())
    if not total:
        return None
    if percent == 50 and total % 2 == 0:
        return (_at(seconds, total // 2) + _at(seconds, total // 2 + 1)) / 2
    return float(_at(seconds, max(1, -(-total * percent // 100))))


def _at(seconds: Counter[int], rank: int) -> int:
    """The value of a rank, from 1."""
    passed = 0
    for value in sorted(seconds):
        passed += seconds[value]
        if passed >= rank:
            return value
    raise ValueError(f"no value has rank {rank}")
