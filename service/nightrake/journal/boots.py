"""Starts of the machine, and the inputs under each: within one, the monotonic clock says how old they are. Pure.

UTC does not: a clock that is years ahead at one start would make everything kept before look too old.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from typing import NamedTuple

MOST = 100
"""So many starts are remembered; what came under earlier ones counts as part of the oldest of them."""


class Boot(NamedTuple):
    """One start of the machine.

    Attributes:
        first_input: Number of the first input that could come under it. boot_id: Its id.
    """

    first_input: int
    boot_id: str


def boots_with(kept: str, last_id: str, boot_id: str, first_free: int, oldest: int) -> tuple[Boot, ...]:
    """All starts of the machine that inputs are kept of, oldest first, the present one last.

    Args:
        kept: From `to_text`; "" = none were kept. last_id: Of the last run, "" = there was none.
        boot_id: Of the machine now. first_free: This run's first input number. oldest: That of the oldest input kept.
    """
    boots = _parsed(kept)
    if not boots and last_id:
        boots = [Boot(0, last_id)]
    if not boots or boots[-1].boot_id != boot_id:
        boots.append(Boot(first_free, boot_id))
    needed = max(0, bisect_right(boots, oldest, key=lambda boot: boot.first_input) - 1)
    return tuple(boots[max(needed, len(boots) - MOST) :])


def _parsed(kept: str) -> list[Boot]:
    """What `to_text` wrote; nothing where that is damaged."""
    try:
        boots = [Boot(int(first), name) for first, _, name in (one.partition(" ") for one in kept.split(",") if one)]
    except ValueError:
        return []
    return boots if boots == sorted(boots, key=lambda boot: boot.first_input) else []


def to_text(boots: Sequence[Boot]) -> str:
    """As `meta` keeps them."""
    return ",".join(f"{boot.first_input} {boot.boot_id}" for boot in boots)


def number_of(boots: Sequence[Boot], input_seq: int) -> int:
    """Place of the start that an input came under."""
    return max(0, bisect_right(boots, input_seq, key=lambda boot: boot.first_input) - 1)
