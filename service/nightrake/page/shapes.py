"""Bodies of the HTTP API as OpenAPI documents them, and examples of its answers."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat

Scalar = str | int | FiniteFloat | bool | None


class CommandBody(BaseModel):
    """One command of the person who is signed in."""

    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={
            "examples": [
                {
                    "what": "acknowledge",
                    "drive": "PC1",
                    "direction": "forward",
                    "args": {"alarm": "PC1/forward/alarm_contact", "occurrence": 17},
                }
            ]
        },
    )

    what: str = Field(min_length=1, max_length=32, description="The command, as `may` of the session lists them.")
    drive: str = Field("", max_length=64, description="Id of the drive; empty where it is about none.")
    direction: str = Field("", max_length=32, description="Direction of rotation, where it matters.")
    args: dict[str, Scalar | list[str]] = Field({}, max_length=20, description="What the command needs besides.")


class Done(BaseModel):
    """A command was carried out, or noted and waits for a second person."""

    ok: bool = Field(description="Always true: a refusal is a problem.")
    text: str = Field(description="One sentence: what was done.")
    durable: bool = Field(description="Whether it is on disk already.")


class MenuEntry(BaseModel):
    """Somebody who can sign in."""

    person: str
    name: str
    role: str


class SessionView(BaseModel):
    """Who is signed in."""

    person: str = Field(description="Id; empty when nobody is signed in.")
    name: str
    role: str
    csrf: str = Field(description="Send it as X-CSRF-Token with whatever has an effect.")
    may: list[str] = Field(description="Commands that the role may give.")
    may_sign_in: bool = Field(description="Whether anybody may sign in over this connection.")
    people: list[MenuEntry] = Field(description="Who has a password.")


class ProblemBody(BaseModel):
    """What went wrong (RFC 9457)."""

    type: str = Field(examples=["about:blank"])
    title: str = Field(examples=["Conflict"])
    status: int = Field(examples=[409])
    detail: str = Field(
        description="One sentence.", examples=["PC1/forward/alarm_contact: occurrence 17 is over; 18 stands now"]
    )


DRIVE: dict[str, Any] = {
    "drive": "PC1",
    "name": "Primary clarifier 1",
    "area": "Primary treatment",
    "directions": {"forward": {"state": "normal", "known_now": True}},
    "torque_nm": {"kind": "good", "value": 8120.0, "uncertainty": 210.0, "reason": ""},
    "position_mm": {"kind": "good", "value": 12.4, "reason": ""},
    "alarm_nm": 20000.0,
    "shutdown_nm": 30000.0,
    "read_utc_ms": 1764140400000,
}
SITE: dict[str, Any] = {"id": "fennmark", "name": "Fennmark treatment works", "zone": "Europe/London", "digest": "9f2c"}
ALARM: dict[str, Any] = {
    "alarm": "PC1/forward/alarm_contact",
    "occurrence": 17,
    "drive": "PC1",
    "priority": "high",
    "calling": True,
    "since_utc_ms": 1764140400000,
}
HISTORY: dict[str, Any] = {
    "drive": "PC1",
    "signal": "torque_nm",
    "unit": "N·m",
    "step_ms": 3_600_000,
    "grain": "minute",
    "columns": {
        "utc_s": [1764054000, 1764057600],
        "min": [7900.0, None],
        "mean": [8120.0, None],
        "max": [8400.0, None],
    },
    "notes": [],
}
SIGNALS: dict[str, Any] = {
    "signals": [{"name": "torque_nm", "kind": "torque", "unit": "N·m", "yes_or_no": False}],
    "from_utc_ms": 1733000400000,
    "notes": [],
}
MARKS: dict[str, Any] = {
    "marks": [{"utc_ms": 1764140400000, "kind": "trip", "text": "alarm operated", "seq": 4711}],
    "notes": [],
}
ROWS: dict[str, Any] = {
    "rows": [
        {"seq": 4711, "event": "raised", "kind": "alarm", "drive": "PC1", "utc_ms": 1764140400000, "text": "raised"}
    ],
    "more": True,
    "notes": [],
}
TRIP: dict[str, Any] = {"trip": "PC1-20251126T031500Z", "drive": "PC1", "stage": "shutdown", "utc_ms": 1764126900000}
TRIPS: dict[str, Any] = {"trips": [TRIP], "total": 1, "more": False, "notes": []}
READINGS: dict[str, Any] = {"signals": {"torque_nm": {"grain": "reading", "utc_s": [1764126900.1], "mean": [31200.0]}}}
LOCKOUT: dict[str, Any] = {"drive": "PC1", "open": True, "number": 3, "missing": ["the cause is not stated yet"]}
RECORD: dict[str, Any] = {"directions": [{"direction": "forward", "record": {"ref": "PC1-2025-03"}}], "notes": []}
CREEP_SIDE: dict[str, Any] = {
    "drive": "PC1",
    "direction": "forward",
    "state": "creeping",
    "warning": True,
    "sentence": "Creeps upwards by 3.0 % of shutdown a month (2.5 to 3.5) since about 3 May 2026; ...",
    "level_nm": 23_000.0,
    "slope_percent_month": {"low": 2.5, "mid": 3.0, "high": 3.5},
    "alarm": {"days": {"low": 40.0, "mid": 60.0, "high": None}, "within": {"30": 0.04}, "why_not": ""},
}
CREEP: dict[str, Any] = {
    "judged_utc_ms": 1764140400000,
    "total": 7,
    "skip": 0,
    "warnings": 1,
    "drives": 6,
    "sides": [CREEP_SIDE],
    "report": "creep-2025-11-24.html",
    "reports": [{"name": "creep-2025-11-24.html", "bytes": 410_000}],
    "notes": [],
}
CREEP_OF: dict[str, Any] = {
    "drive": "PC1",
    "sides": [{**CREEP_SIDE, "place": 1, "days": {"utc_ms": [1764054000000], "median_nm": [22_900.0]}}],
    "of": 7,
    "notes": [],
}
SHEET: dict[str, Any] = {"sections": [{"title": "Torque", "rows": [{"label": "Alarm", "si": "32 kN·m", "us": ""}]}]}


def answers(example: Any, *refusals: int) -> dict[int | str, dict[str, Any]]:
    """`responses` of a route: an example, and the statuses with which it may be refused."""
    problem = {"application/problem+json": {"schema": {"$ref": "#/components/schemas/ProblemBody"}}}
    told: dict[int | str, dict[str, Any]] = {200: {"content": {"application/json": {"example": example}}}}
    if example is None:
        told = {}
    return told | {status: {"description": WHY[status], "content": problem} for status in sorted({*refusals, 401})}


WHY = {
    401: "Nobody is signed in, and it needs that.",
    429: "Too many, or too often; Retry-After says how long to wait.",
    403: "The request did not come from a page of this server.",
    404: "There is no such thing.",
    409: "The watch refused, with its own sentence.",
    422: "What was asked is not well formed.",
    503: "The watch, or what is kept, cannot be asked now.",
}
