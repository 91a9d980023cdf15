"""Whether a point can be true: its torque beside what the drive is built for, the arm beside where it should be."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from nightrake.commissioning.proving import About, Session
from nightrake.commissioning.sheet import Side, make_sheet
from nightrake.commissioning.stated import read_specification
from nightrake.domain.calibration import torque_of
from nightrake.domain.reading import Exactness
from nightrake.domain.site import CalibrationCurve, Direction, DriveSpec, Stage
from nightrake.errors import CalibrationError

TOO_MUCH = 1.5
"""Times the highest torque that the drive is built or set for (common practice, no source)."""
LEAST_SHARE = 0.1
"""An arm that made less of its expected way than this has not moved; friction alone leaves more of it."""
FAR_OFF = 3.0
"""Times the uncertainty of the record in force by which a point may lie off it, beside the contacts' tolerance."""
LEAST_STILL = 4.0
"""The way expected has to be this many times what passes as standing still before anything is said."""
UNKNOWN_SHARE = 0.1
"""Where neither record nor specification says how far the arm goes: a change of torque by this share of shutdown."""


@dataclass(frozen=True, slots=True)
class Plausible:
    """What is known of a drive's direction before it is proved.

    Attributes:
        direction: Proved. limit_nm: the higher of shutdown torque and gear rating, 0 = neither is known.
        shutdown_nm: 0 = not stated. tolerance_nm: how far off a contact may operate.
        record: in force, None = there is none.
        travel: (torque N.m, arm mm), both rising, from the preload on; empty = not known.
    """

    direction: str
    limit_nm: float = 0.0
    shutdown_nm: float = 0.0
    travel: tuple[tuple[float, float], ...] = ()
    tolerance_nm: float = 0.0
    record: CalibrationCurve | None = None

    def must_have_sign(self, torque_nm: float, position_mm: float = 0.0) -> None:
        """What no record of this direction takes.

        Raises:
            CalibrationError: The torque or the position has the other direction's sign.
        """
        if self.direction != Direction.REVERSE and (torque_nm < 0.0 or position_mm < 0.0):
            raise CalibrationError("not taken: torque and position of the forward direction are not negative")
        if self.direction == Direction.REVERSE and position_mm > 0.0:
            raise CalibrationError(
                "not taken: the position is positive; positions of the reverse direction are negative"
            )

    def too_much(self, torque_nm: float) -> str:
        """Why a torque can hardly have been applied; "" where it can."""
        if not self.limit_nm or abs(torque_nm) <= TOO_MUCH * self.limit_nm:
            return ""
        return (
            f"{abs(torque_nm) / 1000:.1f} kN.m is {abs(torque_nm) / self.limit_nm:.3g} times the highest of shutdown "
            f"torque and gear rating ({self.limit_nm / 1000:.1f} kN.m); are value, unit and lever right?"
        )

    def unmoved(self, session: Session, torque_nm: float, position_mm: float, still_mm: float) -> str:
        """Why the arm does not show this torque, since the last point or since rest; "" where it may."""
        last = session.points[-1] if session.points else None
        from_nm, from_mm = (abs(last.torque_nm), abs(last.position_mm)) if last else (0.0, 0.0)
        to_nm, moved_mm = abs(torque_nm), abs(abs(position_mm) - from_mm)
        if self.travel:
            expected_mm = abs(self._travel_mm(to_nm) - self._travel_mm(from_nm))
            doubtful = expected_mm > LEAST_STILL * still_mm and moved_mm <= max(still_mm, LEAST_SHARE * expected_mm)
            more = f", about {expected_mm:.2f} mm were expected"
        else:
            doubtful = bool(self.shutdown_nm) and last is not None and moved_mm <= still_mm
            doubtful = doubtful and abs(to_nm - from_nm) > UNKNOWN_SHARE * self.shutdown_nm
            more = ""
        if not doubtful:
            return ""
        since = f"point {last.number} ({from_nm / 1000:.3g} kN.m)" if last else "its rest"
        return (
            f"the arm has moved {moved_mm:.2f} mm since {since}{more}: is {to_nm / 1000:.3g} kN.m really applied, and "
            "is the arm free?"
        )

    def off_record(self, about: About, torque_nm: float, position_mm: float) -> str:
        """Why torque and position do not belong together by the record in force; "" where they may.

        A device that is said to be altered is another one for this.
        """
        if self.record is None or about.altered:
            return ""
        says = torque_of(self.record)(position_mm)
        if says.value is None:
            return ""
        off_nm = abs(torque_nm) - says.value
        if says.kind is Exactness.BELOW:
            off_nm = max(0.0, off_nm)
        elif says.kind is Exactness.BEYOND:
            off_nm = min(0.0, off_nm)
        uncertainty_nm = says.uncertainty or 0.0
        if abs(off_nm) <= FAR_OFF * uncertainty_nm + self.tolerance_nm:
            return ""
        sign = {Exactness.BELOW: "less than ", Exactness.BEYOND: "more than "}.get(says.kind, "")
        return (
            f"by the record in force, {self.record.ref}, the arm at {abs(position_mm):.2f} mm means "
            f"{sign}{says.value / 1000:.2f} kN.m (+-{uncertainty_nm / 1000:.2f}): is {abs(torque_nm) / 1000:.4g} kN.m "
            "really applied, and are unit and lever right?"
        )

    def _travel_mm(self, torque_nm: float) -> float:
        """Where the arm is expected: on the straight line between what is known, held at both ends."""
        if torque_nm <= self.travel[0][0]:
            return self.travel[0][1]
        for (t0, x0), (t1, x1) in pairwise(self.travel):
            if torque_nm <= t1:
                return x0 + (x1 - x0) * (torque_nm - t0) / (t1 - t0)
        return self.travel[-1][1]


