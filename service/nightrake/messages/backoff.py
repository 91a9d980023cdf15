"""How long to wait before the next connection, and when two programs fight over one client id. Pure."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

FIRST_S = 0.5
LONGEST_S = 30.0
FIGHT_SPAN_S = 60.0
FIGHT_LOSSES = 3
"""More than this many lost connections within the span: somebody else uses our client id."""
FIGHT_WAIT_S = 60.0


class Backoff:
    """Waiting times between connections.

    Args:
        chance: Gives a number in 0..1 for the jitter, so that two watches do not keep step.
    """

    def __init__(self, chance: Callable[[], float]) -> None:
        self._chance = chance
        self._next_s = FIRST_S
        self._losses_s: deque[float] = deque(maxlen=FIGHT_LOSSES + 1)
        self.fighting = False
        """Whether the last loss made it clear that another client has our id."""

    def lost(self, now_s: float, *, worked: bool, thrown_off: bool) -> float:
        """A connection, or an attempt to connect, came to nothing.

        Args:
            now_s: Monotonic seconds.
            worked: Messages had come back through it. Then the next attempt is soon: it tells a broker that is away
                from one that is there and gave our id to another client.
            thrown_off: The broker ended a connection that was up.

        Returns:
            Seconds to wait.
        """
        if worked:
            self._next_s = FIRST_S
        if thrown_off:
            self._losses_s.append(now_s)
        else:
            self._losses_s.clear()  # the broker itself is away: no fight over an id
        full = len(self._losses_s) > FIGHT_LOSSES
        self.fighting = thrown_off and full and now_s - self._losses_s[0] <= FIGHT_SPAN_S
        if self.fighting:
            return FIGHT_WAIT_S * (0.75 + 0.5 * self._chance())
        wait_s = self._next_s
        self._next_s = min(2.0 * wait_s, LONGEST_S)
        return wait_s * (0.5 + 0.5 * self._chance())
