"""Where a period ends in recorded inputs, whose wall clock may have been set forward and back. Pure."""

from __future__ import annotations

from collections.abc import Sequence

ClockSegment = tuple[str, int, int, bool]
"""Boot id, monotonic ns and UTC ms at which a span of one clock begins, whether its UTC could be believed."""


class PeriodEnd:
    """Says of inputs, in their order, when no later one can be of the period any more.

    Args:
        to_utc_ms: End of the period, not included. segments: Of the clocks, in order.
    """

    def __init__(self, to_utc_ms: int, segments: Sequence[ClockSegment]) -> None:
        self._to, self._segments = to_utc_ms, segments
        self._last = max((i for i, segment in enumerate(segments) if segment[2] < to_utc_ms), default=-1)

    def is_over(self, mono_ns: int, utc_ms: int) -> bool:
        """Whether the input with these stamps, and all behind it, lie behind the period."""
        return utc_ms >= self._to and self._segment_of(mono_ns, utc_ms) >= self._last

    def _segment_of(self, mono_ns: int, utc_ms: int) -> int:
        """The segment whose clocks fit best; of several the last."""
        best, best_ms = -1, 2**63
        for i, (_, begin_ns, begin_ms, _) in enumerate(self._segments):
            off_ms = abs(begin_ms + (mono_ns - begin_ns) // 1_000_000 - utc_ms)
            if begin_ns <= mono_ns and off_ms <= best_ms:
                best, best_ms = i, off_ms
        return best
