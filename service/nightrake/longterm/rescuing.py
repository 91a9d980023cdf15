"""What can be read of a damaged history.db, written into a new file: damage, and pages that cannot be freed, end there.

Of blocks those go over that are what was written, by their hash; of summaries and snapshots those whose pages can be
read. What the rest stands on (names, settings, read plans, clocks) must all be there: else it is a backup's turn.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import apsw

from nightrake.errors import StoreError
from nightrake.longterm.schema import MIGRATIONS, migrate, schema_number
from nightrake.longterm.sql import fetch
from nightrake.longterm.writing import COLUMNS, LEFT_OUT, LIFE, digest_of

IN_PART = {
    "cut": "last_place",
    "snapshot": "place",
    "missing": "first_place",
    "summary_open": "id",
    "summary_day": "id",
}
"""Tables of which a part is better than nothing, and their keys; `block` and its columns besides."""
APART = ("migration", "block", "column_data", "summary_due", *IN_PART)
FORGOTTEN = ("damage", "stuck_bytes")
"""What `damage` keeps in the file's meta."""
DEPTH = 16
"""So often a range with damage in it is halved to find what can be read between two damaged pages."""
_LACKING = (
    "select first_place, last_place from cut where records <> (select coalesce(sum(records), 0) from block"
    " where cut = cut.last_place)"
)
_HOLES = (
    "select before + 1, first_place - 1 from (select first_place, lag(last_place) over (order by last_place) as before"
    " from cut) where before + 1 < first_place and before / ?1 = first_place / ?1"
)


class Rescued(NamedTuple):
    """What was left out.

    Attributes:
        blocks, records: Of these how many, as far as they could be counted. low_utc_ms, high_utc_ms: Their stamps, 0 =
            not known. stretches: Cuts that lack something now.
    """

    blocks: int = 0
    records: int = 0
    low_utc_ms: int = 0
    high_utc_ms: int = 0
    stretches: int = 0


def rescue(source: Path, target: Path, now_utc_ms: int) -> Rescued:
    """Write what can be read into a new file.

    Args:
        source: The damaged one; it is not changed. target: The new one. now_utc_ms: For the record.

    Raises:
        StoreError: What the rest stands on is damaged. apsw.Error: The disk does not take it.
    """
    with contextlib.ExitStack() as stack:
        old = apsw.Connection(str(source), flags=apsw.SQLITE_OPEN_READONLY)
        stack.callback(old.close)
        new = apsw.Connection(str(target))
        stack.callback(new.close)
        for pragma in ("auto_vacuum = incremental", "journal_mode = off", "synchronous = off"):
            new.execute(f"pragma {pragma}")  # it counts when it is complete and synced
        try:
            migrate(new, str(target), now_utc_ms, MIGRATIONS[: schema_number(old)])
            tables = [str(v[0]) for v in fetch(old, "select name from sqlite_schema where type = 'table'")]
        except apsw.CorruptError as error:
            raise _hopeless(source, "list of tables", error) from error
        new.execute("begin")
        for table in tables:
            if table not in APART:
                _copy_whole(old, new, source, table)
        for table, key in IN_PART.items():
            if table in tables:
                _put(new, table, _readable(old, table, key))
        _copy_due(old, new, tables)
        left = _Blocks(old, new).copy()
        new.executemany("delete from meta where key = ?", [(key,) for key in FORGOTTEN])
        gone = fetch(new, _LACKING) + fetch(new, _HOLES, (LIFE,)) + _end_of(new)
        rows = [(first, last, now_utc_ms, LEFT_OUT) for first, last in gone]
        new.executemany("insert or replace into missing values(?, ?, ?, ?)", rows)
        new.execute("commit")
    return left._replace(stretches=len(gone))


def _copy_whole(old: apsw.Connection, new: apsw.Connection, source: Path, table: str) -> None:
    try:
        rows = fetch(old, f"select * from {table}")
    except apsw.CorruptError as error:
        raise _hopeless(source, f"table {table}", error) from error
    _put(new, table, iter(rows))


