"""What is told to one person, as values: one call, or one message in the place of many. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Any, NamedTuple

Key = tuple[str, str]
URGENT, HIGH = "urgent", "high"
RANK = {URGENT: 0, HIGH: 1, "low": 2}
WORST_FIRST = (
    "running_while_locked_out",
    "still_running",
    "shutdown_did_not_act",
    "stop_not_confirmed",
    "shutdown_contact",
)
"""Kinds of urgent alarms: where people may be hurt, where the machine is being bent, where nobody knows, the rest."""


class Limit(NamedTuple):
    """Messages that one person gets within a span, urgent ones apart."""

    messages: int = 10
    within_s: float = 600.0


class Call(NamedTuple):
    """Something to be told to one person.

    Attributes:
        person, alarm: To whom, about what (the text form of an alarm's key, or another name that stands for it).
        priority: ``urgent``, ``high``, ``low``.
        payload: What is told; only its `subject` is looked at, where many become one message.
        seq: Number of its journal row, 0 = it has none.
        ends: It says that nobody is needed any more.
        durable: Its row is on disk.
        reminder: The person has been told of it before, and it has become no worse.
        apart: Outside every limit, and counted by none: a test call has to be answered.
        since: Of one that ends: only who was reached by a message of this row or a later one is told; 0 = whoever.
    """

    person: str
    alarm: str
    priority: str
    payload: Mapping[str, Any]
    seq: int = 0
    ends: bool = False
    durable: bool = True
    reminder: bool = False
    apart: bool = False
    since: int = 0

    @property
    def key(self) -> Key:
        """Of several under one key only the latest is told."""
        return self.person, self.alarm

    @property
    def urgent(self) -> bool:
        """Goes at once."""
        return self.priority == URGENT and not self.ends

    @property
    def first(self) -> bool:
        """The person does not know of it yet, and should."""
        return rank(self.priority) <= RANK[HIGH] and not (self.ends or self.reminder)

    @property
    def order(self) -> tuple[int, bool, int]:
        """What goes first: by priority, news before reminders, the worst kind before others."""
        kind = self.alarm.split("/")[2] if self.alarm.count("/") >= 2 else ""
        worst = WORST_FIRST.index(kind) if kind in WORST_FIRST else len(WORST_FIRST)
        return rank(self.priority), self.reminder or self.ends, worst

    @property
    def subject(self) -> str:
        """Its subject line, or at least what it is about."""
        return str(self.payload.get("subject") or self.alarm)


class More(NamedTuple):
    """One message in the place of many.

    Attributes:
        person: To whom. calls: What it stands for, the worst first. beyond: By priority, calls that were only counted.
        gone: Alarms that need nobody any more, and of which the person was not told singly.
        ended: Name and subject line of some of these. urgent: It stands for urgent calls, and goes at once.
    """

    person: str
    calls: tuple[Call, ...]
    beyond: Mapping[str, int]
    gone: int
    ended: tuple[tuple[str, str], ...] = ()
    urgent: bool = False

    @property
    def counts(self) -> dict[str, int]:
        """Calls by priority, the highest first."""
        found = Counter({**self.beyond})
        found.update(c.priority for c in self.calls if not c.ends)
        return {p: found[p] for p in sorted(found, key=rank) if found[p]}

    @property
    def over(self) -> int:
        """How many need nobody any more."""
        return self.gone + sum(c.ends for c in self.calls)

    @property
    def over_subjects(self) -> tuple[str, ...]:
        """Subject lines of those, as far as they are kept."""
        return (*(c.subject for c in self.calls if c.ends), *(line for _, line in self.ended))


class Together(NamedTuple):
    """What one person was told in one message in the place of many; to be journalled.

    Attributes:
        person: Who. counts: Calls by priority. over: How many need nobody any more. alarms: Names, the first of them.
    """

    person: str
    counts: Mapping[str, int]
    over: int
    alarms: tuple[str, ...]


def rank(priority: str) -> int:
    """Urgent is 0; what is not known comes last."""
    return RANK.get(priority, len(RANK))
