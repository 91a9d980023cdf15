"""Now and then a line of our own is written and read back: a 204 alone does not say that the store keeps anything."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from nightrake.historian.readback import Kept, Probe, ReadBack
from nightrake.historian.sending import Answer, Sender, StoreTarget, Verdict

FIRST_NS = 10_000_000_000
"""After the beginning of a connection: one that is only just there has other things to do."""
SETTLE_NS = 10_000_000_000
"""A line is looked for after this long: stores show what is new after some seconds (measured: 1 to 10)."""
PERIOD_NS = 30_000_000_000
MISSES = 2
"""So many lines in a row that are not there: then the store keeps nothing."""


class Probing:
    """Writes probes and looks for them.

    Args:
        target: The store. site: Id of the site. mono_ns, utc_ms: The clocks. number: Of the last probe before.

    Attributes:
        kept: What was found of the last probe that was looked for; None before the first.
        verified_ns: When the last probe that was found had been written, before the first the beginning of the
            connection, monotonic; None where that cannot be known.
        missed: Probes in a row that were acknowledged, and are not there.
    """

    def __init__(
        self, target: StoreTarget, site: str, mono_ns: Callable[[], int], utc_ms: Callable[[], int], number: int = 0
    ) -> None:
        self._back = ReadBack(target)
        self._site, self._mono_ns, self._utc_ms = site, mono_ns, utc_ms
        self._out: Probe | None = None
        self._written_ns = 0
        self._stamp_ms = 0
        self._next_ns = mono_ns() + FIRST_NS
        self.number = number
        self.kept: Kept | None = None
        self.verified_ns: int | None = mono_ns()
        self.missed = 0

    @property
    def keeps_nothing(self) -> bool:
        """Whether the store acknowledges and keeps nothing."""
        return self.missed >= MISSES

    def status(self) -> dict[str, Any]:
        """As plain values."""
        return {"read_back": self.kept.value if self.kept is not None else "", "by": self._back.way}

    def forget(self) -> None:
        """The connection was lost, and with it perhaps the last probe."""
        self._out = None

    async def turn(self, sender: Sender) -> Answer:
        """Do what is due: look for the last probe, write the next one.

        Returns:
            What came of a write; 'taken' where there was none.
        """
        now_ns = self._mono_ns()
        if self._out is not None and now_ns - self._written_ns >= SETTLE_NS:
            self._found(await self._back.look(sender, self._out))
            self._out = None
        if self._out is not None or now_ns < self._next_ns:
            return Answer(Verdict.TAKEN)
        self._stamp_ms = max(self._utc_ms(), self._stamp_ms + 1)
        self.number += 1
        probe = Probe(self._site, self.number, self._stamp_ms)
        answer = await sender.send(probe.lines())
        if answer.verdict is Verdict.TAKEN and not answer.lost:
            self._out, self._written_ns = probe, now_ns
            self._next_ns = now_ns + (SETTLE_NS if self.missed else PERIOD_NS)
        return answer

    def _found(self, kept: Kept) -> None:
        self.kept = kept
        if kept is Kept.NOT:
            self.missed += 1
            self._next_ns = 0
            return
        self.missed = 0
        self.verified_ns = None if kept is Kept.UNKNOWN else self._written_ns
