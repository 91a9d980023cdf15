"""What is allowed but seldom meant: `nightrake check` names it, nothing is refused for it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from nightrake.domain.calibration import torque_of
from nightrake.domain.reading import Exactness
from nightrake.domain.recordstep import is_altered, step_between
from nightrake.domain.site import Direction, DriveSpec, Stage
from nightrake.settings.calibrations import CalibrationRecord, Records
from nightrake.settings.models import FolderModel
from nightrake.settings.points import place_of

SET_POINT_SHARE = 0.05
"""A contact's operating point is within this share of its set point (common practice, no source)."""
MOST_NAMED = 5


def doubts(folder: FolderModel, drives: Mapping[str, DriveSpec], records: Records) -> Iterator[str]:
    """One sentence for each."""
    yield from _reference_numbers(folder, drives)
    for drive in drives.values():
        yield from _position_span(drive)
    for record in records.in_force:
        if record.drive in drives:
            yield from _record_against_set_points(record, drives[record.drive])
        yield from _record_against_before(record, records)
    yield from _unused_records(records)


def _record_against_before(record: CalibrationRecord, records: Records) -> Iterator[str]:
    """A record that says another torque than the one before it of the same device, which is not said to be altered."""
    if is_altered(record.table.remarks):
        return
    key = (record.drive, record.device_serial, record.curve.direction)
    older = [
        r for r, _ in records.unused
        if (r.drive, r.device_serial, r.curve.direction) == key and r.made_on <= record.made_on
    ]  # fmt: skip
    superseded = [r for r in older if r.curve.ref == record.table.supersedes]
    before = superseded or sorted(older, key=lambda r: (r.made_on, r.curve.ref))[-1:]
    step = step_between(before[0].curve, record.curve) if before else None
    if step is not None:
        yield f"drive.{record.drive}: record {record.curve.ref}: {step.text}"


def _unused_records(records: Records) -> Iterator[str]:
    """Record files that nobody's torque comes from, those of one drive and direction in one sentence."""
    force = {(r.drive, r.curve.direction): r.curve.ref for r in records.in_force}
    unused: dict[tuple[str, Direction], list[str]] = {}
    for record, why in records.unused:
        unused.setdefault((record.drive, record.curve.direction), []).append(f"{record.curve.ref} ({why})")
    for key, named in unused.items():
        shown = ", ".join(named[:MOST_NAMED]) + (f" and {len(named) - MOST_NAMED} more" if named[MOST_NAMED:] else "")
        used = f"{force[key]} is" if key in force else "no record is"
        more = "" if key in force else "; until it is proved ('nightrake prove') it shows no torque"
        yield f"drive.{key[0]}: {used} in force for {key[1]}; not used: {shown}{more}"


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
