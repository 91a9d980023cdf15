"""Finding rows in a journal of any size: page by page, each a short reading transaction, forward or backward.

A page looks at so many rows and gives those that fit, so that no answer takes long, however few fit.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

from nightrake.domain.rows import Row
from nightrake.errors import StoreError
from nightrake.journal.reader import SLICE, Reader

_TEXTS = ("epoch", "kind", "event", "drive", "direction", "boot_id")
_NUMBERS = ("seq", "schema", "input_seq", "mono_ns", "utc_ms")
_BYTES = ("payload", "prev_hash", "hash")


class Wanted(NamedTuple):
    """Which rows.

    Attributes:
        drive: Of this drive, "" = all.
        kinds: Of these kinds, () = all. drive_events: besides, these events of the kind ``drive``.
        since_utc_ms, until_utc_ms: From and before this moment by the row's own clock, None = no bound.
    """

    drive: str = ""
    kinds: tuple[str, ...] = ()
    drive_events: tuple[str, ...] = ()
    since_utc_ms: int | None = None
    until_utc_ms: int | None = None

    def where(self) -> tuple[str, list[Any]]:
        """As conditions of SQL, with their values."""
        parts, values = ["1"], list[Any]()
        if self.drive:
            parts.append("drive = ?")
            values.append(self.drive)
        if self.kinds or self.drive_events:
            either = f"kind in ({_marks(self.kinds)})"
            parts.append(f"({either} or (kind = 'drive' and event in ({_marks(self.drive_events)})))")
            values += [*self.kinds, *self.drive_events]
        if self.since_utc_ms is not None:
            parts.append("utc_ms >= ?")
            values.append(self.since_utc_ms)
        if self.until_utc_ms is not None:
            parts.append("utc_ms < ?")
            values.append(self.until_utc_ms)
        return " and ".join(parts), values


def _marks(values: tuple[str, ...]) -> str:
    return ", ".join("?" * len(values))


class Search(Reader):
    """A reader that looks for rows; see `Reader`."""

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self._file = path

    def rows(self, wanted: Wanted = Wanted(), *, newest_first: bool = False) -> Iterator[Row]:  # noqa: B008
        """Rows that fit, in order of numbers, or the newest first.

        Raises:
            StoreError: It cannot be read, or a row has not the form of one.
        """
        for row in self.raw(wanted, newest_first=newest_first):
            if not has_form(row):
                raise StoreError(
                    f"{self._file}: journal row {row.seq} has not the form of a row: the file was damaged or changed; "
                    "nightrake journal verify says from where on"
                )
            yield row

    def raw(self, wanted: Wanted = Wanted(), *, newest_first: bool = False) -> Iterator[Row]:  # noqa: B008
        """Likewise, but as the file has them: columns may be of any type."""
        where, values = wanted.where()
        order, beyond, edge = ("desc", "<", "min") if newest_first else ("", ">", "max")
        of_drive, drive = ("and drive = ?", [wanted.drive]) if wanted.drive else ("", [])
        # Inclusive at first, since numbers may be the lowest or highest there are.
        at: int | None = None
        while True:
            begin, begin_values = ("1", []) if at is None else (f"seq {beyond} ?", [at])
            page = f"select seq from journal where {begin} {of_drive} order by seq {order} limit {SLICE}"
            last = self._ask(f"select {edge}(seq) from ({page})", *begin_values, *drive)[0][0]
            if last is None:
                return
            columns = ", ".join(Row._fields)
            upto = f"seq {'>=' if newest_first else '<='} ?"
            statement = f"select {columns} from journal where {begin} and {upto} and {where} order by seq {order}"
            for found in self._ask(statement, *begin_values, last, *values):
                row = Row(*found)
                yield row._replace(urgent=bool(row.urgent), clock_trusted=bool(row.clock_trusted))
            at = int(last)

    def knows_drive(self, drive: str) -> bool:
        """Whether any row is about a drive."""
        return bool(self._ask("select 1 from journal where drive = ? limit 1", drive))

    def _ask(self, statement: str, *bindings: Any) -> list[tuple[Any, ...]]:
        try:
            return super()._ask(statement, *bindings)
        except (UnicodeError, OverflowError) as error:
            raise StoreError(
                f"{self._file}: a row cannot be read ({error}): the file was damaged or changed"
            ) from error


def has_form(row: Row) -> bool:
    """Whether every column is of the type that it was written with."""
    texts = all(isinstance(getattr(row, name), str) for name in _TEXTS)
    numbers = all(isinstance(getattr(row, name), int) for name in _NUMBERS)
    return texts and numbers and all(isinstance(getattr(row, name), bytes) for name in _BYTES)
