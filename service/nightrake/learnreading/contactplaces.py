"""Where the arm stood when a contact changed: by readings, by trip records, or by the minutes about it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from nightrake.domain.site import ContactSpec, DriveSpec
from nightrake.errors import StoreError
from nightrake.history.histogram import Floats
from nightrake.history.period import Period
from nightrake.history.rows import MINUTE_MS, Grain
from nightrake.history.series import positions
from nightrake.learning.contactdrift import RECORD, ROWS, Operation, Track, placed, seen_late
from nightrake.learnreading.contactcurves import place_within
from nightrake.learnreading.soundrows import sound_rows
from nightrake.learnreading.triptracks import Tracks
from nightrake.longterm.drivereading import DriveReading

MOST_PLACED = 60
"""Changes of one contact that are placed, the newest; each costs a look into the readings about it."""
SAME_MS = 3_000
"""A row and a scan that lie so near each other are about the same change."""
AROUND_MS = 30_000
LONGEST_MS = 30_000
"""Between two readings that still belong together."""


class Edge(NamedTuple):
    """A change of a contact as the journal has it: when, what, and the arm's position then (magnitude, NaN = none)."""

    utc_ms: int
    operated: bool
    seen_mm: float


class Placing:
    """Places changes of one drive's contacts.

    Args:
        reading: Of the drive. spec: As it is now.
    """

    def __init__(self, reading: DriveReading, spec: DriveSpec) -> None:
        self._reading, self._spec = reading, spec
        self._period_ms = spec.position.point.period_ns / 1e6 if spec.position is not None else 1_000.0
        self._longest_ms = int(max(LONGEST_MS, 5 * self._period_ms))

    def operations(
        self, contact: ContactSpec, edges: Sequence[Edge], trips: Sequence[Operation] = ()
    ) -> tuple[list[Operation], list[str]]:
        """Changes with their places, and what limits them.

        Args:
            edges: In order of time. trips: Changes of this contact that trip records place.
        """
        remarks: list[str] = []
        if len(edges) > MOST_PLACED:
            remarks.append(f"Of {len(edges)} changes the newest {MOST_PLACED} are looked at.")
        found: list[Operation] = []
        try:
            found += (self._placed(contact, edge, trips) for edge in edges[-MOST_PLACED:])
        except StoreError as error:
            remarks.append(f"Not all of it could be read: {error}.")
        return found, remarks

    def _placed(self, contact: ContactSpec, edge: Edge, trips: Sequence[Operation]) -> Operation:
        return self._by_readings(contact, edge) or _nearest(trips, edge) or self._by_rows(contact, edge)

    def _by_readings(self, contact: ContactSpec, edge: Edge) -> Operation | None:
        bits = self._track(role_of(contact), edge.utc_ms)
        if not len(bits.utc_ms):
            return None
        operated = _operated(bits.value, contact)
        position = self._track("position", edge.utc_ms)
        spec = self._spec.position
        mm = np.abs(positions(position.value, spec)) if spec is not None else np.full(len(position.value), np.nan)
        return _nearest(placed(Track(bits.utc_ms, operated), Track(position.utc_ms, mm), self._longest_ms), edge)

    def _track(self, role: str, utc_ms: int) -> Track:
        around_ms = max(AROUND_MS, self._longest_ms)
        some = list(self._reading.history.samples(self._spec.id, role, utc_ms - around_ms, utc_ms + around_ms))
        stamps = np.concatenate([np.empty(0, np.int64), *(one.utc_ms for one in some)])
        value = np.concatenate([np.empty(0), *(one.value for one in some)])
        order = np.argsort(stamps, kind="stable")
        return Track(stamps[order], value[order])

    def _by_rows(self, contact: ContactSpec, edge: Edge) -> Operation:
        """Bounded by the lowest (of a release the highest) torque of the minute of the row and the one before."""
        side, curve = contact.id.direction, self._spec.calibrations.get(contact.id.direction)
        name = f"{side}.all.{'min' if edge.operated else 'max'}_nm"
        period = Period(edge.utc_ms - MINUTE_MS, edge.utc_ms + 1)
        summaries = self._reading.summaries
        values = [np.empty(0)]
        if summaries is not None:
            values += [r.table[name] for r in sound_rows(summaries, self._spec.id, Grain.MINUTE, [name], period, [])]
        nm = np.concatenate(values).astype(np.float64)
        nm = nm[np.isfinite(nm)]
        if not len(nm) or curve is None:
            nothing = float("nan")
            return Operation(
                edge.utc_ms, edge.operated, nothing, nothing, nothing, nothing, ROWS, "no reading about it is kept"
            )
        other_mm = place_within(curve, float(nm.min() if edge.operated else nm.max()))
        return seen_late(edge.utc_ms, edge.operated, edge.seen_mm, other_mm, self._period_ms / MINUTE_MS)


def _nearest(some: Sequence[Operation], edge: Edge) -> Operation | None:
    """The one that a row is about."""
    near = [o for o in some if o.operated == edge.operated and abs(o.utc_ms - edge.utc_ms) <= SAME_MS]
    return min(near, key=lambda o: abs(o.utc_ms - edge.utc_ms), default=None)


def operations_in(tracks: Tracks, contacts: Sequence[ContactSpec], trip_utc_ms: int) -> dict[str, list[Operation]]:
    """Every change of some contacts in a trip record, by contact.

    Args:
        tracks: Of the record, these contacts' among them. trip_utc_ms: What their times count from.
    """
    position, found = Track((tracks.at_ms + trip_utc_ms).astype(np.int64), tracks.position_mm), {}
    for contact in contacts:
        track = tracks.contacts.get(role_of(contact))
        if track is not None:
            bits = Track((track.at_ms + trip_utc_ms).astype(np.int64), _operated(track.value, contact))
            found[str(contact.id)] = placed(bits, position, LONGEST_MS, RECORD)
    return found


def role_of(contact: ContactSpec) -> str:
    """Its role among the drive's points."""
    return f"contact:{contact.id.direction}/{contact.id.stage}/{contact.id.channel}"


def _operated(value: Floats, contact: ContactSpec) -> Floats:
    """1 operated, 0 released, NaN not read well."""
    return np.where(np.isnan(value), np.nan, (value == contact.operated_bit).astype(np.float64))
