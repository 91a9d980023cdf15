"""The list of alarms as the page gets it: piece by piece, each only when something of its alarm has changed. Pure.

In a flood a thousand alarms stand, of which a few change at a time: those that have not are neither looked at nor
written out anew.
"""

from __future__ import annotations

import json
from typing import Any, NamedTuple

from nightrake.alarms.calls import Escalation
from nightrake.alarms.records import Alarm
from nightrake.alarms.rules import AlarmRule
from nightrake.domain.alarmnow import alarm_now
from nightrake.domain.alarmview import order_of
from nightrake.domain.state import SiteState

RENEW_NS = 10_000_000_000
"""What only time changes, and the torque beside an alarm, are written out anew so often."""


class Listed(NamedTuple):
    """One alarm as it was written out.

    Attributes:
        made_of: What it was made of; the same again needs no new text. made_ns: When.
        order: Where it stands. text: JSON.
    """

    made_of: tuple[Any, ...]
    made_ns: int
    order: tuple[Any, ...]
    text: str


def listed(state: SiteState, alarm: Alarm, before: Listed | None, mono_ns: int, utc_ms: int) -> Listed | None:
    """One alarm of `alarms_now`, as text; None: there is no such kind any more.

    Args:
        state: The site. alarm: One of its alarms. before: As it was written out last. mono_ns, utc_ms: Now.
    """
    rule = state.plan.rules.of(alarm.key)
    if rule is None:
        return None
    made_of = _made_of(state, alarm, rule)
    if before is not None and mono_ns - before.made_ns < RENEW_NS and _is_same(before.made_of, made_of):
        return before
    view = alarm_now(state, alarm, mono_ns, utc_ms)
    return Listed(made_of, mono_ns, order_of(view), json.dumps(view, separators=(",", ":")))


def _made_of(state: SiteState, alarm: Alarm, rule: AlarmRule) -> tuple[Any, ...]:
    call: Escalation | None = state.alarms.calls.running.get(str(alarm.key))
    drive = state.drives.get(alarm.key.drive)
    runs = (drive.protection.running, drive.protection.stop) if drive is not None else None
    return alarm, rule, call, runs


def _is_same(before: tuple[Any, ...], now: tuple[Any, ...]) -> bool:
    """The parts are values that are never changed in place, so mostly they are the very same objects."""
    return all(a is b for a, b in zip(before, now, strict=True)) or before == now
