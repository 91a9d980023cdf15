"""The last hour of every drive, a figure a minute, for the small line of a strip. Pure: times are passed in."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable

from nightrake.page.torquebar import HOUR_MIN

MINUTE_MS = 60_000


class Hours:
    """Highest torque of each of the last sixty minutes, by drive; bounded by the drives that are named."""

    def __init__(self) -> None:
        self._minutes: dict[str, deque[tuple[int, float]]] = {}

    def note(self, drive: str, utc_ms: int, torque_nm: float | None) -> None:
        """Take a torque in.

        Args:
            drive: Whose. utc_ms: When it was read. torque_nm: N.m, None: there was none.
        """
        if torque_nm is None:
            return
        minute = utc_ms // MINUTE_MS
        kept = self._minutes.setdefault(drive, deque(maxlen=HOUR_MIN))
        while kept and kept[-1][0] > minute:  # the clock was put back
            kept.pop()
        if kept and kept[-1][0] == minute:
            last = kept.pop()[1]
            torque_nm = max(last, torque_nm, key=abs)
        kept.append((minute, torque_nm))

    def fill(self, drive: str, known: Iterable[tuple[int, float]]) -> None:
        """Put what is kept elsewhere beside what was seen here.

        Args:
            drive: Whose. known: UTC in ms, and a torque in N.m.
        """
        minutes = dict(self._minutes.get(drive, ()))
        for utc_ms, torque_nm in known:
            minute = utc_ms // MINUTE_MS
            minutes[minute] = max(minutes.get(minute, 0.0), torque_nm, key=abs)
        self._minutes[drive] = deque(sorted(minutes.items()), maxlen=HOUR_MIN)

    def of(self, drive: str, now_utc_ms: int) -> list[float | None]:
        """Sixty minutes up to now, the oldest first; None for a minute in which nothing was read."""
        now = now_utc_ms // MINUTE_MS
        known = dict(self._minutes.get(drive, ()))
        found = [known.get(minute) for minute in range(now - HOUR_MIN + 1, now + 1)]
        return found if any(nm is not None for nm in found) else []

    def only(self, drives: set[str]) -> None:
        """Forget drives that are no longer there."""
        for drive in set(self._minutes) - drives:
            del self._minutes[drive]
