"""What people and other programs are shown of alarms and lockouts: plain values, one shape for CLI, MQTT and page."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from nightrake.alarms.book import shown
from nightrake.alarms.flood import IN_FLOOD
from nightrake.alarms.life import Life
from nightrake.alarms.lockout import Lockout
from nightrake.alarms.lockoutsteps import RECORDS_ONLY
from nightrake.alarms.records import Alarm
from nightrake.alarms.release import missing
from nightrake.alarms.rights import first_words
from nightrake.alarms.standby import standing
from nightrake.alarms.table import RANK, Priority
from nightrake.alarms.view import alarm_view, overlay_view
from nightrake.domain.latches import seen_for_release
from nightrake.domain.state import SiteState


def listed_view(state: SiteState, alarm: Alarm, mono_ns: int, utc_ms: int) -> dict[str, Any]:
    """One alarm as it is listed for people: as retained, with what to do and when the next call is due.

    Args:
        state: The site. alarm: one of its alarms, of a kind that there is. mono_ns, utc_ms: now.
    """
    rule = state.plan.rules.of(alarm.key)
    assert rule is not None
    call = state.alarms.calls.running.get(str(alarm.key))
    return {
        **alarm_view(alarm, rule, call, mono_ns, utc_ms),
        "drive": alarm.key.drive,
        "is_alarm": rule.type.is_alarm,
        "first_response": list(rule.instructions),
        "cause": rule.cause,
        "consequence": rule.consequence,
    }


def alarms_view(state: SiteState, mono_ns: int, utc_ms: int) -> list[dict[str, Any]]:
    """Every alarm that is not at rest: what calls first, then by priority, the oldest first; last what is put aside."""
    there = [a for a in shown(state.alarms.book) if state.plan.rules.of(a.key) is not None]
    views = [listed_view(state, a, mono_ns, utc_ms) for a in there]
    return sorted(views, key=order_of)


def order_of(view: Mapping[str, Any]) -> tuple[Any, ...]:
    """Where an alarm stands in the list: what calls, by priority, the oldest first; last what is put aside."""
    normal, rank = view["life"] == Life.NORMAL.value, -RANK[Priority(view["priority"])]
    return normal, not view["calling"], rank, view["since_utc_ms"], view["alarm"]


def lockout_view(state: SiteState, drive: str, mono_ns: int) -> dict[str, Any]:
    """A drive's lockout: what has been reported, by whom, and all that stands against a release now."""
    held: Lockout = state.alarms.lockout_of(drive)
    return {
        "drive": drive,
        "number": held.number,
        "open": held.is_open,
        "opened_utc_ms": held.opened_utc_ms,
        "because": held.because,
        "locks": [lock._asdict() for lock in held.locks],
        "reports": [
            {"step": str(r.step), "by": r.by, "role": r.role, "utc_ms": r.utc_ms, "remark": r.remark, **r.detail}
            for r in sorted(held.reports.values(), key=lambda r: r.order)
        ],
        "in_charge": held.in_charge,
        "test_run_s": round((held.run_until_ns - mono_ns) / 1e9, 1) if held.in_test_run(mono_ns) else 0.0,
        "missing": _against(state, held, mono_ns) if held.is_open else [],
        "cancelled": held.cancelled,
        "released_by": held.released_by,
        "released_utc_ms": held.released_utc_ms,
        "words": RECORDS_ONLY,
    }


def _against(state: SiteState, held: Lockout, mono_ns: int) -> list[str]:
    """What a supervisor would be told now, and who has asked for the release already."""
    alarms = state.alarms
    seen = seen_for_release(state, alarms, held.drive, mono_ns)
    asked = first_words(alarms.seconds, "release", f"{held.drive}/{held.number}/{held.tripped_at}\n", mono_ns)
    words = [
        f"{first.who.actor} has asked for the release; another person confirms it within "
        f"{max(1, round((first.until_ns - mono_ns) / 60e9))} min"
        for first in asked
    ]
    return [*missing(held, state.plan.response.lockout, seen, "", mono_ns), *words]


def over_drive(state: SiteState, drive: str, mono_ns: int, utc_ms: int) -> dict[str, Any]:
    """What lies over a drive: its lockout, standby, and alarms of it that somebody has put aside.

    Args:
        state: The site. drive: One of its drives. mono_ns, utc_ms: Now.
    """
    held: Lockout = state.alarms.lockout_of(drive)
    subject = state.alarms.book.subjects.get(drive)
    lying = {text: alarm.overlays for text, alarm in subject.alarms.items()} if subject is not None else {}
    return {
        "locked_out": held.is_open,
        "locked_out_utc_ms": held.opened_utc_ms if held.is_open else 0,
        "test_run_s": round((held.run_until_ns - mono_ns) / 1e9, 1) if held.in_test_run(mono_ns) else 0.0,
        "standby": _standby(state, drive, utc_ms),
        "out_of_service": sorted(text for text, over in lying.items() if over.out_of_service is not None),
        "shelved": sorted(text for text, over in lying.items() if over.shelved is not None),
    }


def _standby(state: SiteState, drive: str, utc_ms: int) -> dict[str, Any] | None:
    """Why a drive is meant to stand, and until when; None = it is not."""
    by_command = state.alarms.standby.get(drive)
    if by_command is not None or drive not in state.alarms.scheduled:
        return overlay_view(by_command)
    utc_s = utc_ms // 1000
    spans = standing(state.plan.response.schedule_of(drive), utc_s, utc_s + 1)
    since_s, until_s = spans[0] if spans else (utc_s, utc_s)
    return {"by": "schedule", "reason": "", "since_utc_ms": since_s * 1000, "until_utc_ms": until_s * 1000}


def alarms_summary(state: SiteState) -> dict[str, Any]:
    """How many alarms stand and call somebody, which drives are locked out or meant to stand, and a flood of alarms."""
    standing = [a for a in shown(state.alarms.book) if a.state.life is not Life.NORMAL]
    alarms = [a for a in standing if (rule := state.plan.rules.of(a.key)) is not None and rule.type.is_alarm]
    flood = state.alarms.book.flood
    used_up = {text for text, call in state.alarms.calls.running.items() if call.is_used_up}
    return {
        "standing": len(alarms),
        "calling": sum(a.calling and str(a.key) not in used_up for a in alarms),
        "locked_out": [d for d in state.drives if state.alarms.lockout_of(d).is_open],
        "standby": [d for d in state.drives if d in state.alarms.standby or d in state.alarms.scheduled],
        "flood_since_utc_ms": flood.since_utc_ms if flood.active else 0,
        "flood_count": flood.total if flood.active else 0,
        "held_back": sum(a.withheld == IN_FLOOD for a in alarms),
    }
