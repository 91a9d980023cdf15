"""The inputs of ``step``, in one recorded global order. Whatever reaches the core comes as one of these."""

from __future__ import annotations

from collections.abc import Mapping
from enum import IntEnum
from typing import Any, NamedTuple

from nightrake.alarms.response import UNSET, Response
from nightrake.domain.readplan import ReadPlan
from nightrake.domain.site import SiteSpec

NO_FRAME = "no Modbus/TCP frame"
"""How the detail of a garbage reply begins, before the bytes that came."""


class Got(IntEnum):
    """What came of reading one block. The number is stored; never renumber."""

    GOOD = 0
    NO_REPLY = 1  # silence until the timeout
    NO_CONNECTION = 2  # not connected, or the connection broke in mid-request
    EXCEPTION = 3  # the device answered with a Modbus exception; its code is in `detail`
    WRONG_FUNCTION = 4  # reply carries another function code
    WRONG_COUNT = 5  # too few or too many values
    WRONG_TRANSACTION = 6  # reply carries another transaction id (zero included, unless allowed)
    WRONG_UNIT = 7  # reply carries another unit id
    GARBAGE = 8  # bytes that are no Modbus/TCP frame
    UNIT_SILENT = 9  # not asked: this unit stopped answering and is tried only now and then


class BlockReply(NamedTuple):
    """One block of a read plan, as it came back.

    Attributes:
        block: Index into the plan's blocks.
        got: What came of it.
        data: GOOD: registers as big-endian bytes (2 each), or bits packed least significant first with padding bits
            cleared. Otherwise b"".
        mono_ns: Monotonic time at which the reply (or the failure) was there.
        detail: "" when good; else a few words naming what came back, for instance ``exception 2 at 40010``.
    """

    block: int
    got: Got
    data: bytes
    mono_ns: int
    detail: str = ""


class RawScan(NamedTuple):
    """One pass over the blocks of one endpoint that were due.

    Attributes:
        endpoint: Endpoint id.
        plan: The read plan in force, exception splits included; ``plan.layout`` names it in the store.
        mono_ns, utc_ms: When the scan ended.
        blocks: The blocks that were due, in plan order.
    """

    endpoint: str
    plan: ReadPlan
    mono_ns: int
    utc_ms: int
    blocks: tuple[BlockReply, ...]


class Tick(NamedTuple):
    """Time passes, ten times a second, for the whole site."""

    mono_ns: int
    utc_ms: int


class Command(NamedTuple):
    """Something a person asked for.

    Attributes:
        verb: One of `alarms.rights.MAY`.
        drive, direction: Target; direction "" means all sensed directions.
        actor, role, known_by: Who, in what role, and how that is known (``local user``, ...).
        arg: Verb-specific (``test``: seconds as text).
        ref: The caller's own id for the reply.
        args: What the verb needs besides, plain JSON: alarm, occurrence, reason, for_s, remark and so on.
    """

    mono_ns: int
    utc_ms: int
    verb: str
    drive: str
    direction: str
    actor: str
    role: str
    known_by: str
    arg: str = ""
    ref: str = ""
    args: Mapping[str, Any] = {}


class LinkHealth(NamedTuple):
    """A link of ours came up or went down: ``plc:ID``, ``broker``, ``store`` (forwarding) or ``disk``.

    Also ``notice:KIND``: something about the service itself that is to be said in the daytime, or no longer; and
    ``notice:KIND:DRIVE:DIRECTION``, about one sensed direction of a drive.
    """

    mono_ns: int
    utc_ms: int
    link: str
    up: bool
    detail: str = ""


class SettingsChanged(NamedTuple):
    """A whole new site takes the place of the old one, at this step."""

    mono_ns: int
    utc_ms: int
    site: SiteSpec
    response: Response = UNSET


Input = RawScan | Tick | Command | LinkHealth | SettingsChanged
