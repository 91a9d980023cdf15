"""What people and other programs are shown of alarms and lockouts: plain values, one shape for CLI, MQTT and page."""

from __future__ import annotations

from typing import Any

from nightrake.alarms.book import shown
from nightrake.alarms.life import Life
from nightrake.alarms.lockout import Lockout
from nightrake.alarms.lockoutsteps import RECORDS_ONLY
from nightrake.alarms.records import Alarm
from nightrake.alarms.release import MISSING
from nightrake.alarms.table import RANK, Priority
from nightrake.alarms.view import alarm_view
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
    normal = Life.NORMAL.value
    return sorted(
        views,
        key=lambda v: (
            v["life"] == normal,
            not v["calling"],
            -RANK[Priority(v["priority"])],
            v["since_utc_ms"],
            v["alarm"],
        ),
    )


def lockout_view(state: SiteState, drive: str, mono_ns: int) -> dict[str, Any]:
    """A drive's lockout: what has been reported, by whom, and what is still missing for a release."""
    held: Lockout = state.alarms.lockout_of(drive)
    needs = state.plan.response.lockout.needs
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
        "missing": [MISSING[step] for step in needs if held.is_open and held.last(step) is None],
        "released_by": held.released_by,
        "released_utc_ms": held.released_utc_ms,
        "words": RECORDS_ONLY,
    }


def alarms_summary(state: SiteState) -> dict[str, Any]:
    """How many alarms stand and call somebody, and which drives are locked out or meant to stand."""
    standing = [a for a in shown(state.alarms.book) if a.state.life is not Life.NORMAL]
    alarms = [a for a in standing if (rule := state.plan.rules.of(a.key)) is not None and rule.type.is_alarm]
    return {
        "standing": len(alarms),
        "calling": sum(a.calling for a in alarms),
        "locked_out": [d for d in state.drives if state.alarms.lockout_of(d).is_open],
        "standby": [d for d in state.drives if d in state.alarms.standby or d in state.alarms.scheduled],
    }
