"""A clock that moves only when a test says so."""

from __future__ import annotations

START_MONO_NS = 1_000_000_000_000
START_UTC_MS = 1_790_000_000_000  # September 2026: any trusted moment will do


class ManualClock:
    """Stands still until moved; both clocks move together unless UTC is stepped.

    Args:
        mono_ns: Monotonic time at the start, in ns.
        utc_ms: UTC at the start, in ms since 1970.
    """

    def __init__(self, mono_ns: int = START_MONO_NS, utc_ms: int = START_UTC_MS) -> None:
        self._mono_ns = mono_ns
        self._utc_ns = utc_ms * 1_000_000

    def mono_ns(self) -> int:
        """Monotonic time in ns."""
        return self._mono_ns

    def utc_ms(self) -> int:
        """UTC in ms since 1970."""
        return self._utc_ns // 1_000_000

    def trusted(self) -> bool:
        """UTC is always believed here."""
        return True

    def advance(self, seconds: float) -> None:
        """Let time pass.

        Raises:
            ValueError: Negative seconds; use `step_utc` to set the clock back.
        """
        if seconds < 0:
            raise ValueError(f"the monotonic clock cannot go back by {-seconds} s")
        span_ns = round(seconds * 1e9)
        self._mono_ns += span_ns
        self._utc_ns += span_ns

    def step_utc(self, seconds: float) -> None:
        """Set UTC forward or back without time passing, as an operator or a time server may do."""
        self._utc_ns += round(seconds * 1e9)
