"""Summaries in history.db: hours of days that are not over, days as columns, and what gives their counts a meaning.

A day is either open, one row for each hour and drive, written once when the hour is sealed; or closed, one row for each
part of it (`history.rows.PARTS`), which is read without the others. An hour that comes late is put into its closed day.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from types import MappingProxyType

import apsw

from nightrake.history.basis import Basis, basis_from
from nightrake.history.dayparts import HISTOGRAM, day_parts, hours_of, part_columns
from nightrake.history.kept import HourBytes, pack_hour, unpack_hour
from nightrake.history.rowcolumns import RowFault
from nightrake.history.rows import HOUR_MS, PARTS, Grain
from nightrake.history.summaries import Hour
from nightrake.longterm.sql import fetch

SUMMARY_TABLES = (
    "create table summary_drive(id integer primary key, drive text not null unique)",
    # Hours of PLCs that were sealed and are not yet summarised: (hours since 1970, endpoint's number in `name`).
    "create table summary_due(hour integer not null, endpoint integer not null, primary key(hour, endpoint))"
    " without rowid",
    # Key: hours since 1970 * 2**20 + drive: what is written together lies together.
    "create table summary_open(id integer primary key, data blob not null)",
    # Key: see `day_key`: what is read together lies together.
    "create table summary_day(id integer primary key, data blob not null)",
    "create table summary_basis(digest text primary key, content text not null) without rowid",
    # Records that hold for a period instead of those that were in force then.
    "create table recalibration(id integer primary key, drive text not null, direction text not null,"
    " from_utc_ms integer not null, to_utc_ms integer not null, curve text not null, utc_ms integer not null,"
    " actor text not null)",
)
"""A step of the schema of history.db."""

DRIVES = 2**20
NO_BASES: Mapping[str, Basis] = MappingProxyType({})
_DAYS = 2**32


def day_key(drive: int, grain: Grain, part: int, day: int) -> int:
    """Key of one part of one day.

    Args:
        drive: Its number. part: Place in `PARTS`. day: Days since 1970.
    """
    return ((drive * 4 + grain) * 16 + part) * _DAYS + day


def _open_keys(drive: int, day: int) -> list[tuple[int]]:
    return [((day * 24 + hour) * DRIVES + drive,) for hour in range(24)]


class SummaryWriting:
    """Writes summaries, within transactions that its caller opens.

    Args:
        db: The writing connection. on_damage: Told, in a sentence, of an hour that cannot be read and is left out.
    """

    def __init__(self, db: apsw.Connection, on_damage: Callable[[str], object] = lambda sentence: None) -> None:
        self._db, self._on_damage = db, on_damage
        self._drives: dict[str, int] = {}
        self._bases: dict[str, Basis] = {}

    def mark_due(self, endpoint: int, low_utc_ms: int, high_utc_ms: int) -> None:
        """Remember that hours of a PLC are to be summarised.

        Args:
            endpoint: Its number. low_utc_ms, high_utc_ms: Earliest and latest stamp of what was sealed.
        """
        hours = [(h, endpoint) for h in range(low_utc_ms // HOUR_MS, high_utc_ms // HOUR_MS + 1)]
        self._db.executemany("insert or ignore into summary_due values(?, ?)", hours)

    def due(self) -> tuple[int, list[int]] | None:
        """The oldest hour that is due (since 1970) and the numbers of its PLCs; None = nothing is."""
        found = fetch(
            self._db, "select hour, endpoint from summary_due where hour = (select min(hour) from summary_due)"
        )
        return (int(found[0][0]), [int(v[1]) for v in found]) if found else None

    def done(self, hour: int, endpoints: Iterable[int]) -> None:
        """An hour of PLCs is summarised."""
        self._db.executemany("delete from summary_due where hour = ? and endpoint = ?", [(hour, e) for e in endpoints])

    def number(self, drive: str) -> int:
        """A drive's number, given to it if it has none."""
        if drive not in self._drives:
            self._db.execute("insert or ignore into summary_drive(drive) values(?)", (drive,))
            found = fetch(self._db, "select id from summary_drive where drive = ?", (drive,))
            self._drives[drive] = int(found[0][0])
        return self._drives[drive]

    # --- hours --------------------------------------------------------------------------------------------------------

    def put_hour(self, drive: str, hour: int, made: Hour) -> None:
        """Keep a drive's hour, in place of what was there.

        Args:
            hour: Hours since 1970.
        """
        self._know(made.bases)
        one = HourBytes(made.minutes, made.hour, made.entries)
        self.put_hours(drive, hour // 24, {hour % 24: one})

    def put_hours(
        self, drive: str, day: int, hours: Mapping[int, HourBytes], bases: Mapping[str, Basis] = NO_BASES
    ) -> None:
        """Keep hours of a drive's day, in place of what was there; the others stay.

        Args:
            day: Days since 1970. hours: By hour of the day. bases: Those that their counts name, if they are new.
        """
        self._know(bases)
        number = self.number(drive)
        if self._is_closed(number, day):
            self._put_day(number, day, {**self._closed_hours(number, day), **hours})
            return
        rows = [((day * 24 + at) * DRIVES + number, pack_hour(*one)) for at, one in hours.items()]
        self._db.executemany("insert or replace into summary_open values(?, ?)", rows)

    def covered_ns(self, drive: str, hour: int) -> int:
        """How much of an hour (since 1970) its summary covers; 0 where there is none."""
        number, name = self.number(drive), "drive.covered_ns"
        found = fetch(self._db, "select data from summary_open where id = ?", (hour * DRIVES + number,))
        if found:
            return int(unpack_hour(found[0][0]).hour[name][0])
        data = self._data(number, Grain.HOUR, PARTS.index("drive"), hour // 24)
        return int(part_columns(data, PARTS.index("drive"), {name})[name][hour % 24]) if data else 0

    def close_days(self, before_day: int, most: int = 50) -> int:
        """Make columns of the open hours of whole days.

        Args:
            before_day: Days before this one (since 1970) are over. most: Days of single drives at a time.

        Returns:
            How many were closed; as many as `most`: there may be more.
        """
        rows = fetch(
            self._db,
            f"select distinct id / {DRIVES} / 24, id % {DRIVES} from summary_open where id < ? order by 1, 2 limit ?",
            (before_day * 24 * DRIVES, most),
        )
        for day, number in rows:
            self._put_day(number, day, self._open_hours(number, day))
            self._db.executemany("delete from summary_open where id = ?", _open_keys(number, day))
        return len(rows)

    def _open_hours(self, number: int, day: int) -> dict[int, HourBytes]:
        hours = {}
        for at, key in enumerate(_open_keys(number, day)):
            found = fetch(self._db, "select data from summary_open where id = ?", key)
            try:
                if found:
                    hours[at] = unpack_hour(found[0][0])
            except RowFault as error:
                self._on_damage(f"an hour's summary is damaged and left out of its day ({error})")
        return hours

    def _is_closed(self, number: int, day: int) -> bool:
        # Minutes may have been given up; hours are kept longest.
        key = day_key(number, Grain.HOUR, HISTOGRAM, day)
        return bool(fetch(self._db, "select 1 from summary_day where id = ?", (key,)))

    def _closed_hours(self, number: int, day: int) -> dict[int, HourBytes]:
        return hours_of(lambda grain, part: self._data(number, grain, part, day))

    def _data(self, number: int, grain: Grain, part: int, day: int) -> bytes:
        found = fetch(self._db, "select data from summary_day where id = ?", (day_key(number, grain, part, day),))
        return bytes(found[0][0]) if found else b""

    def _know(self, bases: Mapping[str, Basis]) -> None:
        new = [(digest, basis.content()) for digest, basis in bases.items() if digest not in self._bases]
        self._db.executemany("insert or ignore into summary_basis values(?, ?)", new)
        self._bases.update(bases)

    def put_day(self, drive: str, day: int, hours: Mapping[int, HourBytes], bases: Mapping[str, Basis]) -> None:
        """Keep a drive's whole day, closed, in place of what was there.

        Args:
            day: Days since 1970. hours: By hour of the day. bases: Those that their counts name.
        """
        self._know(bases)
        number = self.number(drive)
        self._db.executemany("delete from summary_open where id = ?", _open_keys(number, day))
        self._put_day(number, day, hours)

    def _put_day(self, number: int, day: int, hours: Mapping[int, HourBytes]) -> None:
        rows = [(day_key(number, grain, part, day), data) for grain, part, data in day_parts(hours, self.bases)]
        self._db.executemany("insert or replace into summary_day values(?, ?)", rows)

    def bases(self, digests: Iterable[str]) -> dict[str, Basis]:
        """Bases by digest."""
        for digest in digests:
            if digest not in self._bases:
                found = fetch(self._db, "select content from summary_basis where digest = ?", (digest,))
                self._bases[digest] = basis_from(found[0][0])
        return {digest: self._bases[digest] for digest in digests}

    # --- retention ----------------------------------------------------------------------------------------------------

    def keep_newest(self, grain: Grain, days: int, most: int = 200) -> int:
        """Delete the oldest days of one grain beyond so many that each drive has; the counts go with the hours.

        Days are counted, not dated: a clock that was years ahead for a while makes nothing old.

        Args:
            days: Days of a drive that are kept, 1 or more. most: Days deleted at a time.

        Returns:
            Days deleted; as many as `most`: there may be more.
        """
        gone = 0
        for (number,) in fetch(self._db, "select id from summary_drive"):
            low = day_key(number, grain, 0, 0)
            old = fetch(
                self._db,
                "select id - ?1 from summary_day where id >= ?1 and id < ?2 order by id desc limit ?3 offset ?4",
                (low, low + _DAYS, -1, days),
            )
            some = [int(v[0]) for v in old[::-1][: most - gone]]
            keys = [(day_key(number, grain, part, day),) for day in some for part in range(len(PARTS))]
            self._db.executemany("delete from summary_day where id = ?", keys)
            gone += len(some)
            if gone >= most:
                break
        return gone
