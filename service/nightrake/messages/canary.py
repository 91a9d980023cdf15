"""The canary: a message on the very topic of the events which has to come back to us through the broker. No I/O.

An acknowledgement says only that the broker took a message. One whose rules forbid the topic acknowledges and drops.
So rows count as told for good only up to a canary that came back. If one does not, the cursor is held there, and when
delivery works again everything since is told again; likewise after a lost connection, since a broker that died may have
taken acknowledged messages with it.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterable


class Canary:
    """Counts canaries and knows how far delivery has been confirmed.

    Args:
        instance: Id of this run of the watch, in every canary. confirmed: The cursor at start.
    """

    def __init__(self, instance: str, confirmed: int) -> None:
        self.instance = instance
        self.count = 0
        self.confirmed = confirmed
        """Rows up to here were acknowledged before a canary was sent that came back."""
        self.held: int | None = None
        """Where the cursor is held while canaries do not come back; None while they do."""
        self._mark = f'"instance":"{instance}"'.encode()
        self._candidate = confirmed
        self._back = asyncio.Event()
        self._away: frozenset[str] = frozenset()

    def send(self, cursor: int, topics: Iterable[str] = ("",)) -> int:
        """A canary is about to go; returns its number.

        Args:
            cursor: Rows acknowledged so far. topics: On which it goes; it has to come back on all of them.
        """
        self.count += 1
        self._candidate = cursor
        self._back.clear()
        self._away = frozenset(topics)
        return self.count

    @property
    def away(self) -> tuple[str, ...]:
        """Topics on which the canary sent last has not come back."""
        return tuple(sorted(self._away))

    def saw(self, payload: bytes, topic: str = "") -> None:
        """Look at a message that came in on one of its topics: our own events come back too, and are passed over."""
        if self._mark not in payload:
            return
        try:
            data = json.loads(payload)["data"]
            mine = data["instance"] == self.instance and data["count"] == self.count
        except (ValueError, TypeError, KeyError, RecursionError):
            return
        if mine:
            self._away -= {topic}
            if not self._away:
                self._back.set()

    @property
    def is_back(self) -> bool:
        """Whether the canary sent last has come back."""
        return self._back.is_set()

    async def came_back(self, within_s: float) -> bool:
        """Wait for the canary sent last."""
        try:
            async with asyncio.timeout(within_s):
                await self._back.wait()
        except TimeoutError:
            return False
        return True

    def hold(self) -> int:
        """It did not come back. Returns where the cursor has to stay."""
        if self.held is None:
            self.held = self.confirmed
        return self.held

    def confirm(self) -> int:
        """It came back. Returns up to where rows are known to be delivered: where the cursor was held, if it was."""
        held, self.held = self.held, None
        self.confirmed = self._candidate if held is None else held
        return self.confirmed
