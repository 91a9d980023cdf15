"""Journal rows and tail records: the shapes that the store keeps and the shells read. Pure.

The hash chain: ``hash = SHA-256(previous hash + head + payload)``, where head is the canonical text of the row's other
columns (see `chain_hash`). Changing, dropping or reordering a row breaks every later hash.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Any, NamedTuple

SCHEMA_VERSION = 1
GENESIS = bytes(32)
"""The 'previous hash' of the first row of a store."""


class Entry(NamedTuple):
    """Something that happened, as the core words it; the engine makes a `Row` of it.

    Attributes:
        kind: Owner: ``drive`` (facts of drives), ``alarm`` (transitions), ``plc``, ``link``, ``command``,
            ``settings``, ``service`` (start, stop, gap, clock step).
        event: What happened, snake case, for instance ``shutdown_operated``.
        drive, direction: Ids, or "".
        data: Plain JSON values only.
        urgent: True for anything about a shutdown stage: told before everything else that waits.
    """

    kind: str
    event: str
    drive: str
    direction: str
    data: Mapping[str, Any]
    urgent: bool = False


class Row(NamedTuple):
    """One row of the journal.

    Attributes:
        epoch: Id of this store's life; changes on restore or copy. (epoch, seq) never recurs.
        seq: Strictly rising; numbers that a crash may have burnt are skipped, and the start row says so.
        kind, event, drive, direction, urgent: As in `Entry`.
        schema: Payload schema version.
        input_seq: Global order number of the input that caused it (0: none).
        boot_id: Id of the machine's boot. mono_ns, utc_ms: When. clock_trusted: whether UTC could be believed.
        payload: Canonical JSON (sorted keys, no spaces, UTF-8) of `Entry.data`.
        prev_hash, hash: 32 bytes each.
    """

    epoch: str
    seq: int
    kind: str
    event: str
    drive: str
    direction: str
    urgent: bool
    schema: int
    input_seq: int
    boot_id: str
    mono_ns: int
    utc_ms: int
    clock_trusted: bool
    payload: bytes
    prev_hash: bytes
    hash: bytes

    @property
    def id(self) -> str:
        """The id under which the row is told: ``epoch-seq``."""
        return f"{self.epoch}-{self.seq}"


class Answer(NamedTuple):
    """Reply to a command: whether it was done, and one sentence."""

    ok: bool
    text: str


class TailRecord(NamedTuple):
    """One recorded input in the hot tail, time first.

    Attributes:
        seq: Global order number of the input, strictly rising over restarts.
        kind: ``scan``, ``tick``, ``command``, ``link`` or ``settings``.
        endpoint, layout: For scans: endpoint id and read plan's layout id; otherwise "".
        mono_ns, utc_ms: The input's stamps.
        payload: Encoded input (`domain.tailcodec`).
    """

    seq: int
    kind: str
    endpoint: str
    layout: str
    mono_ns: int
    utc_ms: int
    payload: bytes


def canonical(data: Mapping[str, Any]) -> bytes:
    """Canonical JSON bytes. Raises ValueError on NaN or infinity, TypeError on what is not plain."""
    text = json.dumps(data, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return text.encode(errors="replace")  # half a surrogate pair, from a hostile command, must not stop the journal


def chain_hash(prev_hash: bytes, row: Row) -> bytes:
    """Hash of a row over the one before it (the row's own `prev_hash` and `hash` are not read)."""
    head = (
        f"{row.epoch}|{row.seq}|{row.kind}|{row.event}|{row.drive}|{row.direction}|{int(row.urgent)}|{row.schema}|"
        f"{row.input_seq}|{row.boot_id}|{row.mono_ns}|{row.utc_ms}|{int(row.clock_trusted)}|"
    )
    return hashlib.sha256(prev_hash + head.encode() + row.payload).digest()
