"""Closed segments of the journal, each in a file of its own beside the store: what such a file is, and how it is read.

    state/archive/000000000001-000000010000-3f2a90c41b7d.jsonl.gz

A segment is a run of rows of one life of the journal. Its file is lines of JSON under gzip, for programs of any age:
first an object that says which rows these are, with the hash before the first, that of the last and the names of the
columns; then each row as a list. A payload is text, or ``{"base64": ...}`` where it is none; ``prev_hash`` is null
where it is the hash of the row before. Hashes are hexadecimal.

The store keeps a record of each file with the hash of its bytes. What has no such record is no part of the journal.
"""

from __future__ import annotations

import base64
import gzip
import hashlib
import json
import zlib
from collections.abc import Callable, Iterator, Sequence
from enum import IntEnum
from pathlib import Path
from typing import Any, NamedTuple

from nightrake.domain.cleantext import clean
from nightrake.domain.rows import Row
from nightrake.errors import StoreError

FOLDER = "archive"
SUFFIX = ".jsonl.gz"
FORM = "nightrake journal segment 1"
COLUMNS = tuple(name for name in Row._fields if name != "epoch")
LONGEST_LINE = 64 * 1024 * 1024
"""No row of ours comes near; a line that does is none."""
BLOCK = 1 << 20


class Where(IntEnum):
    """Where the rows of a segment are."""

    BOTH = 0
    """In the store, too."""
    FILE = 1
    """In the file only."""
    NOWHERE = 2
    """The file was given up, as the oldest, for want of room."""


class Segment(NamedTuple):
    """A run of rows.

    Attributes:
        first_seq, last_seq, rows: First and last number, and how many rows (numbers may be skipped).
        epoch: Life of the journal in which they all were written.
        prev_hash, hash: Of the row before the first, as the first has it, and of the last row.
        from_utc_ms, to_utc_ms: Lowest and highest stamp. drives: ids that they name.
    """

    first_seq: int
    last_seq: int
    rows: int
    epoch: str
    prev_hash: bytes
    hash: bytes
    from_utc_ms: int
    to_utc_ms: int
    drives: tuple[str, ...]

    @property
    def file_name(self) -> str:
        """Name of its file; the hash in it keeps those of two lives of a store apart."""
        return f"{self.first_seq:012}-{self.last_seq:012}-{self.hash.hex()[:12]}{SUFFIX}"

    @property
    def words(self) -> str:
        """``journal rows 1 to 10000``."""
        return f"journal rows {self.first_seq} to {self.last_seq}"


class Kept(NamedTuple):
    """The store's record of a segment's file: its size and SHA-256, and where the rows are."""

    segment: Segment
    size_bytes: int
    sha256: bytes
    where: Where


class ArchiveFault(StoreError):
    """A file is not as it was written.

    Attributes:
        last_seq: Last number of the rows that cannot be had for it.
    """

    def __init__(self, text: str, last_seq: int) -> None:
        super().__init__(text)
        self.last_seq = last_seq


# --- records ---

RECORD = (*Segment._fields, "size_bytes", "sha256", "place")
INSERT = f"insert or replace into archive({', '.join(RECORD)}) values({', '.join('?' * len(RECORD))})"
SELECT = f"select {', '.join(RECORD)} from archive"


def values_of(kept: Kept) -> tuple[Any, ...]:
    """For `INSERT`."""
    segment = kept.segment._asdict() | {"drives": json.dumps(kept.segment.drives)}
    return (*segment.values(), kept.size_bytes, kept.sha256, int(kept.where))


def kept_of(values: Sequence[Any]) -> Kept:
    """From `SELECT`."""
    segment = Segment(*values[: len(Segment._fields)])
    drives = tuple(str(d) for d in json.loads(values[RECORD.index("drives")]))
    return Kept(segment._replace(drives=drives), values[-3], bytes(values[-2]), Where(values[-1]))


# --- lines ---


def head_line(segment: Segment) -> bytes:
    """The first line of a file."""
    said = {
        "form": FORM,
        **segment._asdict(),
        "prev_hash": segment.prev_hash.hex(),
        "hash": segment.hash.hex(),
        "columns": COLUMNS,
    }
    return json.dumps(said, separators=(",", ":")).encode() + b"\n"


def row_line(row: Row, last_hash: bytes) -> bytes:
    """A row's line; `last_hash`: of the row before it, or b"" for the first."""
    previous = None if row.prev_hash == last_hash else row.prev_hash.hex()
    flags = {"urgent": int(row.urgent), "clock_trusted": int(row.clock_trusted)}
    said = {**row._asdict(), **flags, "payload": _text(row.payload), "prev_hash": previous, "hash": row.hash.hex()}
    return json.dumps([said[name] for name in COLUMNS], separators=(",", ":")).encode() + b"\n"


def _text(payload: bytes) -> str | dict[str, str]:
    try:
        return payload.decode()
    except UnicodeDecodeError:
        return {"base64": base64.b64encode(payload).decode()}


