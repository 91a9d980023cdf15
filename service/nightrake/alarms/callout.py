"""What is told to one person, as values: one call, or one message in the place of many. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Any, NamedTuple

Key = tuple[str, str]
URGENT = "urgent"
RANK = {URGENT: 0, "high": 1, "low": 2}


class Limit(NamedTuple):
    """Messages that one person gets within a span, urgent ones apart."""

    messages: int = 10
    within_s: float = 600.0


class Call(NamedTuple):
    """Something to be told to one person.

    Attributes:
        person, alarm: To whom, about what (the text form of an alarm's key, or another name that stands for it).
        priority: ``urgent``, ``high``, ``low``.
        payload: What is told; not looked at here.
        seq: Number of its journal row, 0 = it has none.
        ends: It says that nobody is needed any more.
    """

    person: str
    alarm: str
    priority: str
    payload: Mapping[str, Any]
    seq: int = 0
    ends: bool = False

    @property
    def key(self) -> Key:
        """Of several under one key only the latest is told."""
        return self.person, self.alarm

    @property
    def urgent(self) -> bool:
        """Goes at once."""
        return self.priority == URGENT and not self.ends


class More(NamedTuple):
    """One message in the place of many.

    Attributes:
        person: To whom. calls: What it stands for. beyond: By priority, calls that were only counted.
        gone: Alarms that came and went before they could be told, or that need nobody any more.
    """

    person: str
    calls: tuple[Call, ...]
    beyond: Mapping[str, int]
    gone: int

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


def rank(priority: str) -> int:
    """Urgent is 0; what is not known comes last."""
    return RANK.get(priority, len(RANK))
