"""Example scenes of the invented Fennmark works for the page's tests: what the watch would tell, as plain values."""

from __future__ import annotations

import math
from typing import Any

from nightrake.alarms.table import ALARM_TYPES
from nightrake.page.hours import Hours
from nightrake.page.scene import Scene

NOW_MS = 1_795_662_845_000
"""2026-11-26 03:14:05 UTC."""
MINUTE = 60_000
PEOPLE = {
    "night1": {"name": "Night shift operator", "role": "operator"},
    "drives": {"name": "Engineer who answers for the drives", "role": "engineer"},
    "super1": {"name": "Shift supervisor", "role": "supervisor"},
    "fitter1": {"name": "Maintenance fitter", "role": "maintenance"},
}
DRIVES = (
    ("PC1", "Primary clarifier 1", "primary", 32_000.0, 40_000.0, 17_200.0),
    ("PC2", "Primary clarifier 2", "primary", 32_000.0, 40_000.0, 15_900.0),
    ("SC1", "Secondary clarifier 1", "secondary", 24_000.0, 30_000.0, 8_400.0),
    ("SC2", "Secondary clarifier 2", "secondary", 24_000.0, 30_000.0, 9_100.0),
    ("GT1", "Gravity thickener", "sludge", 90_000.0, 112_500.0, 61_000.0),
    ("SCR1", "Screw conveyor", "sludge", 3_200.0, 4_000.0, 1_450.0),
)


def drive(
    name: str, label: str, area: str, alarm_nm: float, shutdown_nm: float, torque_nm: float | None, **more: Any
) -> dict[str, Any]:
    """A drive view as `domain.sceneview.scene_view` makes them, all well unless told otherwise."""
    side = {
        "state": "normal",
        "known_now": True,
        "known_utc_ms": NOW_MS,
        "since_utc_ms": NOW_MS - 900 * MINUTE,
        "latched": False,
        "occurrence": 0,
        "latched_utc_ms": 0,
        "stages": {
            s: {"operated": False, "known_now": True, "since_utc_ms": 0, "degraded": False, "channels_disagree": False}
            for s in ("alarm", "shutdown")
        },
    }
    both = name == "GT1"
    contacts = [
        {
            "contact": f"{d}/{s}/A",
            "stage": s,
            "direction": d,
            "channel": "A",
            "reads": 0,
            "settled": 0,
            "reason": "",
            "period_ms": 250.0,
        }
        for d in (("forward", "reverse") if both else ("forward",))
        for s in ("alarm", "shutdown")
    ]
    view = {
        "drive": name,
        "name": label,
        "area": area,
        "utc_ms": NOW_MS,
        "directions": {"forward": side, "reverse": dict(side)} if both else {"forward": side},
        "leans": "forward",
        "torque_nm": {
            "kind": "exact" if torque_nm is not None else "absent",
            "value": torque_nm,
            "reason": "",
            "uncertainty": None if torque_nm is None else round(0.015 * shutdown_nm, 1),
            "uncertainty_lacks": ["hysteresis"] if name == "SCR1" else [],
            "calibration": f"{name}-2026-04",
            "overdue": False,
        },
        "position_mm": {"kind": "exact", "value": 11.37, "reason": ""},
        "running": True,
        "stop": "",
        "quality": "good",
        "reasons": [],
        "in_test_s": 0.0,
        "locked_out": False,
        "locked_out_utc_ms": 0,
        "test_run_s": 0.0,
        "standby": None,
        "out_of_service": [],
        "shelved": [],
        "alarm_nm": alarm_nm,
        "shutdown_nm": shutdown_nm,
        "contacts": contacts,
        "read_utc_ms": NOW_MS - 400,
    }
    return view | more


def side_of(view: dict[str, Any], **more: Any) -> dict[str, Any]:
    """A view whose forward direction is different."""
    return view | {"directions": {**view["directions"], "forward": view["directions"]["forward"] | more}}


