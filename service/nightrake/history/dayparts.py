"""A day of single hours as the parts in which it is kept, and a part as columns again. Pure."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence

from nightrake.history.basis import Basis
from nightrake.history.dayrows import day_of, merged
from nightrake.history.kept import HourBytes, pack_entries, unpack_entries
from nightrake.history.rowcolumns import decode, decode_days, encode
from nightrake.history.rows import PARTS, Column, Grain, Table, blank, part_of
from nightrake.history.summaries import Entry

HISTOGRAM = len(PARTS) - 1
SAME = b"="
"""In place of the statistics of running time where the drive ran all the time: those of all readings."""

BasesOf = Callable[[Iterable[str]], Mapping[str, Basis]]


def in_rows(hours: Mapping[int, Table], columns: Collection[str], grain: Grain) -> Table:
    """Rows of single hours in the rows of their day.

    Args:
        hours: Rows by hour of the day. columns: Names of all. grain: MINUTE or HOUR.
    """
    per_hour = grain.in_day // 24
    table = blank(list(columns), grain, grain.in_day)
    for hour, rows in hours.items():
        for name in rows.keys() & set(columns):
            table[name][hour * per_hour : (hour + 1) * per_hour] = rows[name]
    return table


def columns_in(tables: Iterable[Table]) -> list[str]:
    """Every column that any of the tables has, in the order of their parts."""
    names = {name: None for table in tables for name in table}
    return sorted(names, key=lambda name: PARTS.index(part_of(name)))


def day_tables(hours: Mapping[int, HourBytes], bases_of: BasesOf) -> tuple[dict[Grain, Table], list[Entry]]:
    """Minutes, hours and the day; last: the day's counts."""
    columns = columns_in(hour.hour for hour in hours.values())
    tables = {
        Grain.MINUTE: in_rows({at: hour.minutes for at, hour in hours.items()}, columns, Grain.MINUTE),
        Grain.HOUR: in_rows({at: hour.hour for at, hour in hours.items()}, columns, Grain.HOUR),
    }
    entries = list(merged(entry for hour in hours.values() for entry in hour.entries))
    tables[Grain.DAY] = day_of(tables[Grain.HOUR], columns, entries, bases_of({e.basis for e in entries}))
    return tables, entries


def day_parts(hours: Mapping[int, HourBytes], bases_of: BasesOf) -> Iterator[tuple[Grain, int, bytes]]:
    """The parts of a day: (grain, place in `PARTS`, bytes)."""
    tables, entries = day_tables(hours, bases_of)
    if not any(hour.minutes for hour in hours.values()):
        del tables[Grain.MINUTE]  # given up already
    for grain, table in tables.items():
        packed = {number: _packed(table, PARTS[number]) for number in range(HISTOGRAM)}
        for number, data in packed.items():
            twin = packed.get(number - 1) if PARTS[number].endswith(".running") else None
            if data:
                yield grain, number, SAME if data == twin else data
    rows = [(at, entry) for at, hour in sorted(hours.items()) for entry in hour.entries]
    yield Grain.HOUR, HISTOGRAM, pack_entries(rows)
    yield Grain.DAY, HISTOGRAM, pack_entries([(0, entry) for entry in entries])


def hours_of(part: Callable[[Grain, int], bytes]) -> dict[int, HourBytes]:
    """A closed day as its hours again, those in which anything was read.

    Args:
        part: Gives the bytes of a grain's part by its place in `PARTS`; none where there is none.

    Raises:
        RowFault: The bytes are damaged.
    """
    tables: dict[Grain, Table] = {}
    for grain in (Grain.MINUTE, Grain.HOUR):
        tables[grain] = table = {}
        for number in range(HISTOGRAM):
            data = part(grain, number)
            table.update(part_columns(part(grain, twin_of(number)) if data == SAME else data, number))
    counts = part(Grain.HOUR, HISTOGRAM)
    entries = unpack_entries(counts) if counts else []
    found = {}
    for hour in range(24):
        row = {name: column[hour : hour + 1].copy() for name, column in tables[Grain.HOUR].items()}
        minutes = {n: column[hour * 60 : hour * 60 + 60].copy() for n, column in tables[Grain.MINUTE].items()}
        if row and (row["drive.covered_ns"][0] or row["drive.readings"][0]):
            found[hour] = HourBytes(minutes, row, tuple(e for at, e in entries if at == hour))
    return found


def _packed(table: Mapping[str, Column], part: str) -> bytes:
    mine = {name.rpartition(".")[2]: column for name, column in table.items() if part_of(name) == part}
    return encode(mine) if mine else b""


def part_columns(data: bytes, part: int, wanted: Collection[str] | None = None) -> Table:
    """A part's columns under their full names.

    Args:
        data: Its bytes, those of its twin where they are `SAME`. part: Place in `PARTS`.
        wanted: Full names; None = all.
    """
    head = PARTS[part] + "."
    short = None if wanted is None else {name.removeprefix(head) for name in wanted if part_of(name) == PARTS[part]}
    return {head + name: column for name, column in decode(data, short).items()} if data else {}


def part_days(some: Sequence[bytes], part: int, wanted: Collection[str]) -> Table:
    """A part's columns of many days, under their full names: for each a row for each day.

    Args:
        some: Bytes of each day, see `part_columns`. part: Place in `PARTS`. wanted: Full names.
    """
    head = PARTS[part] + "."
    short = {name.removeprefix(head) for name in wanted if part_of(name) == PARTS[part]}
    return {head + name: column for name, column in decode_days(some, short).items()}


def twin_of(part: int) -> int:
    """The part whose bytes stand for one that says `SAME`."""
    return part - 1
