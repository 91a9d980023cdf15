"""When things really were: what was stamped by a clock without a date gets its time from the monotonic clock. Pure.

While the machine runs, one trusted clock segment dates everything before and after it, whatever UTC said meanwhile.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from typing import NamedTuple


class Segment(NamedTuple):
    """A span in which UTC and the monotonic clock kept step.

    Attributes:
        start_mono_ns, start_utc_ms: Where it begins. trusted: Whether its UTC could be believed.
    """

    start_mono_ns: int
    start_utc_ms: int
    trusted: bool


class Dating:
    """Dates what came under any start of the machine.

    Args:
        segments: Clock segments as kept: (boot id, start mono ns, start UTC ms, trusted).
        boots: (first input number, boot id) of each start of the machine, oldest first.
    """

    def __init__(self, segments: Iterable[tuple[str, int, int, bool]], boots: Sequence[tuple[int, str]]) -> None:
        self._boots = boots
        known: dict[str, list[Segment]] = {}
        for boot_id, mono_ns, utc_ms, trusted in segments:
            known.setdefault(boot_id, []).append(Segment(mono_ns, utc_ms, trusted))
        doubtful = {boot_id: found for boot_id, found in known.items() if not all(s.trusted for s in found)}
        self._doubtful = {boot_id: sorted(found) for boot_id, found in doubtful.items()}

    @property
    def has_doubts(self) -> bool:
        """Whether there was any time in which the clock could not be believed."""
        return bool(self._doubtful)

    def is_dated(self, boot_id: str) -> bool:
        """Whether anything that came under this start of the machine can be dated; also where nothing is known."""
        found = self._doubtful.get(boot_id)
        return found is None or any(segment.trusted for segment in found)

    def utc_of_input(self, seq: int, mono_ns: int, utc_ms: int) -> int | None:
        """True UTC of a recorded input, ms; see `utc_of`.

        Args:
            seq: Its number. mono_ns, utc_ms: As it was stamped.
        """
        if not self._doubtful:
            return utc_ms
        boot = bisect_right(self._boots, seq, key=lambda boot: boot[0]) - 1
        return self.utc_of(self._boots[boot][1], mono_ns, utc_ms) if boot >= 0 else utc_ms

    def utc_of(self, boot_id: str, mono_ns: int, utc_ms: int) -> int | None:
        """True UTC, ms; None if the clock was never right while the machine ran.

        Args:
            boot_id: Start of the machine. mono_ns, utc_ms: As it was stamped.
        """
        found = self._doubtful.get(boot_id)
        if found is None:
            return utc_ms
        own = max(0, bisect_right(found, mono_ns, key=lambda segment: segment.start_mono_ns) - 1)
        if found[own].trusted:
            return utc_ms
        trusted = [segment for segment in found[own + 1 :] if segment.trusted][:1]
        trusted += [segment for segment in reversed(found[:own]) if segment.trusted][:1]
        if not trusted:
            return None
        return trusted[0].start_utc_ms + (mono_ns - trusted[0].start_mono_ns) // 1_000_000
