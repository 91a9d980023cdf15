"""What keeps on changing: the first few rows in a minute are told singly, the rest are counted in one row. Pure.

A bouncing contact would otherwise write twenty rows a second, and fill the store within days. What holds is never
hidden: a shutdown that latches is always told, the states themselves go on, and the row that counts carries the last
of what it counts, so that nobody is left with what came before.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from nightrake.domain.rows import Entry

TOLD_SINGLY = 20
"""Rows of one kind told singly in a minute (the hot tail still holds every reading)."""
MINUTE_NS = 60_000_000_000

_FAMILIES = {
    "alarm_operated": "alarm_changes",
    "alarm_released": "alarm_changes",
    "shutdown_operated": "shutdown_changes",
    "shutdown_released": "shutdown_changes",
    "stop_confirmed": "stop_verdicts",
    "stop_not_confirmed": "stop_verdicts",
    "running_before_reset": "starts_before_reset",
    "channels_disagree": "channel_changes",
    "channels_agree": "channel_changes",
    "counter_restarted": "counter_restarts",
    "quality_changed": "quality_changes",
    "link_up": "link_changes",
    "link_down": "link_changes",
    "refused": "refusals",
}
"""Event -> what it is counted under. Whatever does not stand here is told singly, however often it comes."""


class Tally(NamedTuple):
    """Rows of one kind, about one thing, in the minute that began with the first of them.

    Attributes:
        from_ns: When it began. singly: Rows told. counted: Rows kept back. last: The last one kept back.
    """

    from_ns: int
    singly: int = 0
    counted: int = 0
    last: Entry | None = None

    def entry(self, family: str) -> Entry:
        """The row that counts."""
        assert self.last is not None
        data = {
            "events": self.singly + self.counted,
            "told": self.singly,
            "last": self.last.event,
            "last_data": dict(self.last.data),
        }
        return Entry(self.last.kind, f"{family}_counted", self.last.drive, self.last.direction, data)


Tallies = Mapping[str, Tally]


class Bounded(NamedTuple):
    """What is left to tell.

    Attributes:
        tallies: Counts after. entries: To be told. hidden: Drive of each entry that was only counted ("" = none).
    """

    tallies: Tallies
    entries: tuple[Entry, ...]
    hidden: tuple[str, ...] = ()


def bound(tallies: Tallies, entries: Sequence[Entry], now_ns: int) -> Bounded:
    """Let entries through within their bounds, and tell the counts of minutes that are over.

    Args:
        tallies: Counts before, by `key_of`. entries: What a step brought, the latches' entries included.
        now_ns: Monotonic time of the step.
    """
    after = {k: t for k, t in tallies.items() if now_ns - t.from_ns < MINUTE_NS}
    told = [t.entry(k.split("|")[1]) for k, t in tallies.items() if k not in after and t.counted]
    hidden: list[str] = []
    for index, entry in enumerate(entries):
        key = key_of(entry)
        if not key:
            told.append(entry)
            continue
        tally = after.get(key) or Tally(now_ns)
        if tally.singly < TOLD_SINGLY or _latches(entries, index):
            told.append(entry)
            after[key] = tally._replace(singly=tally.singly + 1)
        else:
            hidden.append(entry.drive)
            after[key] = tally._replace(counted=tally.counted + 1, last=entry)
    return Bounded(after, tuple(told), tuple(hidden))


def key_of(entry: Entry) -> str:
    """What an entry is counted under: kind, family, drive, direction, and link or actor; "" = it is always told."""
    family = _FAMILIES.get(entry.event)
    if family is None:
        return ""
    about = entry.data.get("link") or entry.data.get("actor") or entry.data.get("contact") or ""
    # Whoever has commands refused chooses the drive that they name.
    drive = "" if family == "refusals" else entry.drive
    return "|".join((entry.kind, family, drive, str(entry.direction) if drive else "", str(about)))


def _latches(entries: Sequence[Entry], index: int) -> bool:
    """Whether the entry's latch has just closed upon it: that entry follows its cause at once."""
    follower = entries[index + 1] if index + 1 < len(entries) else None
    return follower is not None and follower.event == "shutdown_latched" and follower.drive == entries[index].drive
