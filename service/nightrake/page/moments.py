"""Times as the page shows them: on the site's wall, with the date where it is not today, and spans in words."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, tzinfo
from functools import lru_cache
from typing import NamedTuple
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError


@lru_cache(maxsize=8)
def zone_of(name: str) -> tzinfo:
    """A zone by its name in the time zone database; UTC where there is none of that name."""
    try:
        return ZoneInfo(name or "UTC")
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return UTC


class Wall(NamedTuple):
    """The site's clock at the moment that is shown.

    Attributes:
        zone: In which it hangs. now_utc_ms: What it shows.
    """

    zone: tzinfo
    now_utc_ms: int

    def at(self, utc_ms: int, *, seconds: bool = False) -> str:
        """A moment: ``03:14`` today, ``25 Nov 03:14`` this year, ``2025-11-25 03:14`` before; "" for never.

        Args:
            utc_ms: When. seconds: With the seconds.
        """
        if not utc_ms:
            return ""
        then, now = self._wall(utc_ms), self._wall(self.now_utc_ms)
        if then is None or now is None:
            return "(a clock without a date)"
        time = then.strftime("%H:%M:%S" if seconds else "%H:%M") + self._offset(then)
        if then.date() == now.date():
            return time
        day = f"{then.day} {then:%b}" if then.year == now.year else f"{then:%Y-%m-%d}"
        return f"{day} {time}"

    def full(self, utc_ms: int) -> str:
        """Date and time of day, whatever day it is."""
        then = self._wall(utc_ms)
        return f"{then:%Y-%m-%d %H:%M:%S}{self._offset(then)}" if then is not None else "(a clock without a date)"

    def iso(self, utc_ms: int) -> str:
        """For the attribute of a time element."""
        then = self._wall(utc_ms)
        return then.isoformat(timespec="seconds") if then is not None else ""

    def left(self, utc_ms: int) -> str:
        """How long until a moment: ``in 3 min``; ``now`` where it is past."""
        seconds = (utc_ms - self.now_utc_ms) / 1000
        return f"in {span(seconds)}" if seconds > 0 else "now"

    def ago(self, utc_ms: int) -> str:
        """How long since a moment."""
        return span((self.now_utc_ms - utc_ms) / 1000)

    def _wall(self, utc_ms: int) -> datetime | None:
        try:
            return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=utc_ms)).astimezone(self.zone)
        except (OverflowError, ValueError):
            return None

    def _offset(self, then: datetime) -> str:
        """The offset, in an hour that the wall shows twice."""
        offset = then.utcoffset() or timedelta()
        if then.replace(fold=1 - then.fold).utcoffset() == offset:
            return ""
        hours = offset.total_seconds() / 3600
        return f" (UTC{hours:+g})"


def span(seconds: float) -> str:
    """A span to the figure that matters from afar: ``40 s``, ``3 min``, ``2 h 5 min``, ``4 d``; rounded up to minutes.

    Args:
        seconds: At least 0; less reads as 0.
    """
    left = max(0.0, seconds)
    if left < 60:
        return f"{left:.0f} s" if left < 59.5 else "1 min"
    minutes = int(-(-left // 60))
    if minutes < 60:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {minutes} min" if minutes and hours < 10 else f"{hours} h"
    return f"{hours // 24} d"
