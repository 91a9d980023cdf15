"""Trip records, kept by the history worker, which follows the journal; the watch does nothing for them.

    journal rows --> what begins, goes on, ends (`history.trips`) --> record.json of each --> cursor
    open records that are due --> readings and rows since --> a part more; at the end one zip

Each step is on disk before the next, and doing it twice is doing it once: a kill anywhere costs the last step only.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter

from nightrake.crashpoint import reach
from nightrake.domain.site import DriveSpec
from nightrake.errors import StoreError
from nightrake.history.triprecord import (
    Part,
    Peak,
    Record,
    RecordFault,
    grown,
    header_of,
    larger,
    lines_of,
    peak_of,
    row_text,
)
from nightrake.history.trips import (
    RULES,
    At,
    Key,
    Rules,
    Trip,
    after_ms,
    before_ms,
    is_due,
    take,
)
from nightrake.longterm.tripfile import record_in
from nightrake.longterm.tripfolder import FOLDER, SUFFIX, PartWriter, TripFolder, size_of, write_whole
from nightrake.longterm.tripreading import Bounds, TripReading
from nightrake.longterm.triproom import give_up, given_up, to_give_up
from nightrake.longterm.triprows import Rows, before, since, slices

CURSOR = "cursor.json"
NOTHING = "no readings of it are kept"
_DRIVE: TypeAdapter[DriveSpec] = TypeAdapter(DriveSpec)


class Trips:
    """All trip records of a site.

    Args:
        state_dir: Folder of the store. rows: The journal. reading: The readings.
        quota_mb: Size that the records are kept below. rules: See there. alive: Called now and then, for whoever waits.

    Attributes:
        given_up: Records that went for want of room since start. refused: Folders that are no record of ours, in words.

    Raises:
        OSError: The disk fails.
    """

    def __init__(
        self,
        state_dir: Path,
        rows: Rows,
        reading: TripReading,
        quota_mb: int,
        rules: Rules = RULES,
        alive: Callable[[], None] = lambda: None,
    ) -> None:
        self._dir = state_dir / FOLDER
        self._rows, self._reading, self._rules, self._alive = rows, reading, rules, alive
        self._quota_bytes = quota_mb * 1024 * 1024
        self._open: dict[str, TripFolder] = {}
        self._whole: dict[str, tuple[Record, int]] = {}
        self._known: set[Key] = set()
        self.given_up, self.refused = 0, list[str]()
        self._dir.mkdir(parents=True, exist_ok=True)
        self._find()
        self._cursor = self._kept_cursor()

    def _find(self) -> None:
        """What there is; leftovers of a kill go."""
        for one in given_up(self._dir):
            self._known |= set(one.keys())
            (self._dir / f"{one.name}{SUFFIX}").unlink(missing_ok=True)
        for path in sorted(self._dir.iterdir()):
            try:
                if path.is_dir():
                    self._find_open(path)
                elif path.name.startswith(".") and path.name.endswith(".part"):
                    path.unlink(missing_ok=True)
                elif path.suffix == SUFFIX:
                    self._count(record_in(path), path)
            except (RecordFault, StoreError) as error:
                self.refused.append(f"{path}: {error}")

    def _find_open(self, path: Path) -> None:
        folder = TripFolder.opened(path)
        if folder is None or path.name != folder.record.name:
            return
        if (self._dir / f"{path.name}{SUFFIX}").exists():
            folder.drop()
            return
        self._open[path.name] = folder
        self._known |= set(folder.record.trip.keys())

    def _count(self, record: Record, path: Path) -> None:
        self._whole[record.name] = record, size_of(path)
        self._known |= set(record.trip.keys())

    def _kept_cursor(self) -> int:
        """Journal rows up to this number were looked at."""
        with suppress(OSError, ValueError, KeyError, TypeError):
            kept = json.loads((self._dir / CURSOR).read_text(encoding="utf-8"))
            newest = self._rows.newest_rows(1)
            # A store that was begun anew, or put back, is read from its beginning; what is known is not made again.
            same = not newest or (newest[-1].epoch == kept["epoch"] and newest[-1].seq >= int(kept["seq"]))
            return int(kept["seq"]) if same else 0
        return 0

    @property
    def count(self) -> int:
        """How many records there are."""
        return len(self._open) + len(self._whole)

    # --- one turn -----------------------------------------------------------------------------------------------------

    def turn(self) -> None:
        """Look at what the journal has new, and let grow, end or go what is due.

        Raises:
            StoreError: Journal or readings cannot be read now. OSError: The disk fails. What is done stays done.
        """
        self._follow()
        self._grow()
        self._keep_room()

    def _follow(self) -> None:
        for found, upto in slices(self._rows, self._cursor):
            epoch = found[-1].epoch if found else ""
            for row in found:
                for trip in take(row, [f.record.trip for f in self._open.values()], self._known, self._rules):
                    self._changed(trip)
            self._alive()
            self._cursor = upto
            reach("before-trip-cursor")
            write_whole(self._dir / CURSOR, json.dumps({"epoch": epoch, "seq": self._cursor}) + "\n")

    def _changed(self, trip: Trip) -> None:
        folder = self._open.get(trip.name)
        self._known |= set(trip.keys())
        if folder is not None:
            folder.put(replace(folder.record, trip=trip))
            return
        then = self._reading.settings_at(trip.input_seq)
        if then is None or trip.input_seq < self._reading.seq_span()[0]:
            return  # of a time of which nothing is kept
        spec = then.site.drives.get(trip.drive)
        begin_ms = before_ms(self._rules, spec.turn_ns if spec is not None else 0)
        record = Record(trip, then.site.id, then.site.name, begin_ms)
        reach("before-trip")
        self._open[trip.name] = TripFolder.begin(self._dir, record)
        reach("after-trip")

    # --- growing ------------------------------------------------------------------------------------------------------

    def _grow(self) -> None:
        if not self._open:
            return
        newest = self._reading.newest()
        if newest is None:
            return
        for name, folder in list(self._open.items()):
            self._alive()
            parts = folder.record.parts
            if is_due(folder.record.trip, parts[-1].at if parts else None, newest[1], self._rules):
                self._add(folder, *newest)
            if folder.record.after_ms is not None:
                path = self._dir / f"{name}{SUFFIX}"
                self._count(folder.finish(), path)
                del self._open[name]

    def _add(self, folder: TripFolder, newest_seq: int, now: At) -> None:
        """One part more, up to now or to the record's end."""
        record, trip, reading = folder.record, folder.record.trip, self._reading
        if record.after_ms is not None:
            return  # its end is on disk; only the zip is not
        ends = after_ms(trip, now, self._rules)
        last = record.parts[-1] if record.parts else None
        from_seq = last.to_seq + 1 if last is not None else reading.first_seq(trip, record.before_ms)
        to_seq = reading.last_seq(trip, ends[0], newest_seq) if ends is not None else newest_seq
        bounds = Bounds(from_seq, max(to_seq, from_seq - 1), record.before_ms, ends[0] if ends is not None else None)
        writer = PartWriter(folder.path, len(record.parts) + 1)
        try:
            count, peak, digests = self._readings(trip, bounds, writer)
            rows = before(self._rows, trip, record.before_ms) if last is None else []
            seen = last.last_row if last is not None else trip.row - 1
            rows += since(self._rows, trip, seen, self._cursor, bounds.after_ms)
            writer.events(iter([row_text(row) for row in rows]))
            reach("mid-trip-part")
            files = writer.finish()
        finally:
            writer.close()
        folder.put_settings(self._settings(trip, digests))
        reach("before-trip-part")
        part = Part(bounds.from_seq, bounds.to_seq, now, self._cursor, count, len(rows), files)
        after = grown(record, part, peak, digests)
        after = replace(after, remarks=self._remarks(after, ends is not None))
        folder.put(replace(after, after_ms=ends[0], because=ends[1]) if ends is not None else after)
        reach("after-trip-part")

    def _readings(
        self, trip: Trip, bounds: Bounds, writer: PartWriter
    ) -> tuple[int, Peak | None, list[tuple[str, int]]]:
        count, peak, digests = 0, None, list[tuple[str, int]]()
        for scans in self._reading.scans(trip, bounds):
            writer.readings(scans.endpoint, header_of(scans), lines_of(scans))
            count += len(scans.seq)
            peak = larger(peak, peak_of(scans))
            if not digests or digests[-1][0] != scans.digest:
                digests.append((scans.digest, int(scans.seq[0])))
        return count, peak, digests

    def _remarks(self, record: Record, ends: bool) -> tuple[str, ...]:
        damaged, self._reading.damaged = self._reading.damaged, []
        remarks = [*record.remarks, *(f"readings are missing: {fault}" for fault in damaged)]
        if ends and not record.readings:
            remarks.append(NOTHING)
        return tuple(dict.fromkeys(remarks))

    def _settings(self, trip: Trip, digests: list[tuple[str, int]]) -> dict[str, Any]:
        found: dict[str, Any] = {}
        for digest, _ in digests:
            then = self._reading.settings_of(digest)
            spec = then.site.drives.get(trip.drive) if then is not None else None
            if spec is not None:
                found[digest] = _DRIVE.dump_python(spec, mode="json")
        return found

    # --- room ---------------------------------------------------------------------------------------------------------

    def _keep_room(self) -> None:
        used = sum(size for _, size in self._whole.values()) + sum(size_of(f.path) for f in self._open.values())
        gone = to_give_up(self._whole.values(), used, self._quota_bytes)
        self.given_up += give_up(self._dir, [self._whole[record.name] for record in gone])
        for record in gone:
            del self._whole[record.name]
