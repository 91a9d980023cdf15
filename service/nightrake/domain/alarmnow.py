"""Alarms as `nightrake alarms` lists them: what each said when it came, and beside it how things stand now. Pure."""

from __future__ import annotations

from typing import Any

from nightrake.alarms.book import alarm_of
from nightrake.alarms.keys import parse_key
from nightrake.alarms.view import gone_and_over
from nightrake.domain.alarmview import alarms_view
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
    views = alarms_view(state, mono_ns, utc_ms)
    for view in views:
        key = parse_key(view["alarm"])
        alarm, rule = alarm_of(state.alarms.book, key), state.plan.rules.of(key)
        gone, over = gone_and_over(alarm.state, rule, mono_ns, utc_ms)
        view |= {"now": _now(state, key.drive, utc_ms), "gone_utc_ms": gone, "over_utc_ms": over}
    return views


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