def alarm(subject: str, kind: str, **more: Any) -> dict[str, Any]:
    """An alarm as `domain.alarmnow.alarms_now` lists them: unacknowledged for two minutes, one person told."""
    known = ALARM_TYPES[kind]
    direction = "forward" if known.scope == "direction" else ""
    is_drive = not subject.startswith("plc:") and subject != "site"
    view = {
        "alarm": f"{subject}/{direction or '-'}/{kind}",
        "subject": subject,
        "direction": direction,
        "kind": kind,
        "channel": "",
        "title": known.title,
        "life": "unacknowledged",
        "state": "active, unacknowledged",
        "letter": "B",
        "occurrence": 3,
        "priority": str(known.priority),
        "since_utc_ms": NOW_MS - 2 * MINUTE,
        "changed_utc_ms": NOW_MS - 2 * MINUTE,
        "acked_by": "",
        "acked_utc_ms": 0,
        "repeats_with_rotation": False,
        "chattering": False,
        "shelved": None,
        "out_of_service": None,
        "suppressed": "",
        "suppressed_utc_ms": 0,
        "withheld": "",
        "calling": known.is_alarm,
        "told": ["night1"] if known.is_alarm else [],
        "told_count": 1 if known.is_alarm else 0,
        "next_call_utc_ms": NOW_MS + 3 * MINUTE if known.is_alarm else 0,
        "facts": {},
        "drive": subject if is_drive else "",
        "is_alarm": known.is_alarm,
        "first_response": list(known.first_response),
        "cause": known.cause,
        "consequence": known.consequence,
        "now": {"torque_nm": None, "running": True, "stop": ""} if is_drive else None,
        "gone_utc_ms": 0,
        "over_utc_ms": 0,
    }
    return view | more


def acknowledged(view: dict[str, Any], person: str = "night1") -> dict[str, Any]:
    """The same, after somebody has acknowledged it a minute ago; it calls again in 24 min."""
    return view | {
        "life": "acknowledged",
        "acked_by": person,
        "acked_utc_ms": NOW_MS - MINUTE,
        "calling": False,
        "next_call_utc_ms": NOW_MS + 24 * MINUTE,
    }


def row(seq: int, kind: str, event: str, drive_id: str = "", ago_s: int = 60, **data: Any) -> dict[str, Any]:
    """A journal row as `status.row_view` gives it."""
    return {
        "id": f"e-{seq}",
        "seq": seq,
        "kind": kind,
        "event": event,
        "drive": drive_id,
        "direction": "forward" if drive_id else "",
        "utc_ms": NOW_MS - ago_s * 1000,
        "boot_id": "b",
        "mono_ns": 0,
        "data": data,
    }


def lockout(**more: Any) -> dict[str, Any]:
    """An open lockout as `domain.alarmview.lockout_view` gives it: isolated, nothing else reported."""
    from nightrake.alarms.lockoutsteps import RECORDS_ONLY, LockoutStep
    from nightrake.alarms.release import MISSING

    reported = {"step": "isolation_reported", "by": "fitter1", "role": "maintenance", "utc_ms": NOW_MS - 20 * MINUTE}
    view = {
        "drive": "PC1",
        "number": 2,
        "open": True,
        "opened_utc_ms": NOW_MS - 48 * MINUTE,
        "because": "PC1/forward/shutdown_contact",
        "locks": [{"person": "fitter1", "number": "17", "on_utc_ms": 1, "off_utc_ms": 0, "off_by": "", "unlisted": 0}],
        "reports": [{**reported, "remark": "isolator Q3", "lock_number": "17"}],
        "in_charge": "",
        "test_run_s": 0.0,
        "missing": [
            "the shutdown contact is still operated (forward/shutdown/A)",
            *(MISSING[s] for s in list(LockoutStep)[1:6]),
            "fitter1 has not reported their own lock 17 as removed",
        ],
        "cancelled": False,
        "released_by": "",
        "released_utc_ms": 0,
        "words": RECORDS_ONLY,
    }
    return view | more


def scene(
    drives: dict[str, dict[str, Any]] | None = None, alarms: tuple[dict[str, Any], ...] = (), **more: Any
) -> Scene:
    """A scene that is live, with an hour of torque behind it."""
    made = Scene()
    there = {d[0]: drive(*d) for d in DRIVES} | (drives or {})
    made.apply(
        {
            "at": NOW_MS,
            "site": {
                "id": "fennmark",
                "name": "Fennmark works",
                "zone": "Europe/London",
                "digest": "d1",
                "epoch": "e1",
                "drives": [{"id": d, "name": v["name"], "area": v["area"]} for d, v in there.items()],
                "people": PEOPLE,
                "causes": ["heavy blanket", "obstacle", "ice", "fault of the device"],
                "needs": [
                    "isolation_reported",
                    "zero_energy_reported",
                    "cause",
                    "cleared",
                    "contacts_proved",
                    "area_clear",
                ],
                "two_persons": [],
            },
            "drives": there,
            "alarms": list(alarms),
            "service": {
                "links": {"broker": {"up": True, "detail": ""}},
                "plcs": {"PLCA": {"up": True, "detail": ""}},
                **more,
            },
        }
    )
    made.back()
    hours = Hours()
    for n, view in enumerate(there.values()):
        torque = view["torque_nm"]["value"]
        for minute in range(60) if torque is not None else ():
            swing = 1 + 0.06 * math.sin(minute / 4 + n) - 0.2 * (59 - minute) / 60 * (torque > 0.75 * view["alarm_nm"])
            hours.note(view["drive"], NOW_MS - (59 - minute) * MINUTE, torque * swing)
    setattr(made, "hours", hours)
    return made


