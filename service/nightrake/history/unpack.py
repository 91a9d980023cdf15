"""Columns back to tail records, or to single series: a column is opened only when it is asked for. Pure, with numpy."""

from __future__ import annotations

import json
import zlib
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import numpy as np

from nightrake.domain.rows import TailRecord
from nightrake.history.columns import U64, ColumnFault, unpack_column
from nightrake.history.pack import (
    BESIDE,
    FORMAT,
    LENGTH,
    MS_NS,
    ODD_BYTE,
    SEQ,
    SHAPE,
    UTC,
    WHOLE,
    Packed,
    column_of,
)
from nightrake.history.shapes import HEAD, I64, Bytes, Shape, place

Opener = Callable[[int], bytes | None]
"""Gives the bytes of a column by its number, None where there is none."""
AT_ONCE = 2_000
"""Records put together at a time."""
_MOST_HEAD = 16 * 1024 * 1024
_MOST_WHOLE = 64 * 1024 * 1024
"""Payloads kept whole, of one block of history, at most."""


class Unpacked:
    """One block of history.

    Args:
        head: See `Packed`. opener: Gives its columns. boot_id: Start of the machine that it came under, where known.

    Attributes:
        endpoint, layout, count: See `Packed`. shapes: Of its records.

    Raises:
        ColumnFault: The head is damaged.
    """

    def __init__(self, head: bytes, opener: Opener, boot_id: str = "") -> None:
        try:
            data: dict[str, Any] = json.loads(zlib.decompressobj().decompress(head, _MOST_HEAD))
            if data["format"] != FORMAT:
                raise ColumnFault(f"it has format {data['format']}, this program reads {FORMAT}")
            self.endpoint, self.layout, self.count = str(data["endpoint"]), str(data["layout"]), int(data["count"])
            self.shapes = tuple(_shape(kind, parts) for kind, parts in data["shapes"])
            self._constant = {int(number): int(value) for number, value in data["constant"].items()}
            self._least = np.uint64(data["beside"])
        except (ValueError, KeyError, TypeError, OverflowError, zlib.error) as error:
            raise (
                error if isinstance(error, ColumnFault) else ColumnFault(f"a head cannot be read ({error})")
            ) from error
        self.boot_id = boot_id
        self._opener = opener
        self._opened: dict[int, U64] = {}

    @classmethod
    def of(cls, packed: Packed, boot_id: str = "") -> Unpacked:
        """A block that was just packed."""
        return cls(packed.head, packed.columns.get, boot_id)

    # --- columns ------------------------------------------------------------------------------------------------------

    def utc_ms(self) -> I64:
        """UTC of each record, ms."""
        return self._column(UTC, self.count).view(np.int64)

    def mono_ns(self) -> I64:
        """Monotonic time of each record, ns."""
        beside = self._column(BESIDE, self.count) + self._least
        return (beside + self._column(UTC, self.count) * MS_NS).view(np.int64)

    def seq(self) -> I64:
        """Input number of each record."""
        return self._column(SEQ, self.count).view(np.int64)

    def rows_of(self, wanted: Callable[[Shape], bool]) -> I64:
        """Rows whose shape is wanted."""
        flags = np.array([wanted(shape) for shape in self.shapes], dtype=bool)
        if flags.all():
            return np.arange(self.count, dtype=np.int64)
        return np.flatnonzero(flags[self._numbers()])

    def outcomes(self, block: int) -> tuple[I64, Bytes]:
        """Rows that read a block of the plan, or tried to, and what came of it (`domain.inputs.Got`)."""
        parts = [shape.part(block) for shape in self.shapes]
        got = np.array([p.got if p else 0 for p in parts], dtype=np.uint8)
        rows = self.rows_of(lambda shape: shape.part(block) is not None)
        if len(got) == 1:
            return rows, np.full(len(rows), got[0], dtype=np.uint8)
        return rows, got[self._numbers()[rows]]

    def word(self, block: int, place: int) -> tuple[I64, U64]:
        """A register of a block's data, or two bytes of its bits: the rows whose reply had it, and the values."""
        rows = self.rows_of(lambda shape: _size(shape, block) >= 2 * place + 2)
        return rows, self._column(column_of(block, 1 + place), len(rows))

    def last_byte(self, block: int, size: int = 0) -> tuple[I64, U64]:
        """The last byte of data of an odd length, or of just that length: rows and values."""
        rows = self.rows_of(lambda shape: _size(shape, block) % 2 == 1)
        values = self._column(column_of(block, ODD_BYTE), len(rows))
        if not size or not len(rows):
            return rows, values
        wanted = np.isin(rows, self.rows_of(lambda shape: _size(shape, block) == size), assume_unique=True)
        return rows[wanted], values[wanted]

    def _numbers(self) -> I64:
        numbers = self._column(SHAPE, self.count).view(np.int64)
        if len(numbers) and not 0 <= int(numbers.min()) <= int(numbers.max()) < len(self.shapes):
            raise ColumnFault("a record has a shape that is not there")
        return numbers

    def _column(self, number: int, count: int) -> U64:
        if number in self._constant:
            return np.full(count, self._constant[number], dtype=np.uint64)
        found = self._opened.get(number)
        if found is None:
            data = self._opener(number) if count else b""
            if data is None:
                raise ColumnFault(f"column {number} is missing")
            found = unpack_column(data, count) if count else np.empty(0, dtype=np.uint64)
            self._opened[number] = found
        return found

    # --- records ------------------------------------------------------------------------------------------------------

    def records(self) -> Iterator[TailRecord]:
        """Every record as it was, in order.

        Raises:
            ColumnFault: A column is damaged or missing.
        """
        numbers, whole = self._numbers(), self._whole()
        tables = [
            iter(()) if shape.parts is None else self._payloads(shape, np.flatnonzero(numbers == number))
            for number, shape in enumerate(self.shapes)
        ]
        stamps = (numbers, self.seq(), self.mono_ns(), self.utc_ms())
        for begin in range(0, self.count, AT_ONCE):
            part = [column[begin : begin + AT_ONCE].tolist() for column in stamps]
            for number, seq, mono_ns, utc_ms in zip(*part, strict=True):
                shape = self.shapes[number]
                payload = next(whole if shape.parts is None else tables[number])
                yield TailRecord(seq, shape.kind, self.endpoint, self.layout, mono_ns, utc_ms, payload)

    def _payloads(self, shape: Shape, rows: I64) -> Iterator[bytes]:
        """Payloads of one shape, put together from their columns."""
        length, parts = shape.length, shape.parts or ()
        table = np.empty((len(rows), length), dtype=np.uint8)
        for part in parts:
            head = HEAD.pack(part.block, part.got, 0, part.size, len(part.said)) + bytes(part.size) + part.said
            table[:, part.at : part.at + len(head)] = np.frombuffer(head, dtype=np.uint8)
            self._fill(table[:, part.at + 3 : part.at + 11], "<u8", rows, self._times(part.block))
            for word in range(part.size // 2):
                at = part.data_at + 2 * word
                self._fill(table[:, at : at + 2], ">u2", rows, self.word(part.block, word))
            if part.size % 2:
                end = part.data_at + part.size
                self._fill(table[:, end - 1 : end], "u1", rows, self.last_byte(part.block))
        return (bytes(row) for row in table)

    def _times(self, block: int) -> tuple[I64, U64]:
        rows = self.rows_of(lambda shape: shape.part(block) is not None)
        return rows, self._column(column_of(block, 0), len(rows))

    @staticmethod
    def _fill(place: Bytes, what: str, rows: I64, column: tuple[I64, U64]) -> None:
        """Put the numbers of some rows where they lie in the payloads."""
        held, values = column
        mine = values if len(held) == len(rows) else values[np.searchsorted(held, rows)]
        place[:] = mine.astype(what).view(np.uint8).reshape(len(rows), -1)

    def _whole(self) -> Iterator[bytes]:
        """Payloads that were kept as they were."""
        count = len(self.rows_of(lambda shape: shape.parts is None))
        if not count:
            return
        lengths = self._column(LENGTH, count)
        data = self._opener(WHOLE)
        total = int(lengths.sum())
        if data is None or zlib.crc32(data[4:]) != int.from_bytes(data[:4], "little") or total > _MOST_WHOLE:
            raise ColumnFault("payloads that were kept whole cannot be read")
        held, at = zlib.decompressobj().decompress(data[4:], total) if total else b"", 0
        for length in lengths.tolist():
            yield held[at : at + length]
            at += length


def _shape(kind: str, parts: Sequence[Sequence[Any]] | None) -> Shape:
    if parts is None:
        return Shape(kind, None)
    return Shape(kind, place([(int(b), int(got), int(size), said.encode("latin-1")) for b, got, size, said in parts]))


def _size(shape: Shape, block: int) -> int:
    part = shape.part(block)
    return part.size if part else 0
