"""Shapes of everything that is told over MQTT, and the quick way to make their bytes.

The models are for those who read messages: their JSON Schemas are generated from here. The watch itself writes the
bytes directly (`event_bytes` and the others), and tests hold both to the same shape.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, JsonValue

from nightrake.domain.rows import Row
from nightrake.messages.alarmpayloads import AlarmMessage, OverlayData, PersonMessage
from nightrake.messages.commandpayloads import CommandMessage, ReplyMessage
from nightrake.messages.envelope import Envelope as Envelope
from nightrake.messages.envelope import Shape as Shape
from nightrake.messages.envelope import Stamp as Stamp


class EventData(BaseModel):
    """What an event carries beside the envelope; the keys that many events share stand here, others may come."""

    model_config = ConfigDict(extra="allow", frozen=True)
    __pydantic_extra__: dict[str, JsonValue]

    position_mm: float | None = Field(None, description="Arm position as last read; null: none that can be trusted.")
    position_age_ms: int | None = Field(
        None,
        ge=0,
        description="How long before the event position_mm was read, and so the torque beside it; null: not known.",
    )
    torque_nm: float | None = Field(None, description="Output torque of that position, N.m.")
    torque_is: str = Field("", description="exact, below, beyond or absent")
    torque_uncertainty_nm: float | None = Field(None, description="Expanded uncertainty (95 %), N.m.")
    torque_uncertainty_lacks: list[str] = Field(
        [], description="Sources of uncertainty that the record knows nothing of; left out where there are none."
    )
    running: bool | None = Field(None, description="Run feedback; null: none, or bad.")
    in_test: bool = Field(False, description="True: during a function check. False, or left out: not.")
    locked_out: bool = Field(False, description="True: its drive is locked out. Left out where it is not so.")
    standby: bool = Field(False, description="True: its drive is meant to stand. Left out where it is not so.")
    out_of_service: bool = Field(False, description="True: this alarm is out of service. Left out where it is not so.")
    shelved: bool = Field(False, description="True: this alarm is shelved. Left out where it is not so.")


class EventMessage(Envelope):
    """One row of the journal, on the topic `events`."""

    kind: Literal[
        "drive", "alarm", "call", "lockout", "plc", "link", "command", "settings", "history", "page", "service"
    ]
    data: EventData


class CanaryData(Shape):
    """What a canary carries."""

    instance: str = Field(description="This run of the watch.")
    count: int = Field(ge=1)
    head_seq: int = Field(ge=0, description="Newest journal row known to be on disk; 0: none yet.")
    head_hash: str = Field(description="Its hash, hexadecimal: a journal whose tail was cut does not hold it.")


class CanaryMessage(Envelope):
    """Sent on the topic `events` now and then, and expected back by the watch itself. Others pass over it."""

    kind: Literal["canary"]
    event: Literal["canary"]
    data: CanaryData


class ServiceData(Shape):
    """How the watch is."""

    state: Literal["online", "stopped", "offline"]
    instance: str
    online_since: Stamp


class ServiceMessage(Envelope):
    """Retained on the topic `service`. `offline` is the last will; its `occurred` is when the connection was made."""

    kind: Literal["service"]
    event: Literal["online", "stopped", "offline"]
    data: ServiceData


class ReadingData(Shape):
    """A measured value, or why there is none."""

    kind: str = Field(description="exact, below, beyond or absent")
    value: float | None
    reason: str


class TorqueData(ReadingData):
    """A torque, N.m, with what it is worth."""

    uncertainty: float | None = Field(description="Expanded uncertainty (95 %), N.m; null: the record states none.")
    uncertainty_lacks: list[str] = Field(
        description="Sources of uncertainty that the record knows nothing of, so that `uncertainty` lacks them."
    )
    calibration: str = Field(description="Reference of the calibration record that made it, or empty.")
    overdue: bool = Field(description="True: that record is past its due date.")


class StageData(Shape):
    """One torque stage of one direction."""

    operated: bool | None = Field(description="null: never read since start")
    known_now: bool = Field(description="False: this is the last known state")
    since_utc_ms: int
    degraded: bool
    channels_disagree: bool


class DirectionData(Shape):
    """One sensed direction."""

    state: Literal["normal", "alarm", "shutdown", "unknown"]
    known_now: bool
    known_utc_ms: int = Field(description="Since when it is known; where known_now is false: when it was last known.")
    since_utc_ms: int = Field(description="Since when the state stands; 0: never read.")
    latched: bool
    occurrence: int
    latched_utc_ms: int
    stages: dict[str, StageData]


class DriveData(BaseModel):
    """A drive as it stands; later versions may add keys."""

    model_config = ConfigDict(extra="allow", frozen=True)

    drive: str
    name: str
    area: str
    utc_ms: int
    directions: dict[str, DirectionData]
    leans: str
    torque_nm: TorqueData
    position_mm: ReadingData
    running: bool | None
    stop: str
    quality: str
    reasons: list[str]
    in_test_s: float = Field(description="What is left of a function check, s; 0: it is in none.")
    locked_out: bool = Field(description="A lockout is open: it is not to return until released. It isolates nothing.")
    locked_out_utc_ms: int = Field(description="Since when; 0: it is not locked out.")
    test_run_s: float = Field(description="What is left of a supervised test run, s; 0: there is none.")
    standby: OverlayData | None = Field(description="It is meant to stand: by a person, or `by` is 'schedule'.")
    out_of_service: list[str] = Field(description="Names of its alarms that are out of service.")
    shelved: list[str] = Field(description="Names of its alarms that are shelved.")
    alarm_nm: float
    shutdown_nm: float


class DriveMessage(Envelope):
    """Retained on the topic `drive/{drive}`; an empty message there means that the drive was removed."""

    kind: Literal["state"]
    event: Literal["drive_state"]
    data: DriveData


MESSAGES: dict[str, type[Shape]] = {
    "event": EventMessage,
    "canary": CanaryMessage,
    "service": ServiceMessage,
    "drive": DriveMessage,
    "alarm": AlarmMessage,
    "person": PersonMessage,
    "command": CommandMessage,
    "reply": ReplyMessage,
}
"""Schema name -> model."""


def schema_text(name: str) -> str:
    """The JSON Schema of one of `MESSAGES`, as committed."""
    return json.dumps(MESSAGES[name].model_json_schema(), indent=2, sort_keys=True) + "\n"


def write_schemas(folder: Path) -> list[Path]:
    """Write one JSON Schema for each kind of message.

    Args:
        folder: Made if it is not there.

    Returns:
        The files written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    paths = [folder / f"{name}.json" for name in MESSAGES]
    for path in paths:
        path.write_text(schema_text(path.stem), encoding="utf-8")
    return paths


