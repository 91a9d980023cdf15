"""What a poller counts."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(slots=True)
class Stats:
    """Counts since start. due = done + missed (+ the scan under way); late ones are among the done."""

    due: int = 0
    done: int = 0
    late: int = 0
    missed: int = 0
    requests: int = 0
    connects: int = 0
    round_trip_ms: float = 0.0
    last_scan_ns: int = 0
    got: dict[str, int] = field(default_factory=dict)
