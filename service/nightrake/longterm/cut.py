"""What the worker hands to the file in one transaction: packed blocks, and what they rest on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from nightrake.history.pack import Packed


@dataclass(frozen=True, slots=True)
class Sealed:
    """One block, packed.

    Attributes:
        packed: Its columns. boot_id: Start of the machine. digest: Settings in force.
        low_utc_ms, high_utc_ms: Earliest and latest stamp in it.
    """

    packed: Packed
    boot_id: str
    digest: str
    low_utc_ms: int
    high_utc_ms: int


@dataclass(frozen=True, slots=True)
class Cut:
    """Everything between two input numbers.

    Attributes:
        first_seq, last_seq: The numbers; what was sealed before ends just before the first.
        blocks: In order of their first records.
        periods: (input number, settings digest in force from there on), where that changes.
        snapshots: (input seq, UTC ms, settings digest, payload).
        missing: Why records in it are not there; "" = they all are.
    """

    first_seq: int
    last_seq: int
    blocks: Sequence[Sealed]
    periods: Sequence[tuple[int, str]] = ()
    snapshots: Sequence[tuple[int, int, str, bytes]] = ()
    missing: Sequence[tuple[int, int, str]] = ()

    @property
    def records(self) -> int:
        """How many there are."""
        return sum(block.packed.count for block in self.blocks)

    @property
    def span_ms(self) -> int:
        """For how long the machine ran meanwhile."""
        first_ns = min((block.packed.first.mono_ns for block in self.blocks), default=0)
        last_ns = max((block.packed.last.mono_ns for block in self.blocks), default=0)
        return max(0, last_ns - first_ns) // 1_000_000


@dataclass(frozen=True, slots=True)
class Beside:
    """What blocks rest on, as the store has it now.

    Attributes:
        layouts: Layout id -> read plan. settings: (digest, UTC ms, content, built).
        segments: Clock segments. boots: (first input number, boot id).
    """

    layouts: dict[str, str] = field(default_factory=dict)
    settings: Sequence[tuple[str, int, str, str]] = ()
    segments: Sequence[tuple[str, int, int, bool]] = ()
    boots: Sequence[tuple[int, str]] = ()
