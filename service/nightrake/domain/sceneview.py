"""What the page is shown of a drive, in two parts: its view, and the measured values that change all the time. Pure.

A view is some kilobytes and changes seldom; values are a few numbers. `look_of` says cheaply whether a view may have
changed without anybody having said so: raw contacts, and kinds of readings, are no news to anybody else.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from nightrake.domain.drive import DriveState
from nightrake.domain.scan import position_read_ns
from nightrake.domain.state import SiteState
from nightrake.domain.view import drive_view
from nightrake.domain.wiring import DriveWire

VALUES = ("torque_nm", "uncertainty_nm", "kind", "position_mm", "read_utc_ms")
"""What stands in a drive's values, in this order."""


def contact_views(wire: DriveWire, drive: DriveState) -> list[dict[str, Any]]:
    """Each contact: id, stage, direction, channel, as read and as it counts (1 operated, 0 released, None not known).

    ``reads`` is None, and ``reason`` says why, while the reading is bad; ``settled`` is what debounce has made of it.
    ``period_ms`` is that of its scan.
    """
    views = []
    for contact, now in zip(wire.contacts, drive.protection.contacts, strict=True):
        spec = contact.spec
        views.append(
            {
                "contact": str(spec.id),
                "stage": str(spec.id.stage),
                "direction": str(spec.id.direction),
                "channel": spec.id.channel,
                "reads": None if now.bad or now.raw < 0 else now.raw,
                "settled": None if now.settled < 0 else now.settled,
                "reason": now.bad,
                "period_ms": spec.point.period_ns / 1e6,
            }
        )
    return views


def scene_view(state: SiteState, drive_id: str, mono_ns: int, utc_ms: int) -> dict[str, Any]:
    """A drive as `drive_view` shows it, with its contacts and ``read_utc_ms``.

    Args:
        state: The site. drive_id: One of its drives. mono_ns, utc_ms: Now.
    """
    view = drive_view(state, drive_id, mono_ns, utc_ms)
    view["contacts"] = contact_views(state.wires[drive_id], state.drives[drive_id])
    view["read_utc_ms"] = read_utc_ms(state, drive_id, mono_ns, utc_ms)
    return view


def read_utc_ms(state: SiteState, drive_id: str, mono_ns: int, utc_ms: int) -> int:
    """When the position was last read, UTC; 0 = never, or there is none."""
    read_ns = position_read_ns(state.wires[drive_id], state.endpoints)
    return utc_ms - (mono_ns - read_ns) // 1_000_000 if read_ns else 0


def values_of(drive: DriveState, read_ms: int) -> list[Any]:
    """The measured values, as `VALUES` names them, rounded as the view has them."""
    torque, position = drive.torque, drive.position
    return [
        None if torque.value is None else round(torque.value, 3),
        None if torque.uncertainty is None else round(torque.uncertainty, 3),
        torque.kind.value,
        None if position.value is None else round(position.value, 3),
        read_ms,
    ]


def look_of(drive: DriveState) -> tuple[Any, ...]:
    """What of a drive's own state its view shows, the measured values apart; equal looks make equal views.

    What lies over the drive, and what only time changes, is not in it.
    """
    kept, torque, position = drive.protection, drive.torque, drive.position
    return (
        torque.kind,
        torque.reason,
        position.kind,
        position.reason,
        drive.side,
        kept.running,
        kept.stop,
        kept.reasons,
        kept.test_until_ns,
        kept.stages,
        tuple((c.raw, c.bad, c.settled) for c in kept.contacts),
    )


def with_values(view: Mapping[str, Any], values: list[Any]) -> dict[str, Any]:
    """A view with newer values put in, as whoever gets both has to do."""
    torque_nm, uncertainty_nm, kind, position_mm, read_ms = values
    return {
        **view,
        "torque_nm": {**view["torque_nm"], "value": torque_nm, "uncertainty": uncertainty_nm, "kind": kind},
        "position_mm": {**view["position_mm"], "value": position_mm},
        "read_utc_ms": read_ms,
    }
