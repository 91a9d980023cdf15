"""The retained state of each alarm: the latest one wins, and alarms that are over leave nothing behind. No I/O.

Urgent ones are written first: of a thousand alarms in one second a shutdown's is there at once.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

from nightrake.alarms.keys import parse_key
from nightrake.messages.states import STRAYS, Payload, told_by


class AlarmJob(NamedTuple):
    """A retained topic to be written; `payload` None: to be cleared."""

    alarm: str
    payload: Mapping[str, Any] | None

    @property
    def drive(self) -> str:
        """Drive that it is about, or ""; "" too for a stranger's name."""
        try:
            return parse_key(self.alarm).drive
        except ValueError:
            return ""


class AlarmStates:
    """What is retained of the alarms that stand, and what of it has still to be written.

    Bounded by the alarms that there can be at a site: one latest payload for each.
    """

    def __init__(self) -> None:
        self._latest: dict[str, tuple[Payload, bool]] = {}  # and whether it is urgent
        self._urgent: dict[str, None] = {}  # in the order in which they became due
        self._due: dict[str, None] = {}

    def mark(self, alarm: str, payload: Payload | None, *, urgent: bool = False) -> None:
        """An alarm is another now.

        Args:
            alarm: The text form of its key. payload: None: it is over. urgent: It is written before others.
        """
        if payload is None:
            if self._latest.pop(alarm, None) is not None:
                self._urgent.pop(alarm, None)
                self._due[alarm] = None
            return
        self._latest[alarm] = (payload, urgent)
        self._become_due(alarm)

    def keep_drives(self, drives: Iterable[str]) -> None:
        """The site has these drives now; what is about others is to be cleared."""
        now = set(drives)
        for alarm in list(self._latest):
            drive = AlarmJob(alarm, None).drive
            if drive and drive not in now:
                self.mark(alarm, None)

    def stray(self, alarm: str) -> None:
        """The broker retains a state under this name: if no such alarm stands, it is to be cleared."""
        if alarm not in self._latest and len(self._due) < len(self._latest) + STRAYS:
            self._due[alarm] = None

    def all_due(self) -> None:
        """A new connection: the broker may have forgotten everything."""
        for alarm in self._latest:
            self._become_due(alarm)

    def _become_due(self, alarm: str) -> None:
        into, other = (self._urgent, self._due) if self._latest[alarm][1] else (self._due, self._urgent)
        other.pop(alarm, None)
        into[alarm] = None

    def take(self) -> AlarmJob | None:
        """The next one to write."""
        for due in (self._urgent, self._due):
            if due:
                alarm = next(iter(due))
                del due[alarm]
                payload = told_by(self._latest[alarm][0]) if alarm in self._latest else None
                if payload is None:
                    self._latest.pop(alarm, None)
                return AlarmJob(alarm, payload)
        return None

    def give_back(self, job: AlarmJob) -> None:
        """It was not written after all."""
        if job.alarm in self._latest:
            self._become_due(job.alarm)
        else:
            self._due.setdefault(job.alarm, None)

    @property
    def due(self) -> int:
        """How many are to be written."""
        return len(self._urgent) + len(self._due)
