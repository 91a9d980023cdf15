"""How far a stretch has got: up to where the store is certain to have it, and places to go back to. Pure.

kept by the watch --> safe ... at      what was acknowledged lately lies between, and may be lost with the store
older             <-- before safe      for when a loss shows that the store has forgotten more
"""

from __future__ import annotations

from collections import deque
from typing import NamedTuple

from nightrake.historian.stamps import Stamps

MARK_S = 1.0
"""How far apart places are."""
OLDER, OLDER_S = 12, 30.0
"""Places before the safe one, and how far they are apart: minutes' worth, as in the live lane."""
MARGIN_S = 10.0
"""A place this long before the last line that was found again was in the store's hands for as long."""


class Mark(NamedTuple):
    """A place to go back to. at_s: When the store had acknowledged up to there, monotonic seconds."""

    at_s: float
    seq: int
    stamps: Stamps


class Places:
    """See the module.

    Args:
        begin: Where the stretch begins. resend_s: For so long what was acknowledged is not certain.
    """

    def __init__(self, begin: Mark, resend_s: float) -> None:
        self._resend_s = resend_s
        self._marks = deque([begin])
        self._older: deque[Mark] = deque(maxlen=OLDER)

    @property
    def at(self) -> Mark:
        """The last place."""
        return self._marks[-1]

    @property
    def safe(self) -> Mark:
        """Up to where the store is certain to have everything."""
        return self._marks[0]

    def took(self, mark: Mark, *, is_end: bool) -> None:
        """The store has acknowledged up to there."""
        if is_end or mark.at_s - self._marks[-1].at_s >= MARK_S:
            self._marks.append(mark)

    def settle(self, now_s: float, verified_s: float | None) -> bool:
        """Places that are old enough become safe; whether one has.

        Args:
            now_s: Monotonic seconds. verified_s: What was written until then was found again; None = nobody can know.
        """
        moved, known_s = False, now_s if verified_s is None else verified_s
        while len(self._marks) > 1 and self._marks[1].at_s < min(now_s - self._resend_s, known_s):
            mark, moved = self._marks.popleft(), True
            if not self._older or mark.at_s - self._older[-1].at_s >= OLDER_S:
                self._older.append(mark)
        return moved

    def go_back(self) -> None:
        """The connection was lost: begin again behind the safe place."""
        self._marks = deque([self._marks[0]])

    def go_back_behind(self, kept_until_s: float) -> bool:
        """After a loss: what was written up to then was found again, and perhaps nothing since.

        Returns:
            Whether the safe place is further back now; there it begins again.
        """
        if not self._older or self._marks[0].at_s <= kept_until_s:
            return False
        while self._older and self._marks[0].at_s > kept_until_s - MARGIN_S:
            self._marks.appendleft(self._older.pop())
        self.go_back()
        return True
