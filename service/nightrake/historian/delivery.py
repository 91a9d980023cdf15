"""Lines to the store in writes of the right size: halved when too large, and what is refused for itself put aside."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from nightrake.historian.sending import Answer, Sender, Verdict

GROW_AFTER = 50
"""After so many full writes in a row that went through, writes twice as large are tried."""


class Delivery:
    """Delivers lines in order.

    Args:
        most_lines: In one write. put_aside: Gets a line that the store refuses for itself, and the store's words.
        turn: Called before each write.

    Attributes:
        lines: How many the store has taken. most_lines: As given; may be changed.
        done: How many of those that were given last were taken or put aside, from the first on.
    """

    def __init__(
        self, most_lines: int, put_aside: Callable[[str, str], None], turn: Callable[[], None] = lambda: None
    ) -> None:
        self.most_lines = most_lines
        self.lines = self.done = 0
        self._put_aside = put_aside
        self._turn = turn
        self._at_once = most_lines
        self._smooth = 0

    def begin_anew(self, most_lines: int) -> None:
        """Another store, or other settings."""
        self.most_lines = self._at_once = most_lines
        self._smooth = 0

    async def deliver(self, sender: Sender, lines: Sequence[str]) -> Answer:
        """Send lines until all are taken or put aside, or something is in the way.

        Returns:
            'Taken', or why it stopped; `lost` if any of the writes found the connection lost.
        """
        at, most, lost = 0, self._at_once, False
        self.done = 0
        while at < len(lines):
            part = lines[at : at + self._at_once]
            answer = await self._part(sender, part)
            lost = lost or answer.lost
            if answer.verdict is not Verdict.TAKEN:
                # If it takes nothing at all, its size was not what it was refused for.
                self._at_once = most if answer.verdict is Verdict.DENIED else self._at_once
                return answer._replace(lost=lost)
            at = self.done = at + len(part)
            self._grow(len(part))
        return Answer(Verdict.TAKEN, lost=lost)

    async def _part(self, sender: Sender, lines: Sequence[str]) -> Answer:
        """One write; halved on 'too large', and on a refusal until the lines that are to blame are found."""
        self._turn()
        answer = await sender.send(lines)
        if answer.verdict is Verdict.TAKEN:
            self.lines += len(lines)
        if answer.verdict not in (Verdict.REFUSED, Verdict.TOO_LARGE):
            return answer
        if len(lines) == 1:
            self._put_aside(lines[0], answer.text)
            return Answer(Verdict.TAKEN, lost=answer.lost)
        half, lost = len(lines) // 2, answer.lost  # also a write that is refused may be the one that finds it lost
        if answer.verdict is Verdict.TOO_LARGE:
            self._at_once, self._smooth = max(1, half), 0
        for part in (lines[:half], lines[half:]):
            answer = await self._part(sender, part)
            lost = lost or answer.lost
            if answer.verdict is not Verdict.TAKEN:
                break
        return answer._replace(lost=lost)

    def _grow(self, lines: int) -> None:
        """After a row of full writes that went through, larger ones are tried again: a proxy's limit may be gone."""
        if lines < self._at_once:
            return
        self._smooth += 1
        if self._smooth >= GROW_AFTER:
            self._smooth = 0
            self._at_once = min(2 * self._at_once, self.most_lines)
