"""Where the live lane goes on when a stretch is left to the backlog lane: above every stamp that will be given there.

Pure. Each lane's stamps rise in each series. Both lanes write the same series, so no stamp may be given twice: the live
lane begins above the stretch's latest time, and above what a clock set back a little can have pushed beyond it. A clock
that was moved further gives no such bound: then the live lane waits for the stretch, and goes on from its stamps.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from typing import NamedTuple

from nightrake.historian.stamps import DAY_MS, Stamps

BACK_MS = 5_000
"""Set back further than this, and the live lane waits."""
AHEAD_MS = 1_000
SHORTEST_SCAN_MS = 10
"""No PLC is read more often."""
CROSS_MS = 100
"""So far the stamps of a drive that draws on several PLCs can run ahead for each of them, because their scans come in
another order than that of their times (own choice: ten scans of the fastest that may be)."""


class Extent(NamedTuple):
    """Of the scans of a stretch, by their true time.

    Attributes:
        low_ms, high_ms: Earliest and latest, UTC; both 0 where there is none.
        back_ms: The furthest that one PLC's scans went back behind what had been.
        again: So far the stamps of any series can have run ahead of the latest time, ms: each scan that lies in a time
            that had been is pushed on by a millisecond.
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
    """Takes the true times of scans in order, and says what they span and how far their stamps can have got.

    A series is a drive's, and a drive may draw on several PLCs, whose scans it gets in any order within some
    milliseconds. Each stamp is its own time or one millisecond above the last; so of scans one by one the highest stamp
    is known as if they were stamped, and of a sealed block it is bounded by how many of its scans lie in a time that
    had been.

    Args:
        used_ms: What had been before the first: the highest stamp used.
        together: For each drive, the PLCs that it draws on; a PLC of which nothing is said has drives of its own.
    """

    def __init__(self, used_ms: int = 0, together: Iterable[Collection[str]] = ()) -> None:
        self._used_ms = used_ms
        self._high: dict[str, int] = {}
        self._top: dict[str, int] = {}
        self._again: dict[str, int] = {}
        self._groups = {frozenset(plcs) for plcs in together if len(set(plcs)) > 1}
        self._of = {plc: [g for g in self._groups if plc in g] for g in self._groups for plc in g}
        self._tops: dict[frozenset[str], int] = {}
        self._low_ms = self._back_ms = 0

    def take(self, plc: str, low_ms: int, high_ms: int, scans: int = 1) -> None:
        """Scans of one PLC between two times, in which its clock went on evenly; before any of `take_scan`."""
        top_ms = self._top.get(plc, self._used_ms)
        again = 0 if low_ms > top_ms else min(scans, (top_ms - low_ms) // SHORTEST_SCAN_MS + 1)
        self._again[plc] = self._again.get(plc, 0) + again
        self._note(plc, low_ms, high_ms, max(high_ms, top_ms + again))

    def take_scan(self, plc: str, utc_ms: int) -> None:
        """One scan."""
        for group in self._of.get(plc, ()):
            self._tops[group] = max(utc_ms, self._top_of(group) + 1)
        self._note(plc, utc_ms, utc_ms, max(utc_ms, self._top.get(plc, self._used_ms) + 1))

    def _note(self, plc: str, low_ms: int, high_ms: int, top_ms: int) -> None:
        before = self._high.get(plc, self._used_ms)
        self._back_ms = max(self._back_ms, before - low_ms)
        self._high[plc], self._top[plc] = max(high_ms, before), top_ms
        self._low_ms = min(low_ms, self._low_ms) if self._low_ms else low_ms

    def _top_of(self, group: frozenset[str]) -> int:
        """Of drives that draw on these PLCs; behind sealed blocks, whose scans lie in any order among each other."""
        if group not in self._tops:
            mine = [plc for plc in group if plc in self._top]
            again = sum(self._again.get(plc, 0) for plc in mine)
            ends = max((self._top[plc] for plc in mine), default=self._used_ms)
            self._tops[group] = ends + again + (CROSS_MS * len(mine) if len(mine) > 1 else 0)
        return self._tops[group]

    def extent(self) -> Extent:
        """What was taken so far."""
        high_ms = max(self._high.values(), default=0)
        top_ms = max([*self._top.values(), *map(self._top_of, self._groups)], default=0)
        return Extent(self._low_ms, high_ms, self._back_ms, max(0, top_ms - high_ms) if high_ms else 0)