def stamp(utc_ms: int) -> str:
    """UTC milliseconds as RFC 3339 with three decimals."""
    seconds, ms = divmod(utc_ms, 1000)
    return f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%dT%H:%M:%S}.{ms:03d}Z"


def event_bytes(row: Row, site: str, durable: bool) -> bytes:
    """The message of a journal row. Its payload is canonical JSON already and goes in as it is."""
    head = json.dumps(
        {
            "id": row.id,
            "epoch": row.epoch,
            "seq": row.seq,
            "occurred": stamp(row.utc_ms),
            "expires": None,
            "reply_to": None,
            "correlation": None,
            "durable": durable,
            "site": site,
            "kind": row.kind,
            "event": row.event,
            "drive": row.drive,
            "direction": row.direction,
        },
        separators=(",", ":"),
        ensure_ascii=False,
    )
    return head[:-1].encode() + b',"data":' + row.payload + b"}"


def other_bytes(
    *,
    id: str,
    epoch: str,
    seq: int,
    utc_ms: int,
    site: str,
    kind: str,
    event: str,
    data: Mapping[str, Any],
    drive: str = "",
    direction: str = "",
    expires_utc_ms: int | None = None,
    correlation: str | None = None,
    durable: bool = True,
) -> bytes:
    """The message of something that is no journal row: a state, a canary, a reply.

    Args:
        id: Its own identity; never that of an event.
        epoch, seq: The journal's life and the newest number told or due, so that a receiver sees a gap.
        utc_ms: Now. expires_utc_ms: When it loses its meaning, or None.
        correlation: Id of the message that it answers, or None. durable: What it tells is on disk.

    Raises:
        ValueError: `data` holds NaN or infinity.
    """
    return json.dumps(
        {
            "id": id,
            "epoch": epoch,
            "seq": seq,
            "occurred": stamp(utc_ms),
            "expires": None if expires_utc_ms is None else stamp(expires_utc_ms),
            "reply_to": None,
            "correlation": correlation,
            "durable": durable,
            "site": site,
            "kind": kind,
            "event": event,
            "drive": drive,
            "direction": direction,
            "data": data,
        },
        separators=(",", ":"),
        ensure_ascii=False,
        allow_nan=False,
    ).encode()
