"""How fast a count rises, over the last seconds."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

WINDOW_NS = 10_000_000_000
STEP_NS = 500_000_000


class Rate:
    """Counts lines.

    Args:
        mono_ns: The monotonic clock.
    """

    def __init__(self, mono_ns: Callable[[], int]) -> None:
        self._mono_ns = mono_ns
        self._seen: deque[tuple[int, int]] = deque()

    def begin(self) -> None:
        """Forget what was."""
        self._seen.clear()

    def count(self, total: int) -> None:
        """So many in all, by now."""
        now_ns, seen = self._mono_ns(), self._seen
        if len(seen) > 1 and now_ns - seen[-2][0] < STEP_NS:
            seen[-1] = (now_ns, total)
        else:
            seen.append((now_ns, total))
        while len(seen) > 2 and now_ns - seen[1][0] > WINDOW_NS:
            seen.popleft()

    def per_s(self) -> float:
        """A second; 0 when nothing was counted in the last seconds."""
        if len(self._seen) < 2 or self._mono_ns() - self._seen[-1][0] > WINDOW_NS:
            return 0.0
        (first_ns, first), (last_ns, last) = self._seen[0], self._seen[-1]
        return round((last - first) * 1e9 / (last_ns - first_ns), 1) if last_ns > first_ns else 0.0
