"""Numbers that never recur: they are set aside on disk before use, so that those a crash burnt are skipped. Pure.

A row that waits too long for a dead disk is told under its number before it is on disk. So more numbers are set
aside than rows may wait, and a watch that dies then cannot give the same number to another event after its restart.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from nightrake.journal.batch import MAX_ROWS

AHEAD_ROWS = MAX_ROWS + 6_144
"""Journal numbers set aside ahead of use: more than may wait undurably."""
AHEAD_INPUTS = 1_000_000
"""Input numbers set aside ahead of use: 26 minutes of 63 PLCs at 10 Hz on a dead disk."""
UNLIMITED = 2**62
"""For a life of its own epoch that no other run knows: its numbers cannot recur."""


class Numbers:
    """Bookkeeping of one series of numbers, kept in `meta`.

    Args:
        key: Its key in `meta`. kept: What `meta` holds: the highest number set aside. used: Highest one found in use.
        ahead: How many to set aside.

    Attributes:
        first_free: Where this run begins. reserved: Highest number set aside on disk; none above it may be told
            before it is durable.
    """

    def __init__(self, key: str, kept: int, used: int, ahead: int) -> None:
        self.key = key
        self.first_free = max(kept, used) + 1
        self.reserved = kept
        self._ahead = ahead
        self._used = self.first_free - 1
        self._unshared = False

    def use(self, highest: int) -> None:
        """Numbers up to `highest` are in use; lower ones are known already."""
        self._used = max(self._used, highest)

    def due(self) -> dict[str, int]:
        """What the next commit must write to `meta`: {} while at least three quarters of what is ahead are left."""
        if self.reserved - self._used >= self._ahead * 3 // 4 and not self._unshared:
            return {}
        return {self.key: self._used + self._ahead}

    def anew(self) -> dict[str, int]:
        """What a file that has to be begun anew says."""
        return {self.key: self._used + self._ahead}

    def committed(self, meta: Mapping[str, Any]) -> None:
        """The commit with these values went through."""
        if self.key in meta:
            self.reserved, self._unshared = int(meta[self.key]), False

    def unshared(self) -> None:
        """Nothing could be set aside on disk, but the epoch is new and known to nobody: all numbers are free."""
        self.reserved, self._unshared = UNLIMITED, True

    def given_back(self) -> dict[str, int]:
        """What a clean stop writes: numbers never used need not be skipped."""
        return {self.key: self._used}
