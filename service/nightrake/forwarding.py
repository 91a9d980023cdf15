"""Samples and events to an InfluxDB-protocol store, from a cursor over the hot tail and one over the journal.

At least once: the kept cursor stays 30 seconds behind what the store has acknowledged, since a store that is killed
forgets its last seconds; after any loss of the connection everything behind the cursor is sent again, under the same
stamps, so that a store which drops duplicates ends up with each sample once. In the first half minute of a run it stays
only ten seconds behind: a watch that keeps dying young must get on too.
"""

from __future__ import annotations

import asyncio
import contextlib
import random
from collections import deque
from collections.abc import Callable
from typing import Any, NamedTuple

from nightrake.clock import Clock
from nightrake.crashpoint import reach
from nightrake.domain.pulse import Pulse
from nightrake.errors import NightrakeError, StoreError
from nightrake.field.linknews import LinkNews
from nightrake.forwardlines import Aside, Lines
from nightrake.historian.dating import Dating
from nightrake.historian.sending import Answer, Sender, StoreTarget, Verdict
from nightrake.historian.stamps import Used
from nightrake.journal.damage import WRONG
from nightrake.journal.store import Store
from nightrake.reloading import SECRETS_S, in_thread
from nightrake.settings import Settings, secret

CURSOR = "forward"
PART = "forwarding"
PERIOD_S = 0.5
RESEND_NS = 30_000_000_000
FIRST_NS = 10_000_000_000
"""After this long a store has saved what it acknowledged: twice the 5 s within which VictoriaMetrics saves what it
holds in memory unless told otherwise (`-inmemoryDataFlushInterval`; the value is from memory)."""
RECORDS = 2000
EVENTS = 500
BACKOFF_S = (0.5, 30.0)
GROW_AFTER = 50
"""After so many full writes in a row that went through, writes twice as large are tried."""
NAMED = 20
"""Numbers named in one dead letter."""


class Mark(NamedTuple):
    """A place to go back to: the cursors and stamps as they stood."""

    mono_ns: int
    tail_seq: int
    row_seq: int
    stamps: Used


