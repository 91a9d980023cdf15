"""What is marked in a drive's history: set points in force, and events of the journal."""

from __future__ import annotations

from typing import NamedTuple

from nightrake.alarms.keys import parse_key
from nightrake.alarms.table import ALARM_TYPES
from nightrake.alarms.told import fact_of, gap_of
from nightrake.cli.history_read import DriveHistory
from nightrake.cli.journal_wanted import searching
from nightrake.domain.rows import Row
from nightrake.domain.site import DriveSpec, Stage
from nightrake.errors import StoreError
from nightrake.history.gaps import TOLD_AFTER_MS, Gap
from nightrake.history.period import Period
from nightrake.journal.search import Wanted
from nightrake.settings import Settings

MOST = 400
"""Events taken; of more the first."""
DRIVE_EVENTS = ("shutdown_operated", "alarm_operated", "reset", "test_began", "test_ended")
_LOCKOUT = {"opened": "lockout opened", "released": "lockout released"}


class Event(NamedTuple):
    """Something to be marked.

    Attributes:
        utc_ms: When. text: In a few words. urgent: About a shutdown.
    """

    utc_ms: int
    text: str
    urgent: bool


class Marks(NamedTuple):
    """What is marked.

    Attributes:
        set_points: Name and torque, N.m, reverse negative. events: In order.
    """

    set_points: list[tuple[str, float]]
    events: list[Event]


def marks_of(settings: Settings, drive: DriveHistory, period: Period) -> Marks:
    """Marks of a drive in a period, after its readings were read; a store without a journal has no events."""
    events: list[Event] = []
    wanted = Wanted(drive.drive, ("alarm", "lockout"), DRIVE_EVENTS, *period)
    try:
        with searching(settings) as search:
            for row in search.rows(wanted):
                event = _event(row)
                if event is not None:
                    events.append(event)
                if len(events) >= MOST:
                    break
    except StoreError:
        if drive.summaries is None:
            raise
    spec = drive.last_spec or settings.site.drives.get(drive.drive)
    return Marks(set_points_of(spec), sorted(events))


def gaps_of(settings: Settings, drive: DriveHistory, period: Period) -> list[Gap]:
    """Times in which nobody watched; a store without a journal tells of none."""
    wanted = Wanted("", ("service",), (), period.from_ms, period.to_ms + TOLD_AFTER_MS)
    try:
        with searching(settings) as search:
            found = [gap_of(fact_of(row)) for row in search.rows(wanted)]
    except StoreError:
        if drive.summaries is None:
            raise
        return []
    return [gap for gap in found if gap is not None]


def set_points_of(spec: DriveSpec | None) -> list[tuple[str, float]]:
    """Names and torques, N.m."""
    found: list[tuple[str, float]] = []
    for direction in spec.directions if spec is not None else ():
        for stage in Stage:
            nm = spec.set_point_nm(direction, stage) if spec is not None else 0.0
            if nm:
                name = f"{stage} {direction}" if spec is not None and len(spec.directions) > 1 else str(stage)
                found.append((name, -nm if direction == "reverse" else nm))
    return found


def _event(row: Row) -> Event | None:
    fact = fact_of(row)
    if row.kind == "alarm":
        try:
            key = parse_key(fact.text("alarm"))
        except ValueError:
            return None
        if row.event not in ("raised", "raised_again") or key.kind in ("alarm_contact", "shutdown_contact"):
            return None  # contacts are marked by the drive's own events
        title = ALARM_TYPES[key.kind].title if key.kind in ALARM_TYPES else key.kind
        return Event(row.utc_ms, title, row.urgent)
    if row.kind == "lockout":
        return Event(row.utc_ms, _LOCKOUT[row.event], True) if row.event in _LOCKOUT else None
    side = f" {row.direction}" if row.direction == "reverse" else ""
    return Event(row.utc_ms, row.event.replace("_", " ") + side, row.urgent)
