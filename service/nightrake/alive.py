"""Whether the watch is at work: what the service manager is told, which part stands still, time that nobody watched.

A restart is asked for, by silence, only where it can help: scans, judgement, the journal's order or the telling stand
still. Any other part that does so is a row, and the watch goes on.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from nightrake.clock import SystemClock
from nightrake.domain.pulse import Pulse
from nightrake.domain.rows import Entry
from nightrake.notify import Notifier

ASLEEP_NS = 2_000_000_000
"""A machine that was suspended for longer leaves a gap."""
STANDS_STILL = "it stands still; restart the watch when that suits"
VITAL = ("teller", "teller pump")
"""Parts without which nobody is told: while one of them stands still the service manager hears nothing."""
OTHERS = ("forwarding", "control")


class Alive:
    """Looks ten times a second.

    Args:
        notifier: To the service manager. clock: The machine's. pulse: Of the parts.
        stuck: Gives the PLCs whose reading stands still, if all of them do.
        tell: Called with (link, up, detail) when a part that is not vital stands still, and when it goes on.
        note: Journals an entry.
    """

    def __init__(
        self,
        notifier: Notifier,
        clock: SystemClock,
        pulse: Pulse,
        *,
        stuck: Callable[[int], Sequence[str]],
        tell: Callable[[str, bool, str], None],
        note: Callable[[Entry], None],
    ) -> None:
        self._notifier = notifier
        self._clock = clock
        self._pulse = pulse
        self._stuck, self._tell, self._note = stuck, tell, note
        self._beat_ns = int(notifier.watchdog_s / 3 * 1e9)
        self._next_beat_ns = 0
        self._asleep_ns = clock.asleep_ns()
        self._still: set[str] = set()

    def look(self) -> None:
        """To be called by whoever ticks: with it, it falls silent."""
        self._look_for_gap()
        still = set(self._pulse.still())
        for part in OTHERS:
            if (part in still) != (part in self._still):
                self._tell(part, part not in still, STANDS_STILL if part in still else "")
        self._still = still
        now_ns = self._clock.mono_ns()
        if self._beat_ns and now_ns >= self._next_beat_ns and not still.intersection(VITAL) and not self._stuck(now_ns):
            self._next_beat_ns = now_ns + self._beat_ns
            self._notifier.send("WATCHDOG=1")

    def _look_for_gap(self) -> None:
        """The monotonic clock stands still while the machine is suspended, so that no tick is missed by it."""
        before_ns, self._asleep_ns = self._asleep_ns, self._clock.asleep_ns()
        asleep_ns = self._asleep_ns - before_ns
        if asleep_ns > ASLEEP_NS:
            data = {"seconds": round(asleep_ns / 1e9, 1), "why": "the machine was suspended"}
            self._note(Entry("service", "gap", "", "", data))
