"""One alarm as it is shown: plain JSON values, for the retained state, the command line and the page. Pure."""

from __future__ import annotations

from typing import Any

from nightrake.alarms.calls import Escalation
from nightrake.alarms.overlays import Overlay
from nightrake.alarms.records import Alarm
from nightrake.alarms.rules import AlarmRule

TOLD = 30
"""People named at most; the rest is a number."""


def alarm_view(alarm: Alarm, rule: AlarmRule, call: Escalation | None, now_ns: int, utc_ms: int) -> dict[str, Any]:
    """An alarm that stands, or has something over it.

    Args:
        call: Its escalation, None = there is none. now_ns, utc_ms: Now, for moments to come.
    """
    state, lying = alarm.state, alarm.overlays
    told = call.told if call is not None else ()
    next_ns = call.next_ns if call is not None else 0
    return {
        "alarm": str(alarm.key),
        "subject": alarm.key.subject,
        "direction": alarm.key.direction,
        "kind": alarm.key.kind,
        "channel": alarm.key.channel,
        "title": rule.type.title,
        "life": state.life.value,
        "state": alarm.name.value,
        "letter": alarm.name.letter,
        "occurrence": state.occurrence,
        "priority": rule.priority.value,
        "since_utc_ms": state.raised_utc_ms,
        "changed_utc_ms": state.changed_utc_ms,
        "acked_by": state.acked_by,
        "acked_utc_ms": state.acked_utc_ms,
        "repeats_with_rotation": state.rotating,
        "chattering": alarm.chatter.active,
        "shelved": _overlay(lying.shelved),
        "out_of_service": _overlay(lying.out_of_service),
        "suppressed": lying.suppressed,
        "suppressed_utc_ms": lying.suppressed_utc_ms,
        "withheld": alarm.withheld,
        "calling": alarm.calling,
        "told": list(told[:TOLD]),
        "told_count": len(told),
        "next_call_utc_ms": utc_ms + (next_ns - now_ns) // 1_000_000 if next_ns else 0,
        "facts": dict(alarm.facts),
    }


def _overlay(overlay: Overlay | None) -> dict[str, Any] | None:
    if overlay is None:
        return None
    return {
        "by": overlay.by,
        "reason": overlay.reason,
        "since_utc_ms": overlay.since_utc_ms,
        "until_utc_ms": overlay.until_utc_ms,
    }
