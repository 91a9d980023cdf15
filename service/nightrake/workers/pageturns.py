"""Whose question comes next: of those who wait, whoever has taken the least of the reading process's time lately. Pure.

Somebody signed in goes before those who only look, so that nobody on the network can keep them waiting; but each
fourth turn is for the others.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field

from nightrake.errors import StoreError
from nightrake.page.ports import Asker

WAITING = 64
"""Questions that may wait or be answered, of all."""
OF_ONE = 32
"""Of one asker."""
HALF_S = 30.0
"""What was taken so long ago counts half."""
IN_A_ROW = 3
"""Turns of people who are signed in, while others wait."""
ASKERS = 500
"""Whose use is remembered; the least is forgotten first."""


@dataclass(eq=False)
class _Place:
    asker: Asker
    free: asyncio.Future[None] = field(default_factory=lambda: asyncio.get_running_loop().create_future())


class Turns:
    """One at a time.

    Args:
        now_s: Monotonic. hurry: Called when the one whose turn it is keeps somebody else waiting.
    """

    def __init__(self, now_s: Callable[[], float], hurry: Callable[[], None]) -> None:
        self._now_s, self._hurry = now_s, hurry
        self._holder: _Place | None = None
        self._waiting: list[_Place] = []
        self._used: dict[Asker, tuple[float, float]] = {}
        self._in_a_row = 0

    @property
    def keeps_others(self) -> bool:
        """Whether somebody else waits for the one whose turn it is."""
        return self._holder is not None and any(p.asker != self._holder.asker for p in self._waiting)

    @asynccontextmanager
    async def turn(self, asker: Asker) -> AsyncIterator[None]:
        """Held while a question of this asker is answered.

        Raises:
            StoreError: Too many wait.
        """
        place = _Place(asker)
        self._enter(place)
        try:
            if self._holder is not None or self._waiting:
                await self._wait(place)
            self._holder = place
        except BaseException:
            self._left(place)
            raise
        began_s = self._now_s()
        try:
            yield
        finally:
            self._took(asker, self._now_s() - began_s)
            self._holder = None
            self._next()

    def _enter(self, place: _Place) -> None:
        """Bounded for each asker; where all places are taken, the last in turn gives way to one who comes before."""
        askers = Counter(p.asker for p in (*self._waiting, *([self._holder] if self._holder is not None else [])))
        if askers[place.asker] >= OF_ONE:
            raise StoreError("too many questions of yours wait already; ask again in a moment")
        if askers.total() < WAITING:
            return
        last = max(self._waiting, key=self._rank, default=None)
        if last is None or self._rank(last) <= self._rank(place):
            raise StoreError("too many questions to the store wait already; ask again in a moment")
        self._waiting.remove(last)
        last.free.set_exception(StoreError("others who have asked less come first; ask again in a moment"))

    async def _wait(self, place: _Place) -> None:
        self._waiting.append(place)
        if self.keeps_others:
            self._hurry()
        await place.free

    def _left(self, place: _Place) -> None:
        """Whoever waited has gone, or had no place."""
        if place in self._waiting:
            self._waiting.remove(place)
        elif self._holder is place:
            self._holder = None
            self._next()

    def _next(self) -> None:
        """The next one's turn; it is theirs from now on, so that nobody who comes meanwhile is before them."""
        if not self._waiting:
            return
        others = [p for p in self._waiting if not p.asker.is_known]
        is_theirs = bool(others) and self._in_a_row >= IN_A_ROW
        place = min(others if is_theirs else self._waiting, key=self._rank)
        self._in_a_row = self._in_a_row + 1 if place.asker.is_known else 0
        self._waiting.remove(place)
        self._holder = place
        place.free.set_result(None)

    def _rank(self, place: _Place) -> tuple[bool, float]:
        return not place.asker.is_known, self._use(place.asker)

    def _use(self, asker: Asker) -> float:
        used_s, at_s = self._used.get(asker, (0.0, 0.0))
        return float(used_s * 0.5 ** ((self._now_s() - at_s) / HALF_S))

    def _took(self, asker: Asker, spent_s: float) -> None:
        self._used[asker] = self._use(asker) + spent_s, self._now_s()
        if len(self._used) > ASKERS:
            del self._used[min(self._used, key=self._use)]
