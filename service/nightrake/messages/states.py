"""The retained state of each drive: the latest one wins, and drives that are gone leave nothing behind. No I/O."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any, NamedTuple

Payload = Mapping[str, Any] | Callable[[], Mapping[str, Any] | None]
"""What a topic retains; or what tells it when it is written, which is then of that time (None: nothing any more)."""

STRAYS = 1000
"""Topics of drives that the site does not have, waiting to be cleared; the broker shows the rest at the next
connection."""


class Renewal:
    """Whose retained state is to be renewed by now: each once in a period, all of them spread over it. No clock.

    Attributes:
        HURRY: After a delay it makes up with so many times its pace at most: all at once would hold up the scans.
    """

    HURRY = 3

    def __init__(self) -> None:
        self._round: list[str] = []
        self._given = 0
        self._begin_ns = 0
        self._last_ns = 0

    def due(self, drives: Iterable[str], now_ns: int, period_ns: int) -> list[str]:
        """What has fallen due since the last call.

        Args:
            drives: The site's drives; looked at when a round begins. now_ns: Monotonic. period_ns: Of one round.
        """
        passed_ns, self._last_ns = now_ns - (self._last_ns or now_ns), now_ns
        if not self._begin_ns or (self._given >= len(self._round) and now_ns - self._begin_ns >= period_ns):
            late_ns = now_ns - self._begin_ns - period_ns
            self._begin_ns = now_ns - late_ns if self._begin_ns and late_ns < period_ns else now_ns
            self._round, self._given = list(drives), 0
        count = len(self._round)
        owed = min(count, count * (now_ns - self._begin_ns) // period_ns)
        most = self._given + 1 + self.HURRY * count * passed_ns // period_ns
        share = self._round[self._given : min(owed, most)]
        self._given += len(share)
        return share


def told_by(payload: Payload) -> Mapping[str, Any] | None:
    """What it is now."""
    return payload() if callable(payload) else payload


class StateJob(NamedTuple):
    """A retained topic to be written; `payload` None: to be cleared."""

    drive: str
    payload: Mapping[str, Any] | None


class States:
    """What is retained, and what of it has still to be written.

    Args:
        drives: The site's drives.
    """

    def __init__(self, drives: Iterable[str]) -> None:
        self._drives = set(drives)
        self._latest: dict[str, Payload] = {}
        self._due: dict[str, None] = {}  # in the order in which they became due

    def mark(self, drive: str, payload: Payload) -> None:
        """A drive's state is another now."""
        self._drives.add(drive)
        self._latest[drive] = payload
        self._due[drive] = None

    def set_drives(self, drives: Iterable[str]) -> None:
        """The site has these drives now; the topics of those that went are to be cleared."""
        now = set(drives)
        for gone in self._drives - now:
            self._latest.pop(gone, None)
            self._due[gone] = None
        self._drives = now

    def stray(self, drive: str) -> None:
        """The broker retains a state of this drive: if the site has no such drive, it is to be cleared."""
        if drive not in self._drives and len(self._due) < len(self._drives) + STRAYS:
            self._due[drive] = None

    def all_due(self) -> None:
        """A new connection: the broker may have forgotten everything."""
        self._due.update(dict.fromkeys(self._latest))

    def take(self, wait: Callable[[str], bool]) -> StateJob | None:
        """The next one to write.

        Args:
            wait: Says of a drive that its state has to wait (for an event that has to go first).
        """
        drive = next((d for d in self._due if not wait(d)), None)
        if drive is None:
            return None
        del self._due[drive]
        if drive in self._drives:
            return StateJob(drive, told_by(self._latest[drive]))
        return StateJob(drive, None)

    def give_back(self, job: StateJob) -> None:
        """It was not written after all."""
        self._due.setdefault(job.drive, None)

    @property
    def due(self) -> int:
        """How many are to be written."""
        return len(self._due)
