"""Answers to commands that wait to be sent, bounded. No I/O."""

from __future__ import annotations

from collections import deque
from typing import NamedTuple

MOST = 200
"""Beyond this the oldest is given up; its sender asks again under the same id, and is told the same."""
EXPIRY_S = 300.0
"""Nobody waits longer for an answer."""


class Reply(NamedTuple):
    """One answer.

    Attributes:
        topic: Where it goes. id: Of the command that it answers, None where that had none.
        ok, text, reason, verb, again, drive: See `commandpayloads.ReplyData`. durable: Whether it is on disk.
        until_utc_ms: When it means nothing any more.
    """

    topic: str
    id: str | None
    ok: bool
    text: str
    until_utc_ms: int
    reason: str = ""
    verb: str = ""
    drive: str = ""
    durable: bool = True
    again: bool = False


class Replies:
    """See the module."""

    def __init__(self) -> None:
        self._due: deque[Reply] = deque(maxlen=MOST)

    def __len__(self) -> int:
        return len(self._due)

    def put(self, reply: Reply) -> None:
        """An answer to be sent."""
        self._due.append(reply)

    def take(self, utc_ms: int) -> Reply | None:
        """The next one to send."""
        while self._due:
            reply = self._due.popleft()
            if reply.until_utc_ms > utc_ms:
                return reply
        return None

    def give_back(self, reply: Reply) -> None:
        """It was not acknowledged."""
        if len(self._due) < MOST:
            self._due.appendleft(reply)
