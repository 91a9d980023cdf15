"""So much of something a minute. Pure."""

from __future__ import annotations

from collections.abc import Callable


class Budget:
    """So many things a minute.

    Args:
        most: Of them. now_s: Monotonic.
    """

    def __init__(self, most: int, now_s: Callable[[], float]) -> None:
        self._most, self._now_s = most, now_s
        self._begun_s, self._taken = float("-inf"), 0

    def take(self) -> bool:
        """Whether there is one left."""
        now_s = self._now_s()
        if now_s - self._begun_s >= 60.0:
            self._begun_s, self._taken = now_s, 0
        self._taken += 1
        return self._taken <= self._most
