"""Parts that go round say how long their next turn may take; one that is long past that stands still. Pure."""

from __future__ import annotations

from collections.abc import Callable

STILL_S = 30.0
"""A part that is later than it said by this much stands still."""


class Pulse:
    """The turns of all parts.

    Args:
        now_s: Gives monotonic seconds.
    """

    def __init__(self, now_s: Callable[[], float]) -> None:
        self._now_s = now_s
        self._due_s: dict[str, float] = {}

    def turn(self, part: str, within_s: float = 0.0) -> None:
        """A part is at work, and says when it will say so again.

        Args:
            part: Its name. within_s: It may wait for this long.
        """
        self._due_s[part] = self._now_s() + within_s + STILL_S

    def rest(self, part: str) -> None:
        """A part has nothing to do, for as long as that may be."""
        self._due_s.pop(part, None)

    def still(self) -> list[str]:
        """Parts that stand still."""
        now_s = self._now_s()
        return [part for part, due_s in self._due_s.items() if now_s > due_s]
