"""Which recorded inputs a period can hold: by the stamps that they have, however the clock went between them.

Input numbers rise whatever the clock does. A clock that was set far back or forward leaves inputs of one period in
several places; what is looked for are the first and the last of them all.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from nightrake.history.columns import ColumnFault
from nightrake.longterm.blocks import Blocks, Damaged
from nightrake.longterm.writing import LIFE

_IN_LIFE = "first_place >= ? and first_place < ? and high_utc_ms >= ? and low_utc_ms < ?"


class SealedStretch:
    """Looks in sealed blocks.

    Args:
        file: Open for reading. life: The life whose inputs are meant. from_ms, to_ms: The period, UTC ms, its end not
            included.
    """

    def __init__(self, file: Blocks, life: int, from_ms: int, to_ms: int) -> None:
        self._file, self._begin = file, life * LIFE
        self._from, self._to = from_ms, to_ms

    def first(self) -> int | None:
        """The first input of the period; None = no block holds one.

        Raises:
            StoreError: It cannot be read.
        """
        at = self._begin
        while (place := self._edge("min", at, self._begin + LIFE)) is not None:
            cut = self._file.cut_after(place - 1)
            if cut is None:
                return place - self._begin
            found = self._in_cut(cut[1], min)
            if found is not None:
                return found
            at = cut[1] + 1
        return None

    def last(self) -> int | None:
        """The last one likewise."""
        until = self._begin + LIFE
        while (place := self._edge("max", self._begin, until)) is not None:
            cut = self._file.cut_after(place - 1)
            if cut is None:
                return place - self._begin
            found = self._in_cut(cut[1], max)
            if found is not None:
                return found
            until = cut[0]
        return None

    def of_other_lives(self) -> int:
        """Inputs in blocks that touch the period and are of a time before the store was lost or put back."""
        if self._begin == 0:
            return 0
        mine = "first_place < ? and high_utc_ms >= ? and low_utc_ms < ?"
        statement = f"select coalesce(sum(records), 0) from block where {mine}"
        return int(self._file.ask(statement, self._begin, self._from, self._to)[0][0])

    def _edge(self, which: str, at: int, until: int) -> int | None:
        """Where the first or last block begins that touches the period."""
        statement = f"select {which}(first_place) from block where {_IN_LIFE}"
        found = self._file.ask(statement, at, until, self._from, self._to)[0][0]
        return None if found is None else int(found)

    def _in_cut(self, last_place: int, pick: Callable[[list[int]], int]) -> int | None:
        """The first or last input of the period in a cut, to the record; where a block is damaged, its end."""
        found: list[int] = []
        for row in self._file.in_cut(last_place):
            if row.high_utc_ms < self._from or row.low_utc_ms >= self._to:
                continue
            try:
                block = self._file.open(row)
                stamps = block.utc_ms()
                mine = block.seq()[(stamps >= self._from) & (stamps < self._to)]
                found += [int(np.min(mine)), int(np.max(mine))] if len(mine) else []
            except (ColumnFault, Damaged):
                found += [row.first_place - self._begin, row.last_place - self._begin]
        return pick(found) if found else None


def stamps_within(file: Blocks, endpoints: Sequence[str], from_ms: int, to_ms: int) -> tuple[int, int] | None:
    """About the lowest and highest stamp within a period in sealed blocks of some PLCs; None = no block touches it.

    Args:
        endpoints: Their ids. from_ms, to_ms: UTC ms, the end not included.

    Raises:
        StoreError: It cannot be read.
    """
    numbers = [file.number(endpoint) for endpoint in endpoints]
    mine = f"endpoint in ({', '.join('?' * len(numbers))}) and high_utc_ms >= ? and low_utc_ms < ?"
    low, high = file.ask(f"select min(low_utc_ms), max(high_utc_ms) from block where {mine}", *numbers, from_ms, to_ms)[
        0
    ]
    return None if low is None else (max(int(low), from_ms), min(int(high), to_ms - 1))
