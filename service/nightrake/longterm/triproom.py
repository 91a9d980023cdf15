"""The bounds of the trip records, apart from those of history: the oldest alarm records go first, shutdowns last.

A record that is given up is written down, so that it is known to have been there and is not made anew.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path
from typing import NamedTuple

from nightrake.crashpoint import reach
from nightrake.history.triprecord import Record
from nightrake.history.trips import Key
from nightrake.longterm.tripfolder import SUFFIX, write_whole

GIVEN_UP = "given-up.jsonl"
REMEMBERED = 10_000
"""Records that were given up are remembered, the last so many."""


class GivenUp(NamedTuple):
    """One record that went for want of room.

    Attributes:
        name, alarm, occurrences, epoch: What it held. utc_ms: When the trip was. bytes: Its size.
    """

    name: str
    alarm: str
    occurrences: tuple[int, ...]
    epoch: str
    utc_ms: int
    bytes: int

    def keys(self) -> Iterable[Key]:
        """Occurrences that it held."""
        return (Key(self.alarm, n, self.epoch) for n in self.occurrences)


def given_up(trips: Path) -> list[GivenUp]:
    """All that were given up, oldest first; what cannot be read is left out."""
    found = []
    try:
        text = (trips / GIVEN_UP).read_text(encoding="utf-8", errors="replace")
    except FileNotFoundError:
        return []
    for line in text.splitlines():
        try:
            name, alarm, occurrences, epoch, utc_ms, size = (json.loads(line)[key] for key in GivenUp._fields)
            found.append(
                GivenUp(str(name), str(alarm), tuple(map(int, occurrences)), str(epoch), int(utc_ms), int(size))
            )
        except (ValueError, KeyError, TypeError):
            continue
    return found


def to_give_up(whole: Iterable[tuple[Record, int]], used_bytes: int, quota_bytes: int) -> list[Record]:
    """Which records go, in order: alarms before shutdowns, the oldest first.

    Args:
        whole: Finished records with their sizes. used_bytes: Of all records, open ones too. quota_bytes: See there.
    """
    gone: list[Record] = []
    order = sorted(whole, key=lambda one: (one[0].trip.stage != "alarm", one[0].trip.at.utc_ms, one[0].trip.row))
    for record, size in order:
        if used_bytes <= quota_bytes:
            break
        gone.append(record)
        used_bytes -= size
    return gone


def give_up(trips: Path, gone: Iterable[tuple[Record, int]]) -> int:
    """Write down what goes, then let it go; gives how many.

    Raises:
        OSError: The disk fails; what is written down goes the next time.
    """
    told = [GivenUp(r.name, r.trip.alarm, r.trip.occurrences, r.trip.epoch, r.trip.at.utc_ms, size) for r, size in gone]
    if not told:
        return 0
    known = {one.name for one in told}
    kept = [*(one for one in given_up(trips) if one.name not in known), *told][-REMEMBERED:]
    write_whole(trips / GIVEN_UP, "".join(json.dumps(one._asdict()) + "\n" for one in kept))
    reach("before-trip-gone")
    for one in told:
        (trips / f"{one.name}{SUFFIX}").unlink(missing_ok=True)
    reach("after-trip-gone")
    return len(told)
