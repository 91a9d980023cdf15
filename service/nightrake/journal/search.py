"""Finding rows in a journal of any size: page by page, each a short reading transaction, forward or backward.

A page looks at so many rows and gives those that fit, so that no answer takes long, however few fit.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

from nightrake.domain.rows import Row
from nightrake.errors import StoreError
from nightrake.journal.archive import FOLDER, SELECT, Kept, Segment, Where, fault_of, kept_of, read_rows, strangers
from nightrake.journal.reader import FIRST, HIGHEST, SLICE, Reader

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

    def fits(self, row: Row) -> bool:
        """Whether a row is one of them; the same as `where`."""
        return (
            (not self.drive or row.drive == self.drive)
            and (self.since_utc_ms is None or row.utc_ms >= self.since_utc_ms)
            and (self.until_utc_ms is None or row.utc_ms < self.until_utc_ms)
            and (
                not (self.kinds or self.drive_events)
                or row.kind in self.kinds
                or (row.kind == "drive" and row.event in self.drive_events)
            )
        )

    def may_be_in(self, segment: Segment) -> bool:
        """Whether an archived segment can have one of them."""
        return (
            (not self.drive or self.drive in segment.drives)
            and (self.since_utc_ms is None or segment.to_utc_ms >= self.since_utc_ms)
            and (self.until_utc_ms is None or segment.from_utc_ms < self.until_utc_ms)
        )


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
        # Inclusive at first, since numbers may be the lowest or highest there are.
        at: int | None = None
        while True:
            with self._at_once():  # the watch may move rows into a file meanwhile
                archived = self._next_archived(at, newest_first=newest_first)
                found, last = self._page(wanted, at, archived, newest_first=newest_first)
            yield from map(_plain, found)
            if last is None and archived is None:
                return
            if last is None and archived is not None:
                yield from self._of_file(archived, wanted, at, newest_first=newest_first)
                last = archived.segment.first_seq if newest_first else archived.segment.last_seq
            at = last

    def _next_archived(self, at: int | None, *, newest_first: bool) -> Kept | None:
        """The next segment of which only the file is there."""
        if newest_first:
            return self._archived("and first_seq < ? order by first_seq desc limit 1", HIGHEST if at is None else at)
        return self._archived(f"and last_seq > ? {FIRST}", -HIGHEST if at is None else at)

    def _page(
        self, wanted: Wanted, at: int | None, archived: Kept | None, *, newest_first: bool
    ) -> tuple[list[tuple[Any, ...]], int | None]:
        """One page of the store, up to the next such segment: rows that fit, and the last number looked at."""
        where, values = wanted.where()
        order, beyond, edge = ("desc", "<", "min") if newest_first else ("", ">", "max")
        of_drive, drive = ("and drive = ?", [wanted.drive]) if wanted.drive else ("", [])
        begin, begin_values = ("1", list[int]()) if at is None else (f"seq {beyond} ?", [at])
        if archived is not None:
            begin += " and seq > ?" if newest_first else " and seq < ?"
            begin_values.append(archived.segment.last_seq if newest_first else archived.segment.first_seq)
        page = f"select seq from journal where {begin} {of_drive} order by seq {order} limit {SLICE}"
        last = self._ask(f"select {edge}(seq) from ({page})", *begin_values, *drive)[0][0]
        if last is None:
            return [], None
        columns, upto = ", ".join(Row._fields), f"seq {'>=' if newest_first else '<='} ?"
        statement = f"select {columns} from journal where {begin} and {upto} and {where} order by seq {order}"
        return self._ask(statement, *begin_values, last, *values), int(last)

    def _of_file(self, archived: Kept, wanted: Wanted, at: int | None, *, newest_first: bool) -> Iterator[Row]:
        """Rows of an archived segment that fit."""
        if not wanted.may_be_in(archived.segment):
            return
        rows = read_rows(self._file.parent / FOLDER, archived, wanted.fits)
        if newest_first:
            yield from reversed([row for row in rows if at is None or row.seq < at])
        else:
            yield from (row for row in rows if at is None or row.seq > at)

    def archives(self) -> list[Kept]:
        """The records of all archived segments, in order."""
        return [kept_of(values) for values in self._ask(f"{SELECT} order by first_seq")]

    def archive_faults(self) -> list[str]:
        """A sentence for each file of an archived segment that is not as it was written."""
        folder = self._file.parent / FOLDER
        faults = [fault_of(folder, kept) for kept in self.archives() if kept.where is not Where.NOWHERE]
        return [fault for fault in faults if fault]

    def set_aside(self) -> int:
        """The highest number that was set aside for a row; 0 = no row was ever about to be written, or nobody knows."""
        found = self._ask("select value from meta where key = 'seq_reserved'")
        return int(found[0][0]) if found and isinstance(found[0][0], int) else 0

    def strangers(self) -> list[str]:
        """A sentence for each file among those of the archived segments that is no part of this journal."""
        return strangers(self._file.parent / FOLDER, self.archives())

    def knows_drive(self, drive: str) -> bool:
        """Whether any row is about a drive."""
        if self._ask("select 1 from journal where drive = ? limit 1", drive):
            return True
        return any(drive in kept.segment.drives for kept in self.archives())

    def _ask(self, statement: str, *bindings: Any) -> list[tuple[Any, ...]]:
        try:
            return super()._ask(statement, *bindings)
        except (UnicodeError, OverflowError) as error:
            raise StoreError(
                f"{self._file}: a row cannot be read ({error}): the file was damaged or changed"
            ) from error


def _plain(values: tuple[Any, ...]) -> Row:
    row = Row(*values)
    return row._replace(urgent=bool(row.urgent), clock_trusted=bool(row.clock_trusted))


def has_form(row: Row) -> bool:
    """Whether every column is of the type that it was written with."""
    texts = all(isinstance(getattr(row, name), str) for name in _TEXTS)
    numbers = all(isinstance(getattr(row, name), int) for name in _NUMBERS)
    return texts and numbers and all(isinstance(getattr(row, name), bytes) for name in _BYTES)
