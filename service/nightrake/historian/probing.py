"""Now and then a line of our own is written and read back: a 204 alone does not say that the store keeps anything."""

from __future__ import annotations

from collections import deque
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
REMEMBERED = 10
"""Lines that were found are remembered: five minutes' worth."""


class Probing:
    """Writes probes and looks for them.

    Args:
        target: The store. site: Id of the site. mono_ns, utc_ms: The clocks. number: Of the last probe before.
        lane: See `Probe`. settle_ns: See `SETTLE_NS`.

    Attributes:
        kept: What was found of the last probe that was looked for; None before the first.
        verified_ns: When the last probe that was found had been written, before the first the beginning of the
            connection, monotonic; None where that cannot be known.
        missed: Probes in a row that were acknowledged, and are not there though the connection stood.
        in_doubt: The connection was lost since a probe was found last: see `kept_until_ns`.
    """

    def __init__(
        self,
        target: StoreTarget,
        site: str,
        mono_ns: Callable[[], int],
        utc_ms: Callable[[], int],
        number: int = 0,
        lane: str = "",
        settle_ns: int = SETTLE_NS,
    ) -> None:
        self._back = ReadBack(target)
        self._site, self._mono_ns, self._utc_ms = site, mono_ns, utc_ms
        self._lane, self._settle_ns = lane, settle_ns
        self._out: Probe | None = None
        self._written_ns = 0
        self._stamp_ms = 0
        self._next_ns = mono_ns() + FIRST_NS
        self.number = number
        self.kept: Kept | None = None
        self.verified_ns: int | None = mono_ns()
        self.missed = 0
        self._asker = Sender(target)
        self._seen: deque[tuple[Probe, int]] = deque(maxlen=REMEMBERED)
        self.in_doubt = False

    @property
    def keeps_nothing(self) -> bool:
        """Whether the store acknowledges and keeps nothing."""
        return self.missed >= MISSES

    def status(self) -> dict[str, Any]:
        """As plain values."""
        return {"read_back": self.kept.value if self.kept is not None else "", "by": self._back.way}

    def hurry(self) -> None:
        """The next probe is due at once, or when the one that is out has been looked for."""
        self._next_ns = 0

    def forget(self) -> None:
        """The connection was lost, and with it perhaps the last probe, or more."""
        self._out = None
        self.in_doubt = bool(self._seen)

    def close(self) -> None:
        """Close the connection for questions."""
        self._asker.close()

    async def _look(self, probe: Probe) -> Kept:
        """Look for a probe, on a connection that is made for it: one that is found dead here would be made anew
        without a word, and the next write, whose matter it is that the store has died, would not learn of it."""
        try:
            return await self._back.look(self._asker, probe)
        finally:
            self._asker.close()

    async def kept_until_ns(self, turn: Callable[[], None]) -> int | None:
        """Ask, after a loss, how much the store has kept: nobody knows how long it takes to save what it acknowledges.

        Args:
            turn: Called before each question.

        Returns:
            When the newest probe was written that was found before and still is, monotonic; 0 where none is, None where
            that is not known.
        """
        self.in_doubt = False
        while self._seen:
            turn()
            probe, written_ns = self._seen[-1]
            kept = await self._look(probe)
            if kept is not Kept.NOT:
                return None if kept is Kept.UNKNOWN else written_ns
            self._seen.pop()
        return 0

    async def turn(self, sender: Sender) -> Answer:
        """Do what is due: look for the last probe, write the next one.

        Returns:
            What came of a write; 'taken' where there was none. `lost` also where a probe that was acknowledged is not
            there: something in between may keep our connection, while the store behind it dies.
        """
        now_ns, is_gone = self._mono_ns(), False
        if self._out is not None and now_ns - self._written_ns >= self._settle_ns:
            probe, self._out = self._out, None
            is_gone = self._found(await self._look(probe), probe)
        if self._out is not None or now_ns < self._next_ns:
            return Answer(Verdict.TAKEN)
        answer = await self._write(sender, now_ns)
        if not is_gone or answer.verdict is not Verdict.TAKEN or answer.lost:
            # With the connection lost, it is known what has become of the probe.
            return answer._replace(lost=is_gone or answer.lost)
        self.missed += 1
        return answer._replace(lost=True)

    async def _write(self, sender: Sender, now_ns: int) -> Answer:
        self._stamp_ms = max(self._utc_ms(), self._stamp_ms + 1)
        self.number += 1
        probe = Probe(self._site, self.number, self._stamp_ms, self._lane)
        answer = await sender.send(probe.lines())
        if answer.verdict is Verdict.TAKEN and not answer.lost:
            self._out, self._written_ns = probe, now_ns
            self._next_ns = now_ns + (self._settle_ns if self.missed else PERIOD_NS)
        return answer

    def _found(self, kept: Kept, probe: Probe) -> bool:
        """What was found of a probe; whether it is gone, and the next one is due."""
        self.kept = kept
        if kept is Kept.NOT:
            self._next_ns = 0
            return True
        self.missed = 0
        self.verified_ns = None if kept is Kept.UNKNOWN else self._written_ns
        if kept is not Kept.UNKNOWN:
            self._seen.append((probe, self._written_ns))
        return False
