"""Several series side by side: one row for each moment at which any of them was read. Pure, with numpy.

Series come in slices and go out in chunks, so that memory holds a slice of each. A clock that was set back begins the
time anew for all of them: rows then stand in the order in which they were read, and none is put to another's moment.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from nightrake.history.histogram import Ints

Column = npt.NDArray[Any]
TURN_MS = 60_000
"""A stamp that is this much lower than the one before it is of a clock that was set back."""
ALIKE = 1024
"""Readings of one series under one stamp that are told apart."""


class Piece(NamedTuple):
    """A slice of one series, in the order in which it was read.

    Attributes:
        utc_ms: Stamps. columns: As many values each.
    """

    utc_ms: Ints
    columns: tuple[Column, ...]

    def part(self, which: slice | npt.NDArray[Any]) -> Piece:
        """Some of it."""
        return Piece(self.utc_ms[which], tuple(column[which] for column in self.columns))


class Chunk(NamedTuple):
    """Rows of all series, rising in time but where the clock was set back.

    Attributes:
        utc_ms: Stamp of each row. lanes: For each series which of its readings stands in a row, -1 = none; and the
            readings.
    """

    utc_ms: Ints
    lanes: tuple[tuple[Ints, Piece], ...]

    def column(self, lane: int, number: int, missing: float) -> Column:
        """One column of one series, with a value where it was not read."""
        at, piece = self.lanes[lane]
        values = piece.columns[number]
        if not len(values):
            return np.full(len(at), missing, values.dtype)
        return np.where(at >= 0, values[at], np.asarray(missing, values.dtype))

    def is_read(self, lane: int) -> npt.NDArray[np.bool_]:
        """In which rows a series was read."""
        return np.asarray(self.lanes[lane][0] >= 0)


class _Lane:
    """One series, a piece of it at hand."""

    def __init__(self, pieces: Iterator[Piece]) -> None:
        self._pieces = pieces
        self._waiting: list[tuple[int, Piece]] = []
        self._turn, self._last = 0, -(2**62)
        self.nothing: Piece | None = None

    def head(self) -> tuple[int, Piece] | None:
        """The piece at hand and how often the clock had been set back before it; None = the series is over."""
        while not self._waiting:
            piece = next(self._pieces, None)
            if piece is None:
                return None
            self.nothing = piece.part(slice(0, 0))
            if len(piece.utc_ms):
                self._take(piece)
        return self._waiting[0]

    def _take(self, piece: Piece) -> None:
        before = np.concatenate([[self._last], piece.utc_ms[:-1]])
        cuts = np.flatnonzero(piece.utc_ms < before - TURN_MS)
        begin = 0
        for cut in [*cuts.tolist(), len(piece.utc_ms)]:
            if cut > begin:
                self._waiting.append((self._turn, piece.part(slice(begin, cut))))
            self._turn += cut < len(piece.utc_ms)
            begin = cut
        self._last = int(piece.utc_ms[-1])

    def until(self, turn: int, cut: int) -> Piece | None:
        """Take what was read in a turn up to a stamp."""
        found = self._waiting[0] if self._waiting else None
        if found is None or found[0] != turn:
            return self.nothing
        mine = found[1].utc_ms <= cut
        rest = found[1].part(~mine)
        if len(rest.utc_ms):
            self._waiting[0] = (turn, rest)
        else:
            del self._waiting[0]
        return found[1].part(mine)


def side_by_side(series: Sequence[Iterator[Piece]]) -> Iterator[Chunk]:
    """Rows of several series.

    Args:
        series: Each in slices; every slice of one series has the same number of columns, of the same types.
    """
    lanes = [_Lane(iter(pieces)) for pieces in series]
    while True:
        heads = [head for lane in lanes if (head := lane.head()) is not None]
        if not heads:
            return
        turn = min(turn for turn, _ in heads)
        cut = min(int(piece.utc_ms.max()) for mine, piece in heads if mine == turn)
        yield _joined([lane.until(turn, cut) for lane in lanes])


def _joined(pieces: Sequence[Piece | None]) -> Chunk:
    none = np.zeros(0, np.int64)
    keyed: list[tuple[Ints, Piece]] = []
    for piece in pieces:
        given = piece if piece is not None else Piece(none, ())
        order = np.argsort(given.utc_ms, kind="stable")
        whole = given.part(order) if len(order) else given
        again = np.arange(len(order)) - np.searchsorted(whole.utc_ms, whole.utc_ms, side="left")
        keyed.append((whole.utc_ms * ALIKE + np.minimum(again, ALIKE - 1), whole))
    rows = np.unique(np.concatenate([keys for keys, _ in keyed]))
    return Chunk(rows // ALIKE, tuple(_placed(rows, keys, piece) for keys, piece in keyed))


def _placed(rows: Ints, keys: Ints, piece: Piece) -> tuple[Ints, Piece]:
    at = np.full(len(rows), -1, np.int64)
    at[np.searchsorted(rows, keys)] = np.arange(len(keys))
    return at, piece
