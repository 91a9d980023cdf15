"""What people and other programs are shown of a drive: plain values, one shape for status, MQTT and the live table."""

from __future__ import annotations

from typing import Any

from nightrake.alarms.book import alarm_of
from nightrake.alarms.keys import AlarmKey
from nightrake.alarms.life import ACTIVE, LATCHED
from nightrake.domain.alarmview import over_drive
from nightrake.domain.debounce import UNKNOWN
from nightrake.domain.reading import Reading, worst
from nightrake.domain.site import CalibrationCurve, Stage
from nightrake.domain.state import SiteState


def drive_state(alarm: int, shutdown: int) -> str:
    """Plain fact of one direction: normal, alarm, shutdown, or unknown (never read since start).

    Args:
        alarm, shutdown: 1 operated, 0 released, -1 never known; a stage without contacts counts as 0.
    """
    if shutdown == 1:
        return "shutdown"
    if alarm == 1:
        return "alarm"
    return "unknown" if UNKNOWN in (alarm, shutdown) else "normal"


def reading_view(reading: Reading) -> dict[str, Any]:
    """A reading as plain values: kind, value, reason."""
    value = None if reading.value is None else round(reading.value, 3)
    return {"kind": reading.kind.value, "value": value, "reason": reading.reason}


def torque_view(reading: Reading, curve: CalibrationCurve | None, utc_ms: int) -> dict[str, Any]:
    """A torque as plain values, with its uncertainty and the record that made it.

    Args:
        reading: The torque. curve: The record of the direction that the arm leans to, or None. utc_ms: Now.
    """
    uncertainty = None if reading.uncertainty is None else round(reading.uncertainty, 3)
    made = curve if curve is not None and reading.value is not None else None
    return {
        **reading_view(reading),
        "uncertainty": uncertainty,
        "uncertainty_lacks": list(made.not_in_budget) if made else [],
        "calibration": made.ref if made else "",
        "overdue": made is not None and 0 < made.due_utc_ms <= utc_ms,
    }


def drive_view(state: SiteState, drive_id: str, mono_ns: int, utc_ms: int) -> dict[str, Any]:
    """One drive as it stands.

    Args:
        state: The site. drive_id: One of its drives.
        mono_ns, utc_ms: Now, for remaining times.
    """
    wire, drive = state.wires[drive_id], state.drives[drive_id]
    spec, protection = wire.spec, drive.protection
    running = protection.running
    left_ns = protection.test_until_ns - mono_ns
    return {
        "drive": drive_id,
        "name": spec.name,
        "area": spec.area,
        "utc_ms": utc_ms,
        "directions": {str(side): _direction_view(state, drive_id, str(side)) for side in spec.directions},
        "leans": str(drive.side),
        "torque_nm": torque_view(drive.torque, spec.calibrations.get(drive.side), utc_ms),
        "position_mm": reading_view(drive.position),
        "running": None if running == UNKNOWN else bool(running),
        "stop": protection.stop,
        "quality": worst(protection.reasons).value,
        "reasons": [r.text for r in protection.reasons],
        "in_test_s": round(left_ns / 1e9, 1) if protection.test_until_ns and left_ns > 0 else 0.0,
        **over_drive(state, drive_id, mono_ns, utc_ms),
        "alarm_nm": spec.set_point_nm(drive.side, Stage.ALARM),
        "shutdown_nm": spec.set_point_nm(drive.side, Stage.SHUTDOWN),
    }


def _direction_view(state: SiteState, drive_id: str, side: str) -> dict[str, Any]:
    wire, protection = state.wires[drive_id], state.drives[drive_id].protection
    stages = {w.stage: s for w, s in zip(wire.stages, protection.stages, strict=True) if w.direction == side}
    operated = [stages[s].operated if s in stages else 0 for s in (Stage.ALARM, Stage.SHUTDOWN)]
    alarm = alarm_of(state.alarms.book, AlarmKey(drive_id, side, "shutdown_contact")).state
    latched = alarm.life in ACTIVE or alarm.life in LATCHED
    lost = [s.known_utc_ms for s in stages.values() if not s.known]
    # An alarm that comes or goes while the shutdown stands does not make that any younger.
    holds = [stages[Stage.SHUTDOWN]] if operated[1] == 1 else list(stages.values())
    return {
        "state": drive_state(operated[0], operated[1]),
        "known_now": not lost,
        "known_utc_ms": min(lost) if lost else max((s.known_utc_ms for s in stages.values()), default=0),
        "since_utc_ms": max((s.since_utc_ms for s in holds), default=0),
        "latched": latched,
        "occurrence": alarm.occurrence,
        "latched_utc_ms": alarm.raised_utc_ms if latched else 0,
        "stages": {
            str(stage): {
                "operated": None if s.operated == UNKNOWN else bool(s.operated),
                "known_now": s.known,
                "since_utc_ms": s.since_utc_ms,
                "degraded": s.degraded,
                "channels_disagree": s.differ_told,
            }
            for stage, s in stages.items()
        },
    }