def plausible(
    drive: DriveSpec, direction: str, specification: Mapping[str, Any] | None, tolerance_pct: float = 0.0
) -> Plausible:
    """What settings, specification and record in force say.

    Args:
        specification: The drive's specification as its table, None = it has none.
        tolerance_pct: How far off its set point a contact may operate, % of it.
    """
    shutdown_nm = drive.set_point_nm(Direction(direction), Stage.SHUTDOWN)
    side, rating_nm = None, 0.0
    if specification is not None:
        stated, _ = read_specification(drive, specification)
        rating_nm = stated.gear_rating_nm or 0.0
        side = make_sheet(stated).sides.get(Direction(direction))
    curve = drive.calibrations.get(Direction(direction))
    travel = _of_record(curve) if curve is not None else _of_sheet(side) if side is not None else ()
    highest_nm = shutdown_nm or (curve.torque_nm[-1] if curve is not None else 0.0)
    tolerance_nm = abs(highest_nm) * tolerance_pct / 100.0
    return Plausible(direction, max(shutdown_nm, rating_nm), shutdown_nm, travel, tolerance_nm, curve)


def _of_record(curve: CalibrationCurve) -> tuple[tuple[float, float], ...]:
    """Below its first point the arm goes on as between the first two, down to its stop."""
    points = [(abs(t), abs(x)) for t, x in zip(curve.torque_nm, curve.position_mm, strict=True)]
    (t0, x0), (t1, x1) = points[:2]
    held_nm = t0 - x0 * (t1 - t0) / (x1 - x0)
    return _rising([(held_nm, 0.0), *points])


def _of_sheet(side: Side) -> tuple[tuple[float, float], ...]:
    return _rising([(side.dead_zone_nm, 0.0), *((t, 1000.0 * x) for x, t in side.curve)]) if side.rises else ()


def _rising(points: list[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
    kept = [points[0]]
    kept += [b for a, b in pairwise(points) if b[0] > a[0] and b[1] > a[1]]
    return tuple(kept)
