"""What waits for one channel: urgent first, tried again later and later, slowly while the other side is down. Pure.

Times are monotonic seconds.
"""

from __future__ import annotations

import heapq
from collections import deque
from collections.abc import Callable
from typing import NamedTuple

from nightrake.alarms.callqueue import Call, More

URGENT_WAITS_S = (5.0, 10.0, 20.0, 40.0, 60.0, 60.0, 60.0)
"""Between the tries of an urgent message; then this way is given up. Its alarm's next call begins anew."""
OTHER_WAITS_S = (15.0,)
PARALLEL = 4
"""Messages on their way at once over one channel."""
DOWN_AFTER = 3
"""So many failures in a row: the other side is down, and one message at a time finds out when it is back."""
LONGEST_REST_S = 60.0


class Delivery:
    """One message to one person, by however many ways.

    Args:
        call: What. ways: How many are tried at once. by: Their channels, where all are tried.
    """

    __slots__ = ("by", "call", "delivered", "ways")

    def __init__(self, call: Call | More, ways: int, by: frozenset[str] = frozenset()) -> None:
        self.call = call
        self.by = by
        self.ways = ways
        """Not through yet."""
        self.delivered = False
        """One of them got through."""


class Attempt(NamedTuple):
    """One message over one channel.

    Attributes:
        delivery: What. channel, address: By which way. tries: Made so far.
        others: Ways that follow if this one fails.
    """

    delivery: Delivery
    channel: str
    address: str
    tries: int = 0
    others: tuple[tuple[str, str], ...] = ()

    @property
    def urgent(self) -> bool:
        """Goes before all others, and is tried longer."""
        return self.delivery.call.urgent

    @property
    def wait_s(self) -> float | None:
        """How long until the next try after one that failed; None = there is none."""
        waits_s = URGENT_WAITS_S if self.urgent else OTHER_WAITS_S
        return waits_s[self.tries - 1] if self.tries <= len(waits_s) else None


class Line:
    """See the module."""

    def __init__(self) -> None:
        self._urgent: deque[Attempt] = deque()
        self._other: deque[Attempt] = deque()
        self._later: list[tuple[float, int, Attempt]] = []
        self._count = 0
        self._failures = 0
        self._rests_until_s = 0.0
        self.flying = 0
        self.sent = 0
        self.failed = 0

    def put(self, attempt: Attempt, at_s: float = 0.0) -> None:
        """An attempt to be made, not before `at_s`."""
        self._count += 1
        heapq.heappush(self._later, (at_s, self._count, attempt))

    def take(self, now_s: float) -> Attempt | None:
        """The next to make now."""
        while self._later and self._later[0][0] <= now_s:
            attempt = heapq.heappop(self._later)[2]
            (self._urgent if attempt.urgent else self._other).append(attempt)
        most = 1 if self._failures >= DOWN_AFTER else PARALLEL
        if self.flying >= most or now_s < self._rests_until_s:
            return None
        waiting = self._urgent or self._other
        if not waiting:
            return None
        self.flying += 1
        return waiting.popleft()

    def ended(self, ok: bool, now_s: float) -> None:
        """One that was taken has been sent, or not."""
        self.flying -= 1
        if ok:
            self._failures, self._rests_until_s = 0, 0.0
            self.sent += 1
            return
        self.failed += 1
        self._failures += 1
        if self._failures >= DOWN_AFTER:
            self._rests_until_s = now_s + min(LONGEST_REST_S, 2.0 ** min(10, self._failures - DOWN_AFTER + 1))

    def skipped(self) -> None:
        """One that was taken was not tried after all."""
        self.flying -= 1

    def take_out(self, which: Callable[[Attempt], bool]) -> list[Attempt]:
        """Take out those that wait and are such."""
        waiting = [*self._urgent, *self._other, *(a for _, _, a in self._later)]
        self._urgent = deque(a for a in self._urgent if not which(a))
        self._other = deque(a for a in self._other if not which(a))
        self._later = [entry for entry in self._later if not which(entry[2])]
        heapq.heapify(self._later)
        return [a for a in waiting if which(a)]

    def next_s(self, now_s: float) -> float | None:
        """When to look again, None = when something ends or comes."""
        times = [self._later[0][0]] if self._later else []
        if (self._urgent or self._other) and self._rests_until_s > now_s:
            times.append(self._rests_until_s)
        return min(times, default=None)

    @property
    def waiting(self) -> int:
        """Attempts that are not on their way."""
        return len(self._urgent) + len(self._other) + len(self._later)
