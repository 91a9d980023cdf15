"""How far the broker has been told: a cursor, and what was acknowledged ahead of it. No I/O.

Urgent rows go first, so after an outage much is told ahead of what is older and still waits. Were only the cursor kept,
all of that would be told again after a kill.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import NamedTuple

MOST = 5000
"""Numbers ahead of the cursor that are kept at most; what is above comes again after a kill."""
SHARE = 50
"""They are kept anew after so many further acknowledgements as make 1 in 50 of them: at once where they are few."""
_RUN = re.compile(r"([0-9]{1,19})(?:-([0-9]{1,19}))?")


class Until(NamedTuple):
    """Told up to here.

    Attributes:
        seq: Every row up to this number was acknowledged. ahead: Numbers above it that were, too.
    """

    seq: int
    ahead: frozenset[int] = frozenset()


def ahead_text(numbers: Iterable[int]) -> str:
    """The lowest of these numbers as text, runs of them as ``first-last``."""
    runs: list[list[int]] = []
    for number in sorted(numbers)[:MOST]:
        if runs and runs[-1][1] == number - 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    return ",".join(str(first) if first == last else f"{first}-{last}" for first, last in runs)


def ahead_of(text: str) -> frozenset[int]:
    """The numbers again; of a text that is not one of ours none, so that all are told again."""
    found: set[int] = set()
    for run in text.split(",") if text else ():
        match = _RUN.fullmatch(run)
        if match is None:
            return frozenset()
        begin, end = int(match[1]), int(match[2] or match[1])
        if not 0 <= end - begin < MOST - len(found):
            return frozenset()
        found.update(range(begin, end + 1))
    return frozenset(found)
