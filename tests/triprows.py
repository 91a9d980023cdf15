"""Journal rows for the tests of trip records, and the records that a list of them makes."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from nightrake.domain.rows import Row, canonical
from nightrake.history.trips import RULES, At, Key, Rules, Trip, after_ms, at_of, take

MINUTE_MS = 60_000
UTC_MS = 1_790_000_000_000


def row(
    seq: int, minutes: float, kind: str, event: str, drive: str = "PC1", *, boot_id: str = "boot", **data: Any
) -> Row:
    """A row at some minutes."""
    ms = round(minutes * MINUTE_MS)
    head = ("e1", seq, kind, event, drive, "forward" if kind == "alarm" else "", False, 1, seq, boot_id)
    return Row(*head, 10**15 + ms * 1_000_000, UTC_MS + ms, True, canonical(data), b"", b"")


def alarm(
    seq: int,
    minutes: float,
    stage: str,
    occurrence: int,
    event: str = "raised",
    life: str = "unacknowledged",
    **more: Any,
) -> Row:
    """A transition of PC1's contact alarm."""
    key = f"{more.pop('drive', 'PC1')}/forward/{stage}_contact"
    return row(seq, minutes, "alarm", event, key.partition("/")[0], alarm=key, occurrence=occurrence, life=life, **more)


def at(minutes: float, boot_id: str = "boot") -> At:
    """A moment."""
    return at_of(row(0, minutes, "", "", boot_id=boot_id))


class Follower:
    """What the worker does with rows, without a disk.

    Attributes:
        open, ended: Records by name; ended ones with how long after their trip, and why.
    """

    def __init__(self, rules: Rules = RULES) -> None:
        self.rules = rules
        self.open: dict[str, Trip] = {}
        self.ended: dict[str, tuple[Trip, int, str]] = {}
        self.known: set[Key] = set()

    def take(self, rows: Iterable[Row]) -> None:
        """Some rows."""
        for one in rows:
            for trip in take(one, list(self.open.values()), self.known, self.rules):
                self.open[trip.name] = trip
                self.known |= set(trip.keys())

    def look(self, now: At) -> None:
        """End what is to end by now."""
        for name, trip in list(self.open.items()):
            ends = after_ms(trip, now, self.rules)
            if ends is not None:
                self.ended[name] = (trip, *ends)
                del self.open[name]
