"""Dead letters on their second try: lines that the store forwarded to has refused, sent again when somebody says so."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable, Sequence
from typing import NamedTuple

from nightrake import forwardmarks
from nightrake.errors import StoreError
from nightrake.historian.delivery import Delivery
from nightrake.historian.sending import Answer, Sender, Verdict
from nightrake.journal.store import Store

AT_ONCE = 500
"""Between two lots of so many, what is new is sent."""
AWAY_S = 30.0
"""Whoever waits for them is told so when none could be sent for this long: the store is away, perhaps for days."""
AWAY = "the store forwarded to takes nothing now, see 'nightrake status'; ask again when it is back"
OURS = "nightrake_"
STANDS = (Verdict.TAKEN, Verdict.REFUSED, Verdict.TOO_LARGE)
"""What is said to a line that was taken before shows that the store lives, also where it would not take it again."""


class Letter(NamedTuple):
    """One row of the table. utc_ms: When it was refused. reason: The store's words."""

    id: int
    utc_ms: int
    line: str
    reason: str

    @property
    def is_line(self) -> bool:
        """Whether it can be sent: what is damaged in our own store only names its numbers."""
        return self.line.startswith(OURS) and not self.reason.startswith("damaged:")


class Letters:
    """Sends them again, a lot at a time, when the forwarder's turn comes.

    Args:
        store: Keeps them. batch_lines: Of one write. mono_ns: The monotonic clock.
    """

    def __init__(self, store: Store, batch_lines: int, mono_ns: Callable[[], int]) -> None:
        self._store = store
        self._mono_ns = mono_ns
        self._taken: deque[tuple[int, list[int], str]] = deque()
        self._refused: dict[str, str] = {}
        self._delivery = Delivery(batch_lines, self._refused.__setitem__)
        self._waiting: list[asyncio.Future[dict[str, int]]] = []
        self._after = self._lots = 0
        self._counts = {"taken": 0, "refused": 0, "no_lines": 0}

    async def retry(self) -> dict[str, int]:
        """Send all of them again.

        Returns:
            How many were taken (and go when the store is certain to have saved them), were refused again and stay,
            and are no lines.

        Raises:
            StoreError: The store forwarded to is away.
        """
        future: asyncio.Future[dict[str, int]] = asyncio.get_running_loop().create_future()
        if not self._waiting:
            self._after, self._counts = 0, dict.fromkeys(self._counts, 0)
        self._waiting.append(future)
        try:
            while True:
                lots = self._lots
                if (await asyncio.wait({future}, timeout=AWAY_S))[0]:
                    return future.result()
                if self._lots == lots:
                    raise StoreError(f"{AWAY}; those sent by now: {self._counts['taken']}")
        finally:
            if future in self._waiting:
                self._waiting.remove(future)

    async def turn(self, sender: Sender) -> Answer:
        """Send one lot, if anybody waits for it.

        Returns:
            What came of it, `lost` where it found the connection lost; 'taken' where there was nothing to send.

        Raises:
            StoreError: They cannot be read now.
        """
        answer = await self._drop(sender)
        if not self._waiting or answer.verdict is not Verdict.TAKEN or answer.lost:
            return answer
        letters = [Letter(*row) for row in await self._store.letters_after(self._after, AT_ONCE)]
        lines = [letter for letter in letters if letter.is_line]
        self._refused.clear()
        answer = await self._delivery.deliver(sender, [letter.line for letter in lines])
        if answer.verdict is not Verdict.TAKEN or answer.lost:
            return answer  # another turn
        self._lots += 1
        self._settle(lines)
        self._counts["no_lines"] += len(letters) - len(lines)
        if letters:
            self._after = letters[-1].id
            return answer
        for future in self._waiting:
            if not future.done():
                future.set_result(self._counts)
        self._waiting.clear()
        return answer

    async def _drop(self, sender: Sender) -> Answer:
        """Drop what was taken long ago, once a write has shown that the connection has stood since."""
        due_ns = self._mono_ns() - forwardmarks.RESEND_NS
        if not self._taken or self._taken[0][0] >= due_ns:
            return Answer(Verdict.TAKEN)
        answer = await sender.send([self._taken[0][2]])
        if answer.verdict not in STANDS:
            return answer
        while not answer.lost and self._taken and self._taken[0][0] < due_ns:
            self._store.drop_letters(self._taken.popleft()[1])
        return Answer(Verdict.TAKEN, lost=answer.lost)

    def forget(self) -> None:
        """The connection was lost: what was taken lately may be lost with it, and stays."""
        self._taken.clear()

    def _settle(self, lines: Sequence[Letter]) -> None:
        taken = [letter for letter in lines if letter.line not in self._refused]
        if taken:
            self._taken.append((self._mono_ns(), [letter.id for letter in taken], taken[-1].line))
        self._counts["taken"] += len(taken)
        self._counts["refused"] += len(lines) - len(taken)
