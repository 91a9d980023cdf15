"""Alarms as `nightrake alarms` lists them: what each said when it came, and beside it how things stand now. Pure."""

from __future__ import annotations

from typing import Any

from nightrake.alarms.book import shown
from nightrake.alarms.records import Alarm
from nightrake.alarms.view import gone_and_over
from nightrake.domain.alarmview import listed_view, order_of
from nightrake.domain.debounce import UNKNOWN
from nightrake.domain.state import SiteState
from nightrake.domain.view import torque_view


def alarms_now(state: SiteState, mono_ns: int, utc_ms: int) -> list[dict[str, Any]]:
    """The alarms of `alarms_view`, each with ``now``, ``gone_utc_ms`` and ``over_utc_ms``.

    Args:
        state: The site. mono_ns, utc_ms: Now.

    Returns:
        ``now``: torque, run feedback and stop of its drive, None where it is about no drive. ``gone_utc_ms``: since
        when its condition is gone although it is still active, ``over_utc_ms``: when it is over then; 0 = not so.
    """
    there = [a for a in shown(state.alarms.book) if state.plan.rules.of(a.key) is not None]
    return sorted((alarm_now(state, a, mono_ns, utc_ms) for a in there), key=order_of)


def alarm_now(state: SiteState, alarm: Alarm, mono_ns: int, utc_ms: int) -> dict[str, Any]:
    """One of `alarms_now`.

    Args:
        alarm: Of a kind that there is.
    """
    gone, over = gone_and_over(alarm.state, state.plan.rules.of(alarm.key), mono_ns, utc_ms)
    view = listed_view(state, alarm, mono_ns, utc_ms)
    return view | {"now": _now(state, alarm.key.drive, utc_ms), "gone_utc_ms": gone, "over_utc_ms": over}


def _now(state: SiteState, drive_id: str, utc_ms: int) -> dict[str, Any] | None:
    drive = state.drives.get(drive_id)
    if drive is None:
        return None
    curve = state.wires[drive_id].spec.calibrations.get(drive.side)
    running = drive.protection.running
    return {
        "torque_nm": torque_view(drive.torque, curve, utc_ms),
        "running": None if running == UNKNOWN else bool(running),
        "stop": drive.protection.stop,
    }
