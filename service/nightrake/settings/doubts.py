"""What is allowed but seldom meant: `nightrake check` names it, nothing is refused for it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from nightrake.domain.calibration import torque_of
from nightrake.domain.reading import Exactness
from nightrake.domain.site import Direction, DriveSpec, Stage
from nightrake.settings.calibrations import CalibrationRecord
from nightrake.settings.models import FolderModel
from nightrake.settings.points import place_of

SET_POINT_SHARE = 0.05
"""A contact's operating point is within this share of its set point (common practice, no source)."""


def doubts(folder: FolderModel, drives: Mapping[str, DriveSpec], records: Sequence[CalibrationRecord]) -> Iterator[str]:
    """One sentence for each."""
    yield from _reference_numbers(folder, drives)
    for drive in drives.values():
        yield from _position_span(drive)
    for record in records:
        if record.drive in drives:
            yield from _record_against_set_points(record, drives[record.drive])


def _reference_numbers(folder: FolderModel, drives: Mapping[str, DriveSpec]) -> Iterator[str]:
    """PDU addresses that look like reference numbers of their own table: a list read in the wrong convention."""
    suspects: dict[str, set[int]] = {}
    for point in (p for d in drives.values() for p in d.points().values() if p.address > 9999):
        place = place_of(point.address)
        if place and place[0] is point.table and folder.plc[point.endpoint].addressing == "pdu":
            suspects.setdefault(point.endpoint, set()).add(point.address)
    for plc_id, addresses in suspects.items():
        like = sorted(addresses)
        shown = ", ".join(str(a) for a in like[:3]) + (" and more" if len(like) > 3 else "")
        yield (
            f"plc.{plc_id}: the PDU addresses {shown} look like classic reference numbers; if they are, set "
            f"addressing = 'reference'"
        )


def _position_span(drive: DriveSpec) -> Iterator[str]:
    position = drive.position
    if position is None:
        return
    lo_mm, hi_mm = sorted((position.lo_mm, position.hi_mm))
    if Direction.REVERSE in drive.directions and lo_mm >= 0.0:
        yield f"drive.{drive.id}: reverse is sensed, but the position never falls below 0 mm; reverse is negative"
    if Direction.FORWARD in drive.directions and hi_mm <= 0.0:
        yield f"drive.{drive.id}: forward is sensed, but the position never rises above 0 mm"


def _record_against_set_points(record: CalibrationRecord, drive: DriveSpec) -> Iterator[str]:
    curve = record.curve
    shutdown_nm = drive.set_point_nm(curve.direction, Stage.SHUTDOWN)
    if shutdown_nm and curve.torque_nm[-1] < shutdown_nm:
        yield (
            f"drive.{drive.id}: record {curve.ref} ends at {curve.torque_nm[-1]:.6g} N.m, below the shutdown torque of "
            f"{shutdown_nm:g}; above its end a reading says only 'beyond'"
        )
    for point in record.contact_points:
        set_nm = drive.set_point_nm(curve.direction, Stage(point.stage))
        reading = torque_of(curve)(point.operating_mm)
        if point.state != "as left" or not set_nm or reading.kind is not Exactness.EXACT or reading.value is None:
            continue
        if abs(reading.value - set_nm) > SET_POINT_SHARE * set_nm:
            yield (
                f"drive.{drive.id}: record {record.curve.ref} left the {point.stage} contact {point.channel} at "
                f"{point.operating_mm:g} mm, which is {reading.value:.0f} N.m, but {point.stage}_nm says {set_nm:g}"
            )
