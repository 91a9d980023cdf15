"""Where contacts operated in service, and whether that is still where they were set.

The journal says when: each change of a contact is a row. Where the arm was between the two scans about it comes from
the readings, as long as they are kept; after that from trip records, which hold every scan about a trip; where there is
neither, from the row's position and from how far the arm went in the minutes about it.
"""

from __future__ import annotations

import json
import math
from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Protocol

from nightrake.domain.rows import Row
from nightrake.domain.site import CalibrationCurve, ContactSpec, Direction, DriveSpec, Stage
from nightrake.learning.contactdrift import UNSET, Drift, Operation, SetPoint, drift
from nightrake.learnreading.contactcurves import position_of, slope_at
from nightrake.learnreading.contactplaces import Edge, Placing
from nightrake.learnreading.duty import Overloads
from nightrake.longterm.drivereading import DriveReading

MOST_EDGES = 400
"""Changes of one contact that are kept at hand, the newest."""
EVENTS = (
    "contact_edge",
    "contact_edges_counted",
    "alarm_operated",
    "shutdown_operated",
    "alarm_changes_counted",
    "shutdown_changes_counted",
)
"""Rows of the kind ``drive`` that are looked at."""
AS_LEFT = "as left"


class Proved(Protocol):
    """Where a contact was proved to operate: a contact point of a calibration record."""

    stage: Any
    channel: str
    state: str
    operating_mm: float
    release_mm: float


class ProvedRecord(Protocol):
    """A calibration record with its contact points."""

    @property
    def drive(self) -> str:
        """Of which drive."""

    @property
    def curve(self) -> CalibrationCurve:
        """What converts by it."""

    @property
    def contact_points(self) -> Sequence[Any]:
        """See `Proved`."""


class ContactRows:
    """Goes through rows of the journal once, for all drives; takes any row, looks at `EVENTS` of the kind ``drive``.

    Args:
        drive: Of this drive only, "" = of all. from_utc_ms, to_utc_ms: Rows of this time.
    """

    def __init__(self, drive: str = "", from_utc_ms: int = 0, to_utc_ms: int = 2**62) -> None:
        self._drive, self._from, self._to = drive, from_utc_ms, to_utc_ms
        self._edges: dict[str, deque[Edge]] = {}
        self._overloads: dict[tuple[str, str], Overloads] = {}
        self._counted: dict[tuple[str, str], int] = {}

    def take(self, row: Row) -> None:
        """Look at one row."""
        mine = row.kind == "drive" and row.event in EVENTS and self._drive in ("", row.drive)
        if not mine or not self._from <= row.utc_ms < self._to:
            return
        try:
            data = json.loads(row.payload)
        except (ValueError, TypeError, RecursionError):
            return
        if isinstance(data, dict):
            self._take(row, data)

    def _take(self, row: Row, data: Mapping[str, Any]) -> None:
        key = (row.drive, row.direction)
        if row.event.endswith("_counted"):
            events, told = data.get("events"), data.get("told")
            hidden = events - told if type(events) is int and type(told) is int else 0
            if row.event == "contact_edges_counted":
                self._counted[key] = self._counted.get(key, 0) + max(0, hidden)
            else:
                held = self._overloads.get(key, Overloads())
                self._overloads[key] = held._replace(counted=held.counted + max(0, hidden))
        elif data.get("in_test"):
            return
        elif row.event == "contact_edge":
            self._edge(row, data)
        elif not data.get("since_test"):
            held = self._overloads.get(key, Overloads())
            name = "shutdowns" if row.event == "shutdown_operated" else "alarms"
            self._overloads[key] = held._replace(**{name: getattr(held, name) + 1})

    def _edge(self, row: Row, data: Mapping[str, Any]) -> None:
        contact, operated, seen_mm = data.get("contact"), data.get("operated"), data.get("position_mm")
        if not isinstance(contact, str) or not isinstance(operated, bool):
            return
        place_mm = float(seen_mm) if isinstance(seen_mm, int | float) else float("nan")
        edge = Edge(row.utc_ms, operated, abs(place_mm))
        self._edges.setdefault(contact, deque(maxlen=MOST_EDGES)).append(edge)

    def overloads(self, drive: str, direction: Direction) -> Overloads:
        """Operations of a direction's stages in service."""
        return self._overloads.get((drive, str(direction)), Overloads())

    def edges(self, contact: str) -> Sequence[Edge]:
        """Changes of a contact in service, as they were seen."""
        return tuple(self._edges.get(contact, ()))

    def counted(self, drive: str, direction: Direction) -> int:
        """Changes of its contacts that were counted only."""
        return self._counted.get((drive, str(direction)), 0)


def read_drifts(
    reading: DriveReading,
    spec: DriveSpec,
    rows: ContactRows,
    records: Iterable[ProvedRecord] = (),
    trips: Mapping[str, Sequence[Operation]] | None = None,
    direction: Direction | None = None,
) -> list[Drift]:
    """Judge each contact of a drive.

    Args:
        reading: Of the drive. spec: As it is now. rows: What the journal says. records: Calibration records in force.
        trips: Operations by contact that trip records place (`learnreading.trips`). direction: None = all.
    """
    proved = {(one.drive, one.curve.direction): one for one in records}
    placing = Placing(reading, spec)
    found = []
    for contact in spec.contacts:
        side = contact.id.direction
        if direction not in (None, side):
            continue
        at = set_point(spec, contact, proved.get((spec.id, side)))
        edges = [edge for edge in rows.edges(str(contact.id)) if edge.utc_ms >= at.since_utc_ms]
        operations, remarks = placing.operations(contact, edges, (trips or {}).get(str(contact.id), ()))
        hidden = rows.counted(spec.id, side)
        if hidden:
            remarks.append(f"{hidden} changes of this direction's contacts were counted only and are in no figure.")
        if spec.position is None:
            remarks.append("The drive has no position transducer.")
        found.append(drift(str(contact.id), operations, at, remarks))
    return found


def set_point(spec: DriveSpec, contact: ContactSpec, record: ProvedRecord | None) -> SetPoint:
    """Where a contact is set: as proved in the record in force, else where that record has the set point's torque."""
    side, stage = contact.id.direction, contact.id.stage
    curve = spec.calibrations.get(side)
    if curve is None:
        return UNSET
    shutdown_nm = spec.set_point_nm(side, Stage.SHUTDOWN) or float("nan")
    points = [
        p
        for p in (record.contact_points if record is not None and record.curve.digest == curve.digest else ())
        if (p.stage, p.channel) == (stage, contact.id.channel)
    ]
    points = [p for p in points if p.state == AS_LEFT] or points
    since = curve.valid_from_utc_ms
    if points:
        place_mm, release_mm = abs(points[-1].operating_mm), abs(points[-1].release_mm)
        words = f"proved at {place_mm:.2f} mm, record {curve.ref}"
        return SetPoint(place_mm, release_mm, words, since, slope_at(curve, place_mm), shutdown_nm)
    place_mm = position_of(curve, spec.set_point_nm(side, stage))
    if math.isnan(place_mm):
        return UNSET._replace(since_utc_ms=since)
    words = f"not proved, {place_mm:.2f} mm by record {curve.ref} from the torque it is set to"
    return SetPoint(place_mm, float("nan"), words, since, slope_at(curve, place_mm), shutdown_nm)


__all__ = ["EVENTS", "ContactRows", "Edge", "Proved", "ProvedRecord", "read_drifts", "set_point"]
