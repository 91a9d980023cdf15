"""What keeps on changing: the first few rows in a minute are told singly, the rest are counted in one row. Pure.

A bouncing contact would otherwise write twenty rows a second, and fill the store within days. What holds is never
hidden: a shutdown that latches is always told, the states themselves go on, and the row that counts carries the last
of what it counts, so that nobody is left with what came before. A count is told once its events have been quiet for
some seconds, or before the next of them that is told singly: the last word in the journal is what holds.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from nightrake.domain.rows import Entry

TOLD_SINGLY = 20
"""Rows of one kind told singly in a minute (the hot tail still holds every reading)."""
MINUTE_NS = 60_000_000_000
QUIET_NS = 5_000_000_000
"""After this long without another one, what was counted is told before its minute is over."""

_FAMILIES = {
    "alarm_operated": "alarm_changes",
    "alarm_released": "alarm_changes",
    "shutdown_operated": "shutdown_changes",
    "shutdown_released": "shutdown_changes",
    "stop_confirmed": "stop_verdicts",
    "stop_not_confirmed": "stop_verdicts",
    "channels_disagree": "channel_changes",
    "channels_agree": "channel_changes",
    "counter_restarted": "counter_restarts",
    "quality_changed": "quality_changes",
    "link_up": "link_changes",
    "link_down": "link_changes",
    "refused": "refusals",
    "delivered": "deliveries",
    "delivery_failed": "deliveries",
    "clock_stepped": "clock_steps",
    "clock_trust_changed": "clock_trust_changes",
}
"""Event -> what it is counted under. Whatever does not stand here is told singly, however often it comes."""


class Tally(NamedTuple):
    """Rows of one kind, about one thing, in the minute that began with the first of them.

    Attributes:
        from_ns: When it began. singly: Rows told.
        counted: Rows kept back of which nothing was told yet. last: The last of them. last_ns: When it came.
        summed: Rows kept back that were told as a count.
    """

    from_ns: int
    singly: int = 0
    counted: int = 0
    last: Entry | None = None
    last_ns: int = 0
    summed: int = 0

    def and_one(self, entry: Entry, now_ns: int) -> Tally:
        """With one more kept back."""
        return self._replace(counted=self.counted + 1, last=entry, last_ns=now_ns)

    def told(self) -> Tally:
        """Nothing is kept back any more."""
        return self._replace(counted=0, last=None, summed=self.summed + self.counted)

    def entry(self, family: str) -> Entry:
        """The row that counts."""
        assert self.last is not None
        data = {
            "events": self.singly + self.summed + self.counted,
            "told": self.singly,
            "last": self.last.event,
            "last_data": dict(self.last.data),
        }
        last = self.last
        return Entry(last.kind, f"{family}_counted", last.drive, last.direction, data, urgent=last.urgent)


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
    """Let entries through within their bounds, and tell the counts of minutes that are over or have become quiet.

    Args:
        tallies: Counts before, by `key_of`. entries: What a step brought, the latches' entries included.
        now_ns: Monotonic time of the step.
    """
    after = {k: t for k, t in tallies.items() if now_ns - t.from_ns < MINUTE_NS}
    told = []
    for key, tally in tallies.items():
        if tally.counted and (key not in after or now_ns - tally.last_ns >= QUIET_NS):
            told.append(tally.entry(_family(key)))
            after |= {key: tally.told()} if key in after else {}
    hidden: list[str] = []
    for index, entry in enumerate(entries):
        key = key_of(entry)
        if not key:
            told.append(entry)
            continue
        tally = after.get(key) or Tally(now_ns)
        if tally.singly < TOLD_SINGLY or _latches(entries, index):
            told += [tally.entry(_family(key))] if tally.counted else []  # first what came before
            told.append(entry)
            after[key] = tally.told()._replace(singly=tally.singly + 1)
        else:
            hidden.append(entry.drive)
            after[key] = tally.and_one(entry, now_ns)
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


def _family(key: str) -> str:
    return key.split("|")[1]


def _latches(entries: Sequence[Entry], index: int) -> bool:
    """Whether the entry's shutdown latches in this very step."""
    entry = entries[index]
    if entry.event not in ("shutdown_operated", "still_running"):
        return False
    alarm = f"{entry.drive}/{entry.direction}/shutdown_contact"
    return any(
        e.kind == "alarm" and e.event in ("raised", "raised_again") and e.data["alarm"] == alarm for e in entries
    )
