"""Inputs to bytes and back, for the hot tail: what was read, so that it can be read again bit for bit. Pure.

A scan is its blocks one after the other: index, outcome, how long before the scan's end the reply was there, data and
detail, each with its length. Other inputs are canonical JSON. The tail record's own columns carry the stamps, the
endpoint and the layout; the settings themselves stand in the store under their digest.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Callable

from nightrake.alarms.response import Response
from nightrake.domain.inputs import BlockReply, Command, Got, Input, LinkHealth, RawScan, SettingsChanged, Tick
from nightrake.domain.readplan import ReadPlan
from nightrake.domain.rows import TailRecord, canonical
from nightrake.domain.site import SiteSpec

_HEAD = struct.Struct("<HBqHH")  # block, outcome, ns before the scan's end, data bytes, detail bytes
_GOT = {int(got): got for got in Got}


def pack_scan(scan: RawScan) -> bytes:
    """The payload of one scan."""
    parts = []
    for block, got, data, mono_ns, detail in scan.blocks:
        text = detail.encode(errors="replace")[:65535] if detail else b""
        parts.append(_HEAD.pack(block, got, scan.mono_ns - mono_ns, len(data), len(text)))
        parts.append(data)
        if text:
            parts.append(text)
    return b"".join(parts)


def unpack_scan(record: TailRecord, plan: ReadPlan) -> RawScan:
    """The scan of a tail record, under the plan that its layout names.

    Raises:
        ValueError: The payload is cut or runs over.
    """
    payload, at, blocks = record.payload, 0, []
    while at < len(payload):
        if at + _HEAD.size > len(payload):
            raise ValueError(f"scan {record.seq}: payload is cut")
        block, got, ago_ns, size, text_size = _HEAD.unpack_from(payload, at)
        at += _HEAD.size
        end = at + size + text_size
        if end > len(payload):
            raise ValueError(f"scan {record.seq}: payload is cut")
        if got not in _GOT:
            raise ValueError(f"scan {record.seq}: outcome {got} is none")
        text = payload[at + size : end].decode(errors="replace") if text_size else ""
        blocks.append(BlockReply(block, _GOT[got], payload[at : at + size], record.mono_ns - ago_ns, text))
        at = end
    return RawScan(record.endpoint, plan, record.mono_ns, record.utc_ms, tuple(blocks))


def to_record(seq: int, given: Input) -> TailRecord:
    """The tail record of any input."""
    if isinstance(given, RawScan):
        return TailRecord(seq, "scan", given.endpoint, given.plan.layout, given.mono_ns, given.utc_ms, pack_scan(given))
    if isinstance(given, Tick):
        return TailRecord(seq, "tick", "", "", given.mono_ns, given.utc_ms, b"")
    if isinstance(given, Command):
        return TailRecord(seq, "command", "", "", given.mono_ns, given.utc_ms, canonical(given._asdict()))
    if isinstance(given, LinkHealth):
        return TailRecord(seq, "link", "", "", given.mono_ns, given.utc_ms, canonical(given._asdict()))
    return TailRecord(seq, "settings", "", "", given.mono_ns, given.utc_ms, given.site.digest.encode())


def from_record(
    record: TailRecord, plan_of: Callable[[str], ReadPlan], settings_of: Callable[[str], tuple[SiteSpec, Response]]
) -> Input:
    """The input of any tail record.

    Args:
        plan_of: Layout id -> read plan. settings_of: Settings digest -> site, and what it says about alarms.
    """
    if record.kind == "scan":
        return unpack_scan(record, plan_of(record.layout))
    if record.kind == "tick":
        return Tick(record.mono_ns, record.utc_ms)
    if record.kind == "command":
        return Command(**json.loads(record.payload))
    if record.kind == "link":
        return LinkHealth(**json.loads(record.payload))
    if record.kind == "settings":
        return SettingsChanged(record.mono_ns, record.utc_ms, *settings_of(record.payload.decode()))
    raise ValueError(f"tail record {record.seq}: unknown kind '{record.kind}'")
