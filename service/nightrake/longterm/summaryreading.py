"""Summaries as they are read, beside the worker that writes them: bounded slices, one short transaction each."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import suppress
from functools import partial
from typing import NamedTuple, TypeVar

import numpy as np

from nightrake.errors import StoreError
from nightrake.history.basis import Basis, basis_from
from nightrake.history.dayparts import HISTOGRAM, SAME, day_tables, hours_of, part_days, twin_of
from nightrake.history.histogram import Ints
from nightrake.history.kept import HourBytes, unpack_entries, unpack_hour
from nightrake.history.rowcolumns import RowFault
from nightrake.history.rows import DAY_MS, HOUR_MS, PARTS, Grain, Table, blank, part_of
from nightrake.history.summaries import Entry
from nightrake.longterm.blocks import Blocks, Damaged
from nightrake.longterm.summaries import DRIVES, day_key

T = TypeVar("T")
SLICE_DAYS = 128
"""Days of a drive in one answer."""
ENDS_MS = 8 * DAY_MS
"""Looked through at a time for the first or last row."""
HELD = ("forward.all.n", "reverse.all.n")
"""Columns that say in how many readings of a row there was torque."""


class Rows(NamedTuple):
    """Rows of a summary, rising in time; days of which nothing is kept are left out.

    Attributes:
        utc_ms: Where each begins. table: The columns asked for; 0 and NaN where nothing was read in a row.
    """

    utc_ms: Ints
    table: Table


class SummaryReading:
    """Reads summaries; used by one thread at a time.

    Args:
        blocks: The history's file, open for reading.
    """

    def __init__(self, blocks: Blocks) -> None:
        self._blocks = blocks
        self._bases: dict[str, Basis] = {}
        self.damaged: list[str] = []
        """What `covered` passed over, in sentences."""

    def drives(self) -> list[str]:
        """Every drive that has summaries, in order of first mention."""
        return [str(v[0]) for v in self._blocks.ask("select drive from summary_drive order by id")]

    def span(self, drive: str, grain: Grain) -> tuple[int, int] | None:
        """From when and until when a drive has rows, UTC ms, by whole days and open hours; None = it has none."""
        number = self._number(drive)
        low = day_key(number, grain, 0, 0)
        days = self._blocks.ask("select min(id), max(id) from summary_day where id >= ? and id < ?", low, low + 2**32)
        open_ = self._blocks.ask(
            f"select min(id) / {DRIVES}, max(id) / {DRIVES} from summary_open where id % {DRIVES} = ?", number
        )
        found = [] if days[0][0] is None else [((v - low) * DAY_MS, (v - low + 1) * DAY_MS) for v in days[0]]
        found += [] if open_[0][0] is None else [(v * HOUR_MS, (v + 1) * HOUR_MS) for v in open_[0]]
        return (min(a for a, _ in found), max(b for _, b in found)) if found else None

    def covered(self, drive: str, grain: Grain, from_utc_ms: int, to_utc_ms: int) -> tuple[int, int] | None:
        """Where the first and the last row begin that touch a period and hold torque; None = none does.

        Where rows are damaged they hold none.

        Raises:
            StoreError: The file cannot be read.
        """
        span = self.span(drive, grain)
        if span is None or span[1] <= from_utc_ms or span[0] >= to_utc_ms:
            return None
        low, high = max(from_utc_ms, span[0]), min(to_utc_ms, span[1])
        forward = ((begin, min(begin + ENDS_MS, high)) for begin in range(low, high, ENDS_MS))
        first = next((found[0] for part in forward if (found := self._held(drive, grain, *part))), None)
        if first is None:
            return None
        backward = ((max(low, end - ENDS_MS), end) for end in range(high, low, -ENDS_MS))
        last = next((found[1] for part in backward if (found := self._held(drive, grain, *part))), first)
        return first, last

    def _held(self, drive: str, grain: Grain, from_utc_ms: int, to_utc_ms: int) -> tuple[int, int] | None:
        """Where the first and the last row of a few days begin that hold torque."""
        try:
            begins = self._begins(drive, grain, from_utc_ms, to_utc_ms)
        except Damaged as fault:
            self.damaged.append(str(fault))
            begins = []
            for day in range(from_utc_ms // DAY_MS, -(-to_utc_ms // DAY_MS)):
                within = max(from_utc_ms, day * DAY_MS), min(to_utc_ms, (day + 1) * DAY_MS)
                with suppress(Damaged):
                    begins += self._begins(drive, grain, *within)
        return (min(begins), max(begins)) if begins else None

    def _begins(self, drive: str, grain: Grain, from_utc_ms: int, to_utc_ms: int) -> list[int]:
        begins: list[int] = []
        for rows in self.rows(drive, grain, HELD, from_utc_ms, to_utc_ms):
            held = rows.utc_ms[sum(rows.table[name] for name in HELD) > 0]
            begins += [int(held[0]), int(held[-1])] if len(held) else []
        return begins

    def rows(
        self, drive: str, grain: Grain, columns: Collection[str], from_utc_ms: int, to_utc_ms: int
    ) -> Iterator[Rows]:
        """Rows that touch a period, in slices.

        Args:
            columns: Names, see `history.rows`; those that a drive does not have are blank.
            from_utc_ms, to_utc_ms: The period, its end not included.

        Raises:
            StoreError: A row is damaged, or the file cannot be read.
        """
        first, last = from_utc_ms // DAY_MS, (to_utc_ms - 1) // DAY_MS
        for begin in range(first, last + 1, SLICE_DAYS):
            found = self._slice(self._number(drive), grain, list(columns), begin, min(begin + SLICE_DAYS, last + 1))
            inside = (found.utc_ms + grain.span_ms > from_utc_ms) & (found.utc_ms < to_utc_ms)
            if inside.all() and len(inside):
                yield found
            elif inside.any():
                yield Rows(found.utc_ms[inside], {name: column[inside] for name, column in found.table.items()})

    def _slice(self, number: int, grain: Grain, columns: list[str], begin: int, end: int) -> Rows:
        """Whole days from `begin` to before `end`."""
        parts = {part: self._parts(number, grain, part, begin, end) for part in self._needed(columns)}
        open_days = self._open_days(number, begin, end)
        days = sorted({day for some in parts.values() for day in some} | open_days.keys())
        n = grain.in_day
        table = blank(columns, grain, len(days) * n)
        rows = {name: column.reshape(len(days), n) for name, column in table.items()}
        row_of = {day: i for i, day in enumerate(days)}
        for part, some in parts.items():
            mine = [row_of[day] for day in some]
            for name, column in _read(partial(part_days, list(some.values()), part, columns)).items():
                rows[name][mine] = column
        for day, hours in open_days.items():
            made = day_tables(hours, self.bases)[0][grain]
            for name in rows.keys() & made.keys():
                rows[name][row_of[day]] = made[name]
        starts = np.array(days, np.int64)[:, None] * DAY_MS + np.arange(n, dtype=np.int64) * grain.span_ms
        return Rows(starts.reshape(-1), table)

    def _needed(self, columns: Collection[str]) -> list[int]:
        return sorted({PARTS.index(part_of(name)) for name in columns})

    def _parts(self, number: int, grain: Grain, part: int, begin: int, end: int) -> dict[int, bytes]:
        low = day_key(number, grain, part, 0)
        statement = "select id, data from summary_day where id >= ? and id < ? order by id"
        found = {int(key) - low: data for key, data in self._blocks.ask(statement, low + begin, low + end)}
        if SAME not in found.values():
            return found
        twins = self._parts(number, grain, twin_of(part), begin, end)
        return {day: twins.get(day, b"") if data == SAME else data for day, data in found.items()}

    def _open_days(self, number: int, begin: int, end: int) -> dict[int, dict[int, HourBytes]]:
        """Open hours by day and hour of the day; only a few days are ever open."""
        known = self._blocks.ask(f"select min(id) / {DRIVES}, max(id) / {DRIVES} from summary_open")[0]
        days: dict[int, dict[int, HourBytes]] = {}
        if known[0] is None:
            return days
        first, last = max(begin * 24, int(known[0])), min(end * 24 - 1, int(known[1]))
        for hour in range(first, last + 1):
            found = self._blocks.ask("select data from summary_open where id = ?", hour * DRIVES + number)
            if found:
                days.setdefault(hour // 24, {})[hour % 24] = _read(partial(unpack_hour, found[0][0]))
        return days

    def entries(self, drive: str, from_day: int, to_day: int, grain: Grain = Grain.HOUR) -> list[tuple[int, Entry]]:
        """Counts of raw positions: (where the hour or day begins, UTC ms; what was counted).

        Args:
            from_day, to_day: Days since 1970, the last not included; at most `SLICE_DAYS`. grain: HOUR or DAY.

        Raises:
            StoreError: A row is damaged.
        """
        number = self._number(drive)
        out: list[tuple[int, Entry]] = []
        for day, data in self._parts(number, grain, HISTOGRAM, from_day, to_day).items():
            rows = _read(partial(unpack_entries, data))
            out += [(day * DAY_MS + at * HOUR_MS, entry) for at, entry in rows]
        for day, hours in self._open_days(number, from_day, to_day).items():
            if grain is Grain.DAY:
                out += [(day * DAY_MS, entry) for entry in day_tables(hours, self.bases)[1]]
            else:
                out += [(day * DAY_MS + at * HOUR_MS, e) for at, hour in hours.items() for e in hour.entries]
        return sorted(out, key=lambda item: (item[0], item[1][:3]))

    def hours(self, drive: str, day: int) -> dict[int, HourBytes]:
        """A drive's day (since 1970) by its hours, each with its minutes and counts.

        Raises:
            StoreError: A row is damaged.
        """
        number = self._number(drive)

        def part(grain: Grain, which: int) -> bytes:
            return self._parts(number, grain, which, day, day + 1).get(day, b"")

        return _read(partial(hours_of, part)) | self._open_days(number, day, day + 1).get(day, {})

    def days(self, drive: str, from_day: int, to_day: int) -> list[int]:
        """Days since 1970 of which a drive has hours, the last not included."""
        number = self._number(drive)
        low = day_key(number, Grain.HOUR, HISTOGRAM, 0)
        closed = self._blocks.ask("select id from summary_day where id >= ? and id < ?", low + from_day, low + to_day)
        return sorted({int(v[0]) - low for v in closed} | self._open_days(number, from_day, to_day).keys())

    def bases(self, digests: Iterable[str]) -> dict[str, Basis]:
        """What turns counts into torque, by digest.

        Raises:
            StoreError: One is not kept.
        """
        wanted = list(digests)
        for digest in wanted:
            if digest not in self._bases:
                found = self._blocks.ask("select content from summary_basis where digest = ?", digest)
                if not found:
                    raise StoreError(
                        f"{self._blocks.path}: lacks what gives counts their meaning (basis {digest[:12]})"
                    )
                self._bases[digest] = basis_from(found[0][0])
        return {digest: self._bases[digest] for digest in wanted}

    def _number(self, drive: str) -> int:
        found = self._blocks.ask("select id from summary_drive where drive = ?", drive)
        return int(found[0][0]) if found else 0


def _read(act: Callable[[], T]) -> T:
    try:
        return act()
    except RowFault as error:
        raise Damaged(f"history.db: {error}; restore the file from a backup") from error