def calm() -> Scene:
    """All is well; one drive is in standby."""
    standby = {"by": "super1", "reason": "tank empty", "since_utc_ms": NOW_MS, "until_utc_ms": NOW_MS + 300 * MINUTE}
    rest = {"SC2": drive(*DRIVES[3][:5], 0.0, standby=standby, running=False)}
    return scene(rest)


def in_alarm() -> Scene:
    """Two alarms, one acknowledged; a transducer out of its limits; one alarm shelved, one notice."""
    facts = {"torque_nm": 33_100.0, "torque_is": "exact", "torque_uncertainty_nm": 600.0, "running": True, "stop": ""}
    over = {"by": "night1", "reason": "feed pump test", "since_utc_ms": NOW_MS, "until_utc_ms": NOW_MS + 50 * MINUTE}
    pc1 = side_of(drive(*DRIVES[0][:5], 34_300.0), state="alarm", since_utc_ms=NOW_MS - 2 * MINUTE)
    sc1 = drive(*DRIVES[2][:5], 22_300.0)
    sc2 = drive(*DRIVES[3], quality="out of specification", reasons=["position: over range", "in doubt"])
    screw = drive(*DRIVES[5], shelved=["SCR1/forward/torque_rising"])
    return scene(
        {"PC1": pc1, "SC1": sc1, "SC2": sc2, "SCR1": screw},
        (
            alarm("PC1", "alarm_contact", facts=facts),
            acknowledged(alarm("SC1", "torque_high")),
            alarm(
                "SCR1",
                "torque_rising",
                life="normal",
                calling=False,
                told=[],
                told_count=0,
                shelved=over,
                next_call_utc_ms=0,
            ),
            alarm("GT1", "calibration_due"),
        ),
    )


def shut_down() -> Scene:
    """One shutdown nobody has answered, one locked out, one alarm."""
    facts = {"torque_nm": 40_900.0, "torque_is": "exact", "torque_uncertainty_nm": 600.0, "running": True, "stop": ""}
    pc2 = side_of(drive(*DRIVES[1][:5], 38_800.0, running=False, stop="confirmed"), state="shutdown", latched=True)
    pc1 = side_of(
        drive(*DRIVES[0][:5], 36_400.0, running=False, stop="confirmed", locked_out=True),
        state="shutdown",
        latched=True,
    ) | {"locked_out_utc_ms": NOW_MS - 48 * MINUTE}
    for view in (pc1, pc2):
        view["contacts"][1].update(reads=1, settled=1)
    return scene(
        {"PC1": pc1, "PC2": pc2},
        (
            alarm(
                "PC2", "shutdown_contact", facts=facts, now={"torque_nm": None, "running": False, "stop": "confirmed"}
            ),
            acknowledged(alarm("PC1", "shutdown_contact", facts=facts, occurrence=2)),
            acknowledged(alarm("SC1", "torque_high"), "super1"),
        ),
    )


def plc_lost() -> Scene:
    """The PLC of three drives is silent."""
    lost = {
        d[0]: side_of(
            drive(*d[:5], None, running=None, quality="failure", reasons=["PLC does not answer"]),
            known_now=False,
            known_utc_ms=NOW_MS - 3 * MINUTE,
        )
        for d in DRIVES[2:5]
    }
    return scene(
        lost,
        (alarm("plc:PLCB", "plc_silent", facts={"plcs": ["PLCB"], "unwatched": 3, "drives": ["SC1", "SC2", "GT1"]}),),
        plcs={"PLCA": {"up": True, "detail": ""}, "PLCB": {"up": False, "detail": "no answer"}},
    )


def many(count: int = 200) -> Scene:
    """Many drives, a few of them not well."""
    drives = {
        f"R{n:03}": drive(f"R{n:03}", f"Rake {n}", "field", 32_000.0, 40_000.0, 12_000.0 + 90.0 * n)
        for n in range(count)
    }
    drives["R007"] = side_of(drives["R007"], state="alarm")
    return scene(drives, (alarm("R007", "alarm_contact"), acknowledged(alarm("R100", "torque_high"))))
