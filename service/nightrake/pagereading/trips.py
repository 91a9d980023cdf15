"""Trip records for the page: which there are, what is in one, its seconds."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any, NamedTuple

from nightrake.domain.cleantext import clean
from nightrake.domain.site import DriveSpec
from nightrake.errors import StoreError
from nightrake.history.period import Period
from nightrake.history.triprecord import Record
from nightrake.longterm.tripfile import TripFile
from nightrake.longterm.tripfolder import FOLDER, RECORD, SUFFIX
from nightrake.longterm.triproom import given_up
from nightrake.pagereading.history import set_points
from nightrake.pagereading.names import Names
from nightrake.pagereading.rows import shown
from nightrake.pagereading.tripcolumns import TripColumns, columns_in

MOST = 500
"""Records of one answer."""
EVENTS = 1_000
"""Rows of one record that are told; of more, those around the trip."""
NOTES = 5
AT_HAND = 2
"""Records whose readings are kept at hand."""
LONG = 150_000
"""Readings of a record above which it is read in parts."""
AROUND_MS = 3_600_000


class _Seen(NamedTuple):
    """A record's head as it was read, and the file's stamps then."""

    stamps: tuple[int, int]
    record: Record


class TripRecords:
    """A site's trip records.

    Args:
        state_dir: Folder of the store.
    """

    def __init__(self, state_dir: Path) -> None:
        self._folder = state_dir / FOLDER
        self._seen: dict[str, _Seen] = {}
        self._columns: dict[tuple[str, tuple[int, int], Period | None], TripColumns] = {}

    def listed(self, drive: str, stage: str, skip: int, limit: int) -> dict[str, Any]:
        """Records, the newest first; "" = of every drive, of both stages.

        Raises:
            StoreError: The folder cannot be read.
        """
        records, faults = self._records()
        mine = [r for r in records if drive in ("", r.trip.drive) and stage in ("", r.trip.stage)]
        some = mine[skip : skip + max(1, min(limit, MOST))]
        notes = faults
        gone = [one for one in given_up(self._folder) if drive in ("", one.alarm.partition("/")[0])]
        if gone:
            count = f"{len(gone)} record{'s were' if len(gone) != 1 else ' was'} given up for want of room"
            notes = [f"{count}; raise history.trips_mb to keep more", *faults]
        told = [head_of(record) for record in some]
        return {"trips": told, "total": len(mine), "more": skip + len(some) < len(mine), "notes": notes[:NOTES]}

    def _records(self) -> tuple[list[Record], list[str]]:
        found, faults = [], []
        paths = self._paths()
        self._seen = {name: seen for name, seen in self._seen.items() if name in paths}
        for name, path in paths.items():
            try:
                found.append(self._head(name, path))
            except StoreError as error:
                if path.exists():  # it may just have been put together, or given up
                    faults.append(f"left out: {error}")
        return sorted(found, key=lambda r: (r.trip.at.utc_ms, r.trip.row), reverse=True), faults

    def _head(self, name: str, path: Path) -> Record:
        stamps = _stamps(path)
        seen = self._seen.get(name)
        if seen is None or seen.stamps != stamps:
            with TripFile(path) as file:
                seen = self._seen[name] = _Seen(stamps, file.record)
        return seen.record

    def _paths(self) -> dict[str, Path]:
        """Files and folders of records by name; of one that is both, the file, which is whole."""
        try:
            there = sorted(self._folder.iterdir())
        except FileNotFoundError:
            return {}
        except OSError as error:
            raise StoreError(f"{self._folder}: cannot be read ({error.strerror}); check its permissions") from error
        still_open = {path.name: path for path in there if path.suffix != SUFFIX and (path / RECORD).is_file()}
        whole = {p.stem: p for p in there if p.suffix == SUFFIX and not p.name.startswith(".")}
        return {**still_open, **whole}

    def _path(self, name: str) -> Path:
        """Only what is listed is ever opened, whatever a name looks like."""
        path = self._paths().get(name)
        if path is None:
            raise LookupError(f"there is no trip record '{clean(name, 80)}'")
        return path

    def trip(self, name: str, names: Names) -> dict[str, Any]:
        """What a record is about, and what happened in its time.

        Args:
            name: As listed. names: Of drives and people.

        Raises:
            LookupError: There is none of that name. StoreError: It is damaged.
        """
        path = self._path(name)
        with TripFile(path) as file:
            record, drives, events = file.record, list(file.drives().values()), file.events()
        near = sorted(events, key=lambda row: abs(row.utc_ms - record.trip.at.utc_ms))[:EVENTS]
        spec = drives[-1] if drives else None
        notes = [] if len(events) <= EVENTS else [f"{len(events) - EVENTS} rows far from the trip are left out"]
        return {
            **head_of(record),
            "name": spec.name if spec is not None else names.drives.get(record.trip.drive, ""),
            "site": record.site_name or record.site,
            "remarks": list(record.remarks),
            "settings": [digest for digest, _ in record.settings],
            "calibrations": _curves(drives),
            "set_points": set_points(spec),
            "events": [shown(row, names) for row in sorted(near, key=lambda row: row.seq)],
            "notes": notes,
        }

    def readings(self, name: str, begin_ms: int, end_ms: int, columns: int) -> dict[str, Any]:
        """A record's readings in a time, each where at most so many are in it, else in so many columns.

        Args:
            begin_ms, end_ms: UTC, the end not included; both 0 = the whole record.

        Raises:
            LookupError: There is none of that name, or no such time. StoreError: It is damaged.
        """
        path = self._path(name)
        record = self._head(name, path)
        period, notes = _part_of(record, begin_ms, end_ms)
        held = self._held(name, path, period)
        head = {"trip": name, "drive": record.trip.drive, "trip_utc_ms": record.trip.at.utc_ms}
        told = held.between(*(period or (begin_ms, end_ms)), columns)
        return {**head, **told, "set_points": set_points(held.spec), "notes": notes}

    def _held(self, name: str, path: Path, period: Period | None) -> TripColumns:
        key = (name, _stamps(path), period)
        held = self._columns.pop(key, None)
        if held is None:
            with TripFile(path) as file:
                held = columns_in(file, period)
        self._columns[key] = held
        while len(self._columns) > AT_HAND:
            del self._columns[next(iter(self._columns))]
        return held


def _part_of(record: Record, begin_ms: int, end_ms: int) -> tuple[Period | None, list[str]]:
    """Of a long record a part is read at a time: what is asked for, or that around the trip; None = all of it."""
    if record.readings <= LONG:
        return None, []
    if begin_ms or end_ms:
        return Period(begin_ms, end_ms), []
    at = record.trip.at.utc_ms
    note = "the record is long, so an hour before and after the trip is shown; its other times can be asked for"
    return Period(at - AROUND_MS, at + AROUND_MS), [note]


def head_of(record: Record) -> dict[str, Any]:
    """A record in a list."""
    trip, peak = record.trip, record.peak
    last = record.parts[-1].at.utc_ms if record.parts else trip.at.utc_ms
    end = trip.at.utc_ms + record.after_ms if record.after_ms is not None else None
    return {
        "trip": record.name,
        "drive": trip.drive,
        "direction": trip.direction,
        "stage": trip.stage,
        "utc_ms": trip.at.utc_ms,
        "clock_trusted": trip.trusted,
        "occurrences": list(trip.occurrences),
        "from_utc_ms": trip.at.utc_ms - record.before_ms,
        "to_utc_ms": end if end is not None else last,
        "open": not record.is_whole,
        "because": record.because,
        "peak": None if peak is None else peak._asdict(),
        "readings": record.readings,
        "rows": record.events,
    }


def _curves(drives: Iterable[DriveSpec]) -> list[dict[str, str]]:
    curves = {c.digest: c for spec in drives for c in spec.calibrations.values()}.values()
    return [{"ref": clean(c.ref), "direction": str(c.direction), "digest": c.digest} for c in curves]


def _stamps(path: Path) -> tuple[int, int]:
    """What changes when a record does."""
    try:
        told = (path / RECORD if path.is_dir() else path).stat()
    except OSError:
        return (0, 0)
    return (told.st_mtime_ns, told.st_size)
