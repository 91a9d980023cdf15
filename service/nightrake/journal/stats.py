"""How keeping goes, in figures."""

from __future__ import annotations

from collections import deque
from dataclasses import asdict, dataclass, field
from typing import Any


@dataclass(slots=True)
class Counts:
    """Counts since start, written by the writer's thread only; see `StoreStats`."""

    commits: int = 0
    rows: int = 0
    tail_rows: int = 0
    errors: int = 0
    lost_rows: int = 0
    lost_tail: int = 0
    trimmed: int = 0
    db_bytes: int = 0
    log_bytes: int = 0
    commit_ms: deque[float] = field(default_factory=lambda: deque(maxlen=1000))


@dataclass(frozen=True, slots=True)
class StoreStats:
    """How keeping goes.

    Attributes:
        up, detail: Whether the disk takes everything, and what is wrong.
        durable_seq: Highest journal number on disk.
        queued, queued_tail: Journal rows and tail records that wait.
        commits, rows, tail_rows, errors: Commits, what they held, and those that failed, since start.
        lost_rows, lost_tail: Given up while the disk was away. trimmed: Tail records deleted for age or room.
        commit_last_ms, commit_p99_ms: Last commit and 99th percentile of the last thousand.
        db_bytes, log_bytes: Size of the file and of its write-ahead log.
        damaged: Values on it that could not be read, so far.
        archived: Segments of the journal that were brought into files, since start.
        archive_detail: Why that fails, "" = it does not.
    """

    up: bool
    detail: str
    durable_seq: int
    queued: int
    queued_tail: int
    commits: int
    rows: int
    tail_rows: int
    errors: int
    lost_rows: int
    lost_tail: int
    trimmed: int
    commit_last_ms: float
    commit_p99_ms: float
    db_bytes: int
    log_bytes: int
    damaged: int
    archived: int = 0
    archive_detail: str = ""

    def as_dict(self) -> dict[str, Any]:
        """Plain values for status."""
        return asdict(self)
