"""How each trip came: its record, and the hours and days of torque before it."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np

from nightrake.domain.site import ContactSpec, Direction, DriveSpec, Stage
from nightrake.errors import StoreError
from nightrake.history.period import Period
from nightrake.history.rows import DAY_MS, HOUR_MS, Grain
from nightrake.learning.approach import Approach, Happened, Readings, Rows, judge
from nightrake.learning.approachtypes import NO_ROWS
from nightrake.learning.contactdrift import Operation
from nightrake.learnreading.contactplaces import operations_in, role_of
from nightrake.learnreading.soundrows import sound_rows
from nightrake.learnreading.triptracks import Tracks, tracks_of
from nightrake.longterm.summaryreading import SummaryReading
from nightrake.longterm.tripfile import TripFile

HOURS_MS, DAYS_MS = 10 * DAY_MS, 181 * DAY_MS
"""How far back hours and days are looked at."""
LEAST_READINGS = 10
"""Readings in a row for its median to say anything."""
LATE_MS = 2_000
"""An operation may be stamped this much later than the alarm that it raised: contacts of one scan, read one by one."""
HELD_MS = HOUR_MS
"""A contact that operated longer before its alarm than any delay lasts did not raise it."""
SLOW_S = 5.0


class Trips(NamedTuple):
    """Trips of some records.

    Attributes:
        approaches: By time. faults: A sentence for each file that could not be read.
        operations: Changes of contacts about them, by contact, for `learnreading.contacts`.
    """

    approaches: tuple[Approach, ...]
    faults: tuple[str, ...]
    operations: Mapping[str, tuple[Operation, ...]]


def read_trips(
    paths: Iterable[Path], summaries: SummaryReading | None, drive: str = "", period: Period | None = None
) -> Trips:
    """Sort the trips of some records.

    Args:
        paths: Of trip records. summaries: Of the site, None = there are none.
        drive: Trips of this drive, "" = of all. period: Trips in this time, None = all.
    """
    found, faults, operations = list[Approach](), list[str](), dict[str, list[Operation]]()
    checks = 0
    for path in paths:
        if drive and not path.name.startswith(f"{drive}-"):
            continue  # a record's name begins with its drive
        try:
            with TripFile(path) as file:
                trip = file.record.trip
                if drive not in ("", trip.drive) or not (period is None or within(trip.at.utc_ms, period)):
                    continue
                if is_check(file):
                    checks += 1
                    continue
                given, changes = happened(file, summaries)
            found.append(judge(given))
            for contact, some in changes.items():
                operations.setdefault(contact, []).extend(some)
        except StoreError as error:
            if path.exists():  # it may just have been put together, or given up
                faults.append(f"A trip is left out: {error}.")
    if checks:
        faults.append(f"{checks} record{'s' if checks > 1 else ''} of operations in a function check left out.")
    by_time = sorted(found, key=lambda one: one.utc_ms)
    return Trips(tuple(by_time), tuple(faults), {contact: tuple(some) for contact, some in operations.items()})


def within(utc_ms: int, period: Period) -> bool:
    """Whether a moment lies in a period."""
    return period.from_ms <= utc_ms < period.to_ms


def is_check(file: TripFile) -> bool:
    """Whether a record is of an operation in a function check, with torque put on for it.

    Raises:
        StoreError: The record is damaged.
    """
    trip = file.record.trip
    row = next((r for r in file.events() if (r.epoch, r.seq) == (trip.epoch, trip.row)), None)
    try:
        data = json.loads(row.payload) if row is not None else None
    except (ValueError, TypeError, RecursionError):
        return False
    return isinstance(data, dict) and bool(data.get("in_test"))


def happened(file: TripFile, summaries: SummaryReading | None) -> tuple[Happened, Mapping[str, Sequence[Operation]]]:
    """One trip, with all that its approach is judged by, and the changes of contacts about it.

    Raises:
        StoreError: The record is damaged.
    """
    record, trip = file.record, file.record.trip
    drives = list(file.drives().values())
    spec = drives[-1] if drives else None
    side, stage = Direction(trip.direction), Stage(trip.stage)
    met = [_sentence(text) for text in record.remarks]
    met += [] if record.is_whole else ["The record is still open."]
    met += ["The record holds no settings of the drive."] if spec is None else []
    mine = [c for c in spec.contacts if c.id.direction is side] if spec is not None else []
    tracks = tracks_of(file, side, [role_of(contact) for contact in mine], _running_bit(spec))
    at_ms = trip.at.utc_ms + _operated_ms(tracks, [c for c in mine if c.id.stage is stage])
    readings, slow = _readings(tracks, at_ms - trip.at.utc_ms)
    met += slow
    hours, days = NO_ROWS, NO_ROWS
    if summaries is not None:
        hours, days = (rows_before(summaries, trip.drive, side, at_ms, g, met) for g in (Grain.HOUR, Grain.DAY))
    operating_nm = spec.set_point_nm(side, stage) if spec is not None else 0.0
    given = Happened(
        record.name,
        trip.drive,
        str(side),
        str(stage),
        at_ms,
        operating_nm or float("nan"),
        readings,
        hours,
        days,
        tuple(dict.fromkeys(met)),
    )
    return given, operations_in(tracks, mine, trip.at.utc_ms)


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:].rstrip('.')}."


def _running_bit(spec: DriveSpec | None) -> int:
    return spec.running.true_bit if spec is not None and spec.running is not None else 1


def _operated_ms(tracks: Tracks, contacts: Sequence[ContactSpec]) -> int:
    """When the contact operated, ms from the alarm that it raised, after a delay perhaps; 0 where that was not seen."""
    begun = []
    for contact in contacts:
        track = tracks.contacts.get(role_of(contact))
        if track is None:
            continue
        good = ~np.isnan(track.value) & (track.at_ms <= LATE_MS)
        at_ms, operated = track.at_ms[good], track.value[good] == contact.operated_bit
        if not len(at_ms) or not operated[-1]:
            continue
        released = np.flatnonzero(~operated)
        first = int(released[-1]) + 1 if len(released) else 0
        if first and at_ms[first] >= -HELD_MS:
            begun.append(int(at_ms[first]))
    return min(begun, default=0)


def _readings(tracks: Tracks, operated_ms: int) -> tuple[Readings, list[str]]:
    """Readings from the operation on and before, and what limits them."""
    at_s = (tracks.at_ms - operated_ms) / 1000.0
    near = np.diff(at_s[(at_s > -600.0) & (at_s < 60.0)])
    step_s = float(np.median(near)) if len(near) else 0.0
    met = [f"The torque was read every {step_s:.0f} s only."] if step_s > SLOW_S else []
    return Readings(at_s, tracks.torque_nm, tracks.uncertainty_nm, tracks.code, tracks.running), met


def rows_before(
    summaries: SummaryReading, drive: str, side: Direction, utc_ms: int, grain: Grain, damaged: list[str]
) -> Rows:
    """Whole hours or days that end before an operation: those that the motor ran in, or all where that is not known.

    Raises:
        StoreError: The file cannot be read. Damaged days are passed over, and said in `damaged`.
    """
    names = [f"{side}.{group}.{name}" for group in ("running", "all") for name in ("n", "median_nm", "max_nm")]
    codes = [f"{side}.time.{code}" for code in ("exact", "below", "beyond")]
    reach_ms = HOURS_MS if grain is Grain.HOUR else DAYS_MS
    columns: list[list[np.typing.NDArray[np.float64]]] = []
    for rows in sound_rows(summaries, drive, grain, [*names, *codes], Period(utc_ms - reach_ms, utc_ms), damaged):
        table = {name: column.astype(np.float64) for name, column in rows.table.items()}
        columns.append([rows.utc_ms.astype(np.float64), *(table[name] for name in [*names, *codes])])
    if not columns:
        return NO_ROWS
    begin, *rest = (np.concatenate(column) for column in zip(*columns, strict=True))
    has_run = bool(rest[0].sum() > 0)
    n, median_nm, high_nm = rest[0:3] if has_run else rest[3:6]
    exact, below, beyond = rest[6:]
    keep = (n >= LEAST_READINGS) & np.isfinite(median_nm) & (begin + grain.span_ms <= utc_ms)
    at_s = (begin + grain.span_ms / 2.0 - utc_ms) / 1000.0
    is_below = below > 0.5 * (exact + below + beyond)
    return Rows(at_s[keep], median_nm[keep], high_nm[keep], is_below[keep])


__all__ = ["Trips", "happened", "read_trips", "rows_before"]
