"""The clocks, read at the door. Durations come from the monotonic clock, stamps from UTC; both are integers.

Nothing inside the core calls these: time is passed in with each input.
"""

from __future__ import annotations

import ctypes
import time
from pathlib import Path
from typing import NamedTuple, Protocol

STEP_MS = 500
"""UTC that has moved this far against the monotonic clock between two looks has been stepped, not slewed."""
BUILT_UTC_MS = 1_764_000_000_000
"""A moment before this program was made (November 2025): a clock that says earlier has lost its date."""
LAST_UTC_MS = 253_402_214_400_000
"""The last day that can be written down (9999-12-31, wherever on earth): a clock beyond it has no date at all."""
_TIME_ERROR = 5  # adjtimex(2): the clock is not synchronised


class Clock(Protocol):
    """What the shells need of time."""

    def mono_ns(self) -> int:
        """Monotonic nanoseconds."""
        ...

    def utc_ms(self) -> int:
        """UTC, milliseconds since 1970."""
        ...

    def trusted(self) -> bool:
        """Whether UTC can be believed now."""
        ...


class SystemClock:
    """The machine's clocks.

    Args:
        require_sync: UTC counts as trusted only while the kernel says that it is synchronised (adjtimex).
    """

    def __init__(self, *, require_sync: bool = False) -> None:
        self.require_sync = require_sync

    def mono_ns(self) -> int:
        """CLOCK_MONOTONIC in nanoseconds."""
        return time.monotonic_ns()

    def asleep_ns(self) -> int:
        """For how long the machine was suspended since it was started; CLOCK_MONOTONIC stands still meanwhile."""
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME) - time.clock_gettime_ns(time.CLOCK_MONOTONIC)

    def utc_ms(self) -> int:
        """UTC in milliseconds since 1970, at most `LAST_UTC_MS`."""
        try:
            return min(time.time_ns() // 1_000_000, LAST_UTC_MS)
        except OverflowError:  # Python counts nanoseconds in 64 bits, which end in 2262
            return LAST_UTC_MS

    def trusted(self) -> bool:
        """Whether UTC can be believed: it is a date after this program was made, synchronised if that is required."""
        return BUILT_UTC_MS < self.utc_ms() < LAST_UTC_MS and (not self.require_sync or kernel_says_synchronised())


def kernel_says_synchronised() -> bool:
    """Ask the kernel (adjtimex, read only) whether time synchronisation holds; False where it cannot be asked."""
    try:
        buffer = ctypes.create_string_buffer(512)  # struct timex, all modes 0: nothing is set
        state = int(ctypes.CDLL(None, use_errno=True).adjtimex(buffer))
    except (OSError, AttributeError):
        return False
    return 0 <= state < _TIME_ERROR


def boot_id() -> str:
    """Id of this boot of the machine, or "unknown" where the kernel does not tell."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        return "unknown"


class Segment(NamedTuple):
    """A span in which UTC and the monotonic clock keep step.

    Attributes:
        boot_id: Boot of the machine.
        start_mono_ns, start_utc_ms: Where it begins.
        trusted: Whether its UTC can be believed.
    """

    boot_id: str
    start_mono_ns: int
    start_utc_ms: int
    trusted: bool


def next_segment(now: Segment, mono_ns: int, utc_ms: int, trusted: bool) -> tuple[Segment, int]:
    """Look at both clocks: has UTC been stepped, or its trust changed?

    Returns:
        (segment, stepped_by_ms): the same segment and 0 when all is as before.
    """
    expected_ms = min(now.start_utc_ms + (mono_ns - now.start_mono_ns) // 1_000_000, LAST_UTC_MS)
    by_ms = utc_ms - expected_ms
    if abs(by_ms) < STEP_MS and trusted == now.trusted:
        return now, 0
    return Segment(now.boot_id, mono_ns, utc_ms, trusted), by_ms if abs(by_ms) >= STEP_MS else 0
