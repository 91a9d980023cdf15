"""A drive's facts for its alarms, taken from what the core knows of it. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from nightrake.alarms.judges import Facts
from nightrake.domain.debounce import UNKNOWN
from nightrake.domain.drive import DriveState
from nightrake.domain.reading import Exactness
from nightrake.domain.rows import Entry
from nightrake.domain.wiring import DriveWire


def facts_of(wire: DriveWire, state: DriveState, now_ns: int, utc_ms: int) -> Facts:
    """What a drive's own state says. The rest is put in by the caller: links, what holds it, lockout, standby.

    Args:
        wire: The drive's slots. state: as it is after the step. now_ns, utc_ms: the step's time.
    """
    protection, spec = state.protection, wire.spec
    return Facts(
        stages=protection.stages,
        torque=state.torque,
        leans=state.side,
        position_bad=wire.position >= 0 and state.position.kind is Exactness.ABSENT,
        running_bad=wire.running >= 0 and protection.running == UNKNOWN,
        running=protection.running,
        stop=protection.stop,
        stop_direction=protection.stop_direction,
        in_test=protection.test_until_ns > now_ns,
        overdue=tuple(
            (curve := spec.calibrations.get(side)) is not None and 0 < curve.due_utc_ms <= utc_ms
            for side in spec.directions
        ),
        data=_data(wire, state),
    )


def _data(wire: DriveWire, state: DriveState) -> dict[str, Any]:
    torque, protection = state.torque, state.protection
    curve = wire.spec.calibrations.get(state.side)
    lacks = curve.not_in_budget if curve is not None and torque.value is not None else ()
    return {
        "torque_nm": torque.value,
        "torque_is": torque.kind.value,
        "torque_uncertainty_nm": torque.uncertainty,
        **({"torque_uncertainty_lacks": list(lacks)} if lacks else {}),
        "position_mm": state.position.value,
        "running": None if protection.running == UNKNOWN else bool(protection.running),
        "stop": protection.stop,
    }


def momentary_of(entries: Iterable[Entry], drive: str) -> tuple[str, ...]:
    """Directions whose shutdown has operated between two scans in this step, outside a function check."""
    return tuple(
        str(e.direction)
        for e in entries
        if e.drive == drive and e.event == "shutdown_operated" and e.data.get("momentary") and not e.data.get("in_test")
    )
