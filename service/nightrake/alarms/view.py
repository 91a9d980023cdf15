"""One alarm as it is shown: plain JSON values, for the retained state, the command line and the page. Pure."""

from __future__ import annotations

from typing import Any

from nightrake.alarms.calls import Escalation
from nightrake.alarms.life import ACTIVE, AlarmState
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
        "shelved": overlay_view(lying.shelved),
        "out_of_service": overlay_view(lying.out_of_service),
        "suppressed": lying.suppressed,
        "suppressed_utc_ms": lying.suppressed_utc_ms,
        "withheld": alarm.withheld or (_why_over(call) if alarm.calling else ""),
        "calling": alarm.calling and not (call is not None and call.is_used_up),
        "told": list(told[:TOLD]),
        "told_count": len(told),
        "next_call_utc_ms": utc_ms + (next_ns - now_ns) // 1_000_000 if next_ns else 0,
        "facts": dict(alarm.facts),
    }


def _why_over(call: Escalation | None) -> str:
    """Why nobody is called any more for an alarm that nobody has answered; "" = somebody is."""
    if call is None or not call.is_used_up:
        return ""
    return "its rounds of calls are used up" if call.step >= 0 else "the site has no steps for its priority"


def overlay_view(overlay: Overlay | None) -> dict[str, Any] | None:
    """What a person has laid over something: who, why, from when to when at the latest; None where there is nothing."""
    if overlay is None:
        return None
    return {
        "by": overlay.by,
        "reason": overlay.reason,
        "since_utc_ms": overlay.since_utc_ms,
        "until_utc_ms": overlay.until_utc_ms,
    }


def gone_and_over(state: AlarmState, rule: AlarmRule | None, mono_ns: int, utc_ms: int) -> tuple[int, int]:
    """Since when an alarm's condition is gone although it is active, and when that is over, in UTC; (0, 0): it holds.

    Args:
        mono_ns, utc_ms: Now.
    """
    if rule is None or state.life not in ACTIVE or state.condition is not False or not state.since_ns:
        return 0, 0
    gone_ms = (mono_ns - state.since_ns) // 1_000_000
    left_ms = (state.since_ns + rule.off_delay_ns - mono_ns) // 1_000_000
    return utc_ms - gone_ms, utc_ms + max(0, left_ms)
