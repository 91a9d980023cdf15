"""What `historian compact --leave-out-damaged` has left out: of which time readings are gone, for people who look."""

from __future__ import annotations

from typing import NamedTuple

from nightrake.longterm.blocks import Blocks
from nightrake.longterm.writing import LEFT_OUT

MOST = 1000
"""Stretches that are looked at."""


class LeftOut(NamedTuple):
    """Of one stretch some or all readings are gone.

    Attributes:
        from_ms, to_ms: It lies within, UTC ms; 0 = nothing tells. anew_ms: When the file was written anew.
    """

    from_ms: int
    to_ms: int
    anew_ms: int


def left_out(file: Blocks, from_ms: int, to_ms: int) -> list[LeftOut]:
    """Stretches that touch a time, in order; those whose time nothing tells are among them.

    Args:
        file: The history. from_ms, to_ms: UTC.

    Raises:
        StoreError: It cannot be read.
    """
    statement = f"select first_place, last_place, utc_ms from missing where why = ? order by first_place limit {MOST}"
    found = [_of(file, *map(int, row)) for row in file.ask(statement, LEFT_OUT)]
    return [one for one in found if one.from_ms < to_ms and (one.to_ms > from_ms or not one.to_ms)]


def _of(file: Blocks, first: int, last: int, anew_ms: int) -> LeftOut:
    """Between what was sealed before it and behind it; else as far as what is left of it reaches."""
    before = "select max(last_place) from cut where last_place < ?"
    behind = "select min(last_place) from cut where last_place > ?"
    low = file.ask(f"select max(high_utc_ms) from block where cut = ({before})", first)[0][0]
    high = file.ask(f"select min(low_utc_ms) from block where cut = ({behind})", last)[0][0]
    own = file.ask("select min(low_utc_ms), max(high_utc_ms) from block where cut between ? and ?", first, last)[0]
    begin, end = int(low or own[0] or 0), int(high or own[1] or 0)
    return LeftOut(min(begin, end) if end else begin, max(begin, end) if end else 0, anew_ms)
