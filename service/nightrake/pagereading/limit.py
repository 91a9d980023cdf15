"""For how long one question may be worked on: less as soon as somebody else waits."""

from __future__ import annotations

from collections.abc import Callable

SHARED_S = 0.6
"""Who keeps others waiting for longer gets what has been found by then."""


class Limit:
    """Of the question that is being answered.

    Args:
        now_s: Monotonic seconds. others_wait: Whether somebody else waits for an answer.
    """

    def __init__(self, now_s: Callable[[], float], others_wait: Callable[[], bool] = lambda: False) -> None:
        self._now_s, self._others_wait = now_s, others_wait
        self._began_s = now_s()

    def begin(self) -> None:
        """A question has come."""
        self._began_s = self._now_s()

    def anew(self) -> Limit:
        """As much once more, for a part of the answer that must not be left out."""
        return Limit(self._now_s, self._others_wait)

    def is_over(self, most_s: float) -> bool:
        """Whether it is time to answer with what there is.

        Args:
            most_s: For which nobody else would have to wait.
        """
        spent_s = self._now_s() - self._began_s
        return spent_s > most_s or (spent_s > SHARED_S and self._others_wait())