def _row(line: bytes, epoch: str, last_hash: bytes) -> Row:
    said = dict(zip(COLUMNS, json.loads(line), strict=True))
    payload = said["payload"]
    said["payload"] = payload.encode() if isinstance(payload, str) else base64.b64decode(payload["base64"])
    said["prev_hash"] = last_hash if said["prev_hash"] is None else bytes.fromhex(said["prev_hash"])
    said["hash"] = bytes.fromhex(said["hash"])
    said |= {name: bool(said[name]) for name in ("urgent", "clock_trusted")}
    return Row(epoch=epoch, **said)


# --- files ---


def rows_in(path: Path, segment: Segment) -> Iterator[Row]:
    """The rows of a file, all of them, in order.

    Raises:
        ValueError, KeyError, TypeError, EOFError, zlib.error, OSError: It is no file of this segment (`UNREADABLE`).
    """
    with gzip.open(path) as file:
        if file.readline(LONGEST_LINE) != head_line(segment):
            raise ValueError("it is another segment's file")
        last_hash, count = b"", 0
        while line := file.readline(LONGEST_LINE):
            row = _row(line, segment.epoch, last_hash)
            last_hash, count = row.hash, count + 1
            yield row
        if count != segment.rows:
            raise ValueError(f"it has {count} rows in place of {segment.rows}")


UNREADABLE = (ValueError, KeyError, TypeError, EOFError, zlib.error, OSError)
"""What reading a file that is none raises."""


def sha256_of(path: Path) -> bytes:
    """Of a file's bytes.

    Raises:
        OSError: It cannot be read.
    """
    whole = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(BLOCK):
            whole.update(block)
    return whole.digest()


def read_rows(folder: Path, kept: Kept, wanted: Callable[[Row], bool] = lambda row: True) -> Iterator[Row]:
    """Rows of a segment from its file, which is first held against its record.

    Args:
        folder: Of the files. wanted: says which rows.

    Raises:
        ArchiveFault: It is not as it was written.
    """
    fault = fault_of(folder, kept)
    if fault:
        raise ArchiveFault(fault, kept.segment.last_seq)
    path = folder / kept.segment.file_name
    try:
        yield from filter(wanted, rows_in(path, kept.segment))
    except UNREADABLE as error:
        raise ArchiveFault(f"{path}: cannot be read ({error}): {_rest(kept)}", kept.segment.last_seq) from error


def fault_of(folder: Path, kept: Kept) -> str:
    """What is wrong with a segment's file, in a sentence; "" = nothing."""
    path = folder / kept.segment.file_name
    try:
        size = path.stat().st_size
        if size == kept.size_bytes and sha256_of(path) == kept.sha256:
            return ""
    except FileNotFoundError:
        return f"{path}: is missing: {_rest(kept)}"
    except OSError as error:
        return f"{path}: cannot be read ({error.strerror}): {_rest(kept)}"
    other = _other(path, kept.segment)
    if other:
        return f"{path}: was exchanged: it holds {other}: {_rest(kept)}"
    if size < kept.size_bytes:
        return f"{path}: was cut from {kept.size_bytes} to {size} bytes: {_rest(kept)}"
    return f"{path}: was changed, for its hash is not the one kept in the store: {_rest(kept)}"


def _rest(kept: Kept) -> str:
    also = "are in the store still" if kept.where is Where.BOTH else "are nowhere else; put it back from a copy"
    return f"{kept.segment.words} {also}"


def _other(path: Path, segment: Segment) -> str:
    """Whose file stands in the place of a segment's; "" = its own, or none at all."""
    said = _head_of(path)
    if said is None or (said["epoch"], said["first_seq"], said["last_seq"]) == (
        segment.epoch,
        segment.first_seq,
        segment.last_seq,
    ):
        return ""
    of = f" of another journal, or of another life of this one ({said['epoch']})"
    return f"rows {said['first_seq']} to {said['last_seq']}{'' if said['epoch'] == segment.epoch else of}"


def _head_of(path: Path) -> dict[str, Any] | None:
    try:
        with gzip.open(path) as file:
            said = json.loads(file.readline(BLOCK))
    except UNREADABLE:
        return None
    if not isinstance(said, dict) or said.get("form") != FORM:
        return None
    numbers = [said.get(name) for name in ("first_seq", "last_seq")]
    if not all(type(number) is int for number in numbers):
        return None
    return {**said, "epoch": clean(str(said.get("epoch")), 40)}


def strangers(folder: Path, known: Sequence[Kept]) -> list[str]:
    """A sentence for each file in the folder that is no part of this journal."""
    names = {kept.segment.file_name for kept in known}
    try:
        found = sorted(p for p in folder.iterdir() if p.name.endswith(SUFFIX) and p.name not in names)
    except OSError:
        return []
    sentences = []
    for path in found:
        said = _head_of(path)
        what = (
            f"rows {said['first_seq']} to {said['last_seq']} of the life {said['epoch']}" if said else "nothing known"
        )
        sentences.append(f"{path} holds {what}; the store has no record of it, so it was not read.")
    return sentences