def _copy_due(old: apsw.Connection, new: apsw.Connection, tables: list[str]) -> None:
    """Hours that wait to be summarised; where that is not known the newest ones are built by what comes next."""
    with contextlib.suppress(apsw.CorruptError):
        if "summary_due" in tables:
            _put(new, "summary_due", iter(fetch(old, "select * from summary_due")))


def _end_of(new: apsw.Connection) -> list[tuple[Any, ...]]:
    """What was sealed after the last cut that is left."""
    meta = dict(fetch(new, "select key, value from meta where key in ('life', 'sealed')"))
    begin = int(meta.get("life", 0)) * LIFE
    end = begin + int(meta.get("sealed", 0))
    last = fetch(new, "select max(last_place) from cut where last_place >= ?", (begin,))[0][0]
    return [(int(last) + 1, end)] if last is not None and last < end else []


def _put(new: apsw.Connection, table: str, rows: Iterator[tuple[Any, ...]]) -> None:
    width = len(fetch(new, f"pragma table_info({table})"))
    new.executemany(f"insert or replace into {table} values({', '.join('?' * width)})", rows)


def _readable(
    db: apsw.Connection, table: str, key: str, low: int = -1, high: int = 2**62, depth: int = DEPTH
) -> Iterator[tuple[Any, ...]]:
    """Rows with a key between two, these not included, as far as they can be read: from both ends, and between."""
    ends = [low, high]
    for number, order in enumerate(("asc", "desc")):
        statement = f"select {key}, * from {table} where {key} > ? and {key} < ? order by {key} {order}"
        try:
            for at, *row in db.execute(statement, (low, high)):
                ends[number] = int(at)
                yield tuple(row)
        except apsw.CorruptError:
            continue
        return
    first, last = ends
    middle = (first + last) // 2
    if depth and first < middle < last:
        yield from _readable(db, table, key, first, middle + 1, depth - 1)
        yield from _readable(db, table, key, middle, last, depth - 1)


class _Blocks:
    """Blocks on their way from one file to the other."""

    def __init__(self, old: apsw.Connection, new: apsw.Connection) -> None:
        self._old, self._new = old, new
        names = [str(v[1]) for v in fetch(new, "pragma table_info(block)")]
        self._at = {name: number for number, name in enumerate(names)}
        self._cuts = {int(v[0]) for v in fetch(new, "select last_place from cut")}

    def copy(self) -> Rescued:
        """All that are whole, of cuts that are there; those left out, counted."""
        blocks, records = 0, 0
        stamps: list[int] = []
        for row in _readable(self._old, "block", "id"):
            if not self._copied(row):
                blocks, records = blocks + 1, records + int(self._of(row, "records"))
                stamps += [int(self._of(row, "low_utc_ms")), int(self._of(row, "high_utc_ms"))]
        return Rescued(blocks, records, min(stamps, default=0), max(stamps, default=0))

    def _copied(self, row: tuple[Any, ...]) -> bool:
        begin = int(self._of(row, "id")) * COLUMNS
        statement = "select id, data from column_data where id >= ? and id < ? order by id"
        try:
            found = fetch(self._old, statement, (begin, begin + COLUMNS))
        except apsw.CorruptError:
            return False
        head, is_own = self._of(row, "head"), self._of(row, "cut") in self._cuts
        if not is_own or type(head) is not bytes or not all(type(data) is bytes for _, data in found):
            return False
        if digest_of(head, {int(key) - begin: data for key, data in found}) != self._of(row, "sha256"):
            return False
        _put(self._new, "block", iter([row]))
        _put(self._new, "column_data", iter(found))
        return True

    def _of(self, row: tuple[Any, ...], name: str) -> Any:
        return row[self._at[name]]


def _hopeless(path: Path, what: str, error: apsw.Error) -> StoreError:
    return StoreError(f"{path}: its {what} is damaged ({error}), on which all else rests; take it out of a backup")
