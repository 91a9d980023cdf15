"""A proving session of the device of `stands`, to be spoiled by tests: points, and edges of two contacts."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from nightrake.cli.prove_result import Proved, prove
from nightrake.commissioning.points import CalibrationPoint
from nightrake.commissioning.proving import (
    AS_FOUND,
    AS_LEFT,
    About,
    ContactEdge,
    Point,
    Session,
    begun,
    contacts_adjusted,
    edge_seen,
    point_taken,
    session_of,
)
from nightrake.domain.site import DriveSpec
from unit.commissioning.proofs import drive_of
from unit.commissioning.stands import points

TODAY = datetime.date(2026, 11, 26)
ABOUT = About("D", "forward", "S", "F. Example", ambient_c=20.0, reference_uncertainty_pct=0.3)
ALARM_MM, SHUTDOWN_MM = 14.95, 19.95
"""Where a rising load of 32 and of 40 kN.m takes the arm of `stands.points`."""


def edges(
    stage: str, operated: Sequence[float], released: Sequence[float], *, channel: str = "A", state: str = AS_FOUND
) -> list[ContactEdge]:
    """Operations and releases of one contact, each place known to a hundredth of a mm."""
    return [
        ContactEdge(stage, channel, up, x, 0.01, True, state)
        for up, places in ((True, operated), (False, released))
        for x in places
    ]


def good(state: str = AS_FOUND) -> list[ContactEdge]:
    """Both contacts, once each, where they should be."""
    shutdown = edges("shutdown", [SHUTDOWN_MM], [SHUTDOWN_MM - 0.4], state=state)
    return [*edges("alarm", [ALARM_MM], [ALARM_MM - 0.4], state=state), *shutdown]


def session(
    seen: Sequence[ContactEdge], taken: Sequence[CalibrationPoint] | None = None, about: About = ABOUT
) -> Session:
    """What was found, then (where there is any) the adjustment and what was left."""
    rows = points() if taken is None else taken
    found = [e for e in seen if e.state == AS_FOUND]
    left = [e for e in seen if e.state == AS_LEFT]
    return session_of(
        [
            begun(about, 0),
            *(point_taken(Point(n, p.torque_nm, p.position_mm, p.branch, p.run)) for n, p in enumerate(rows, 1)),
            *(edge_seen(e) for e in found),
            *([contacts_adjusted()] if left else []),
            *(edge_seen(e) for e in left),
        ]
    )


def drive(**changed: Any) -> DriveSpec:
    """The drive."""
    return replace(drive_of(0.002), **changed)


def proved(
    seen: Sequence[ContactEdge] | None = None,
    taken: Sequence[CalibrationPoint] | None = None,
    about: About = ABOUT,
    of: DriveSpec | None = None,
    **more: Any,
) -> Proved:
    """Proved as `nightrake prove` does it."""
    return prove(session(good() if seen is None else seen, taken, about), of or drive(), TODAY, "D-1", **more)