class Forwarding:
    """Forwards until cancelled; idle when the settings say so.

    Args:
        settings: Where to. store: The tail and journal. clock: Durations and trust.
        newest_input: Gives the number of the newest recorded input.
        on_link: Called on each change: (up, detail). pulse: Is told that it goes on.
    """

    def __init__(
        self,
        settings: Settings,
        store: Store,
        clock: Clock,
        newest_input: Callable[[], int],
        on_link: Callable[[bool, str], None],
        pulse: Pulse | None = None,
    ) -> None:
        self._store = store
        self._clock = clock
        self._newest_input = newest_input
        self._on_link = on_link
        self._pulse = pulse or Pulse(lambda: clock.mono_ns() / 1e9)
        self._news = LinkNews()
        self._again = asyncio.Event()
        self._awake = asyncio.Event()
        self._rng = random.Random("forward")
        self._at = self._begin_at()
        self._marks: deque[Mark] = deque([self._at])
        self._begin = self._kept = self._at
        self._dating: Dating | None = None
        self._saved: Mark | None = None
        self._lines_sent = self._dead = self._undated = 0
        self._batch_lines = self._smooth = 0
        self._take(settings)

    def _begin_at(self) -> Mark:
        """Where the last run had got to; as new where that cannot be read: what comes again comes as it came before."""
        kept, now_ns = self._store.get_cursor(CURSOR), self._clock.mono_ns()
        begin = Mark(now_ns, 0, 0, Used.of(""))
        try:
            at = _mark_of(now_ns, kept[1], kept[2]) if kept is not None else begin
        except WRONG:
            at = None
        if at is None or at.tail_seq > self._newest_input() or at.row_seq > self._store.reserved_seq:
            self._store.damage.add("a cursor, so that its destination begins as new", CURSOR)
            return begin
        return at

    def _take(self, settings: Settings) -> None:
        self._settings = settings
        self._batch_lines = settings.forward.batch_lines
        self._lines = Lines(settings.site, self._store.layout)

    def settings_changed(self, settings: Settings) -> None:
        """Go on with other settings."""
        self._take(settings)
        self._again.set()
        self._awake.set()

    def wake(self) -> None:
        """Something was journalled."""
        self._awake.set()

    @property
    def dead_letters(self) -> int:
        """What this run has given up."""
        return self._dead

    def status(self) -> dict[str, Any]:
        """How it goes, as plain values."""
        up, detail = self._news.state or (False, "not connected yet")
        return {
            "enabled": self._settings.forward.enabled,
            "up": up,
            "detail": detail,
            "cursor": self._at.tail_seq,
            "event_cursor": self._at.row_seq,
            "lag_rows": max(0, self._newest_input() - self._at.tail_seq),
            "lines": self._lines_sent,
            "dead_letters": self._dead,
            "undated": self._undated,
        }

    async def run(self) -> None:
        """Forward until cancelled."""
        while True:
            self._again.clear()
            if not self._settings.forward.enabled:
                self._pulse.rest(PART)
                await self._again.wait()
                continue
            self._pulse.turn(PART, SECRETS_S)
            try:
                target = await in_thread(self._target, SECRETS_S, "the forward token")
            except NightrakeError as error:
                self._tell(False, str(error))
                await self._rest(BACKOFF_S[1])
                continue
            sender = Sender(target)
            try:
                await self._forward(sender)
            finally:
                sender.close()

    def _target(self) -> StoreTarget:
        f = self._settings.forward
        token = secret(f.token_file, f.token_env, "forward token").reveal()
        return StoreTarget(f.url, f.org, f.bucket, f.timeout_s, token)

    async def _forward(self, sender: Sender) -> None:
        wait_s = BACKOFF_S[0]
        while not self._again.is_set():
            self._pulse.turn(PART)
            try:
                dating = await self._dates()
                if dating is None:
                    self._tell(False, "waiting for a clock that can be believed")
                    await self._rest(PERIOD_S)
                    continue
                answer, more = await self._one_batch(sender, dating)
            except StoreError as error:
                self._tell(False, str(error))
                await self._rest(BACKOFF_S[0])
                continue
            if answer is None or answer.verdict is Verdict.TAKEN:
                wait_s = BACKOFF_S[0]
                if answer is not None:
                    self._tell(True, "")
                if not more:
                    await self._rest(PERIOD_S)
                continue
            self._tell(False, answer.text)
            self._go_back()
            await self._rest(max(answer.retry_after_s, wait_s * self._rng.uniform(0.5, 1.0)))
            wait_s = min(2 * wait_s, BACKOFF_S[1])

    async def _dates(self) -> Dating | None:
        """What dates the records; None while the clock cannot be believed, or the store does not say yet since when."""
        if not self._clock.trusted():
            self._dating = None
            return None
        opened = self._store.opened
        if self._dating is None or self._dating.has_doubts:
            self._dating = Dating(await self._store.segments(), opened.boots)
        return self._dating if self._dating.is_dated(opened.boots[-1].boot_id) else None

    async def _rest(self, seconds: float) -> None:
        """Wait; other settings end it."""
        self._pulse.turn(PART, seconds)
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                await self._again.wait()

    async def _one_batch(self, sender: Sender, dating: Dating) -> tuple[Answer | None, bool]:
        """Send what comes next; (None, False) when there is nothing. The cursor moves only when it was taken."""
        records = await self._store.tail_after(self._at.tail_seq, RECORDS)
        rows = await self._store.rows_after(self._at.row_seq, EVENTS)
        if not records and not rows:
            return None, False
        stamps, aside = self._at.stamps.copy(), Aside()
        lines = await self._lines.of(records, rows, stamps, dating, aside)
        at, most = 0, self._batch_lines
        while at < len(lines):
            part = lines[at : at + self._batch_lines]
            answer = await self._deliver(sender, part)
            if answer.verdict is not Verdict.TAKEN:
                # If it takes nothing at all, its size was not what it was refused for.
                self._batch_lines = most if answer.verdict is Verdict.DENIED else self._batch_lines
                return answer, True
            at += len(part)
            self._grow(len(part))
        self._put_aside(aside)
        self._advance(
            records[-1].seq if records else self._at.tail_seq, rows[-1].seq if rows else self._at.row_seq, stamps
        )
        return Answer(Verdict.TAKEN), len(records) == RECORDS or len(rows) == EVENTS

    async def _deliver(self, sender: Sender, lines: list[str]) -> Answer:
        """Send lines; halve on 'too large'; on a refusal find the lines that are to blame and put them aside."""
        if not lines:
            return Answer(Verdict.TAKEN)
        self._pulse.turn(PART, 4 * self._settings.forward.timeout_s)  # the lines, and one line that all stores take
        answer = await sender.send(lines)
        if answer.verdict is Verdict.TAKEN:
            self._lines_sent += len(lines)
        if answer.verdict not in (Verdict.REFUSED, Verdict.TOO_LARGE):
            return answer
        if len(lines) == 1:
            self._dead += 1
            self._store.put_dead_letter(self._clock.utc_ms(), lines[0], answer.text)
            return Answer(Verdict.TAKEN)
        half = len(lines) // 2
        if answer.verdict is Verdict.TOO_LARGE:
            self._batch_lines, self._smooth = max(1, half), 0
        for part in (lines[:half], lines[half:]):
            answer = await self._deliver(sender, part)
            if answer.verdict is not Verdict.TAKEN:
                return answer
        return answer

    def _grow(self, lines: int) -> None:
        """After a row of full writes that went through, larger ones are tried again: a proxy's limit may be gone."""
        if lines < self._batch_lines:
            return
        self._smooth += 1
        if self._smooth >= GROW_AFTER:
            self._smooth = 0
            self._batch_lines = min(2 * self._batch_lines, self._settings.forward.batch_lines)

    def _advance(self, tail_seq: int, row_seq: int, stamps: Used) -> None:
        now_ns = self._clock.mono_ns()
        self._at = Mark(now_ns, tail_seq, row_seq, stamps)
        if now_ns - self._marks[-1].mono_ns >= 1_000_000_000:
            self._marks.append(self._at)
        while len(self._marks) > 1 and now_ns - self._marks[1].mono_ns > RESEND_NS:
            self._marks.popleft()
        self._kept = safe = self._safe(now_ns)
        if safe is not self._saved:
            self._saved = safe
            self._store.set_cursor(CURSOR, self._store.epoch, safe.tail_seq, f"{safe.row_seq} {safe.stamps.kept}")
        reach("after-forward")

    def _safe(self, now_ns: int) -> Mark:
        """Up to where the store has saved everything, whatever becomes of it and of us; never further back."""
        safe = self._marks[0]
        if safe is self._begin:
            safe = next((m for m in reversed(self._marks) if now_ns - m.mono_ns > FIRST_NS), safe)
        return max(safe, self._kept, key=lambda mark: (mark.tail_seq, mark.row_seq))

    def _go_back(self) -> None:
        """What the store has acknowledged lately may be lost with it: begin again behind it, stamps included."""
        self._at = self._marks[0]
        self._marks = deque([self._at])
        self._begin = self._kept = self._at

    # --- what stays here ----------------------------------------------------------------------------------------------

    def _put_aside(self, aside: Aside) -> None:
        """The batch was taken: what of it stayed here becomes dead letters, one for each reason."""
        self._undated += aside.undated
        for (what, why), seqs in aside.damaged.items():
            new = [seq for seq in seqs if self._store.damage.add(f"a {what}, which is not forwarded", seq)]
            if new:
                self._dead += len(new)
                names = ", ".join(map(str, new[:NAMED])) + (f" and {len(new) - NAMED} more" if new[NAMED:] else "")
                self._store.put_dead_letter(self._clock.utc_ms(), f"{what} {names}", f"damaged: {why}")

    def _tell(self, up: bool, detail: str) -> None:
        if self._news.look(up, detail, self._clock.mono_ns()) and self._news.told is not None:
            self._on_link(*self._news.told)


def _mark_of(now_ns: int, tail_seq: int, extra: str) -> Mark:
    """Where the kept cursor says.

    Raises:
        ValueError, TypeError, LookupError, AttributeError: It is damaged.
    """
    row_seq, _, used = extra.partition(" ")
    if "," in row_seq:  # as earlier versions kept it
        used, _, row_seq = extra.rpartition(",")
    return Mark(now_ns, tail_seq, int(row_seq), Used.of(used))
