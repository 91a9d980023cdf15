"""What is told of a link: each change of state once; one that comes and goes is told once, then counted. Pure."""

from __future__ import annotations

from collections import deque

CHANGES = 6
"""One change more than this within `WITHIN_NS` and the link counts as coming and going."""
WITHIN_NS = 600_000_000_000
STEADY_NS = 60_000_000_000
"""A link that comes and goes has to stay as it is for this long before that is believed."""


class LinkNews:
    """The word on one link.

    Attributes:
        told: (up, detail) as last told; None before the first.
        changes: How often the link has come or gone since the start, told or not.
    """

    def __init__(self) -> None:
        self.told: tuple[bool, str] | None = None
        self.changes = 0
        self._up: bool | None = None
        self._detail = ""
        self._since_ns = 0
        self._when: deque[int] = deque(maxlen=CHANGES + 1)
        self._unsteady = 0

    @property
    def state(self) -> tuple[bool, str] | None:
        """(up, why not) as it stands, with the count of a link that comes and goes; None before the first look."""
        if self._unsteady:
            return False, f"it comes and goes ({self._unsteady} changes so far); lately: {self._detail or 'up'}"
        return None if self._up is None else (self._up, self._detail)

    def look(self, up: bool, detail: str, now_ns: int) -> bool:
        """Take a look's result.

        Returns:
            Whether `told` has changed and is to be told.
        """
        if up == self._up:
            self._detail = detail
            return self._unsteady > 0 and now_ns - self._since_ns >= STEADY_NS and self._settle(up, detail)
        first, self._up = self._up is None, up
        self._detail, self._since_ns = detail, now_ns
        if first:
            self.told = (up, detail)
            return True
        self.changes += 1
        self._when.append(now_ns)
        if self._unsteady:
            self._unsteady += 1
            return False
        if len(self._when) > CHANGES and now_ns - self._when[0] < WITHIN_NS:
            self._unsteady = len(self._when)
            self.told = (False, f"it comes and goes: {detail or 'up again, for now'}")
            return True
        self.told = (up, detail)
        return True

    def _settle(self, up: bool, detail: str) -> bool:
        counted, self._unsteady = self._unsteady, 0
        self.told = (up, f"steady again after {counted} changes" if up else f"{detail} (after {counted} changes)")
        return True
