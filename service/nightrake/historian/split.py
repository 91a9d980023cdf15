"""Where the live lane goes on when a stretch is left to the backlog lane: above every stamp that will be given there.

Pure. Each lane's stamps rise in each series. Both lanes write the same series, so no stamp may be given twice: the live
lane begins above the stretch's latest time, and above what a clock set back a little can have pushed beyond it. A clock
that was moved further gives no such bound: then the live lane waits for the stretch, and goes on from its stamps.
"""

from __future__ import annotations

from typing import NamedTuple

from nightrake.historian.stamps import DAY_MS, Stamps

BACK_MS = 5_000
"""Set back further than this, and the live lane waits."""
AHEAD_MS = 1_000
SHORTEST_SCAN_MS = 10
"""No PLC is read more often."""


class Extent(NamedTuple):
    """Of the scans of a stretch, by their true time.

    Attributes:
        low_ms, high_ms: Earliest and latest, UTC; both 0 where there is none.
        back_ms: The furthest that one PLC's scans went back behind what had been.
        again: How many of one PLC's scans lie in a time that had been: so far its stamps can run ahead of time, for
            each of these is pushed on by a millisecond, and no other can widen the distance.
    """

    low_ms: int
    high_ms: int
    back_ms: int
    again: int


class Split(NamedTuple):
    """What the live lane goes on with; `hold`: it has to wait."""

    stamps: Stamps
    hold: bool


def split_of(safe: Stamps, extent: Extent, now_ms: int) -> Split:
    """Where the live lane goes on.

    Args:
        safe: Stamps as they stand where the stretch begins. extent: Its scans' true time. now_ms: UTC.
    """
    if not extent.high_ms:
        return Split(safe.copy(), hold=False)
    used_ms = safe.highest_ms
    top_ms = max(extent.high_ms, used_ms) + extent.again
    leapt = bool(used_ms) and extent.low_ms < used_ms - DAY_MS
    hold = leapt or extent.back_ms > BACK_MS or top_ms > now_ms + AHEAD_MS
    return Split(safe.above(extent.low_ms, top_ms), hold)


class Going:
    """Takes the true times of scans in order, and says what they span.

    Args:
        used_ms: What had been before the first: the highest stamp used.
    """

    def __init__(self, used_ms: int = 0) -> None:
        self._used_ms = used_ms
        self._high: dict[str, int] = {}
        self._again: dict[str, int] = {}
        self._low_ms = self._back_ms = 0

    def take(self, plc: str, low_ms: int, high_ms: int, scans: int = 1) -> None:
        """Scans of one PLC between two times, in which its clock went on evenly."""
        before = self._high.get(plc, self._used_ms)
        if low_ms <= before:
            self._back_ms = max(self._back_ms, before - low_ms)
            again = min(scans, (before - low_ms) // SHORTEST_SCAN_MS + 1)
            self._again[plc] = self._again.get(plc, 0) + again
        self._high[plc] = max(high_ms, before)
        self._low_ms = min(low_ms, self._low_ms) if self._low_ms else low_ms

    def extent(self) -> Extent:
        """What was taken so far."""
        high_ms = max(self._high.values(), default=0)
        return Extent(self._low_ms, high_ms, self._back_ms, max(self._again.values(), default=0))
