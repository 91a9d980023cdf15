"""Samples and events to an InfluxDB-protocol store, from a cursor over the hot tail and one over the journal.

At least once: after any loss of the connection everything behind the kept cursor (see `forwardmarks`) is sent again,
under the same stamps, so that a store which drops duplicates ends up with each sample once.
"""

from __future__ import annotations

import asyncio
import contextlib
import random
from collections.abc import Callable
from typing import Any

from nightrake.clock import Clock
from nightrake.crashpoint import reach
from nightrake.domain.pulse import Pulse
from nightrake.errors import NightrakeError, StoreError
from nightrake.field.linknews import LinkNews
from nightrake.forwardbacklog import EXTENT_S, Damaged, Dead, Order
from nightrake.forwardlanes import Lanes
from nightrake.forwardletters import Letters
from nightrake.forwardlines import Aside, Lines
from nightrake.forwardrate import Rate
from nightrake.historian.dating import Dating
from nightrake.historian.delivery import Delivery
from nightrake.historian.probing import Probing
from nightrake.historian.sending import Answer, Sender, StoreTarget, Verdict
from nightrake.journal.store import Store
from nightrake.reloading import SECRETS_S, in_thread
from nightrake.settings import Settings, secret

PART = "forwarding"
PERIOD_S = 0.5
RECORDS = 2000
FEW = 100
"""Records of the first batch after trouble: of a store that comes and goes, or hardly moves, no batch of two thousand
may ever be taken whole, and only behind one that was is it looked whether the live lane is far behind."""
EVENTS = 500
BACKOFF_S = (0.5, 30.0)
SEALED_AWAY = "what comes next is in the sealed history, and the process that sends it from there fails; see the log"
NAMED = 20
"""Numbers named in one dead letter."""


class Forwarding:
    """Forwards until cancelled; idle when the settings say so.

    Args:
        settings: Where to. store: The tail and journal. clock: Durations and trust.
        newest_input: Gives the number of the newest recorded input.
        on_link: Called on each change: (up, detail). pulse: Is told that it goes on.
        news: Whether an event is on its way out, which goes first.
    """

    def __init__(
        self,
        settings: Settings,
        store: Store,
        clock: Clock,
        newest_input: Callable[[], int],
        on_link: Callable[[bool, str], None],
        pulse: Pulse | None = None,
        news: Callable[[], bool] = lambda: False,
    ) -> None:
        self._store = store
        self._clock = clock
        self._on_link = on_link
        self._pulse = pulse or Pulse(lambda: clock.mono_ns() / 1e9)
        self._on_its_way = news
        self._news = LinkNews()
        self._again = asyncio.Event()
        self._rng = random.Random("forward")
        self._lanes = Lanes(store, clock, newest_input, self._put_backlog_aside)
        self._place, self._backlog = self._lanes.place, self._lanes.backlog
        self._delivery = Delivery(settings.forward.batch_lines, self._put_letter, self._write_turn)
        self._letters = Letters(store, settings.forward.batch_lines, clock.mono_ns)
        self._rate = Rate(clock.mono_ns)
        self._dating: Dating | None = None
        self._probing: Probing | None = None
        self._dead = self._undated = 0
        self._sent_utc_ms = 0
        self._flows = False
        self._take(settings)

    def _take(self, settings: Settings, before: Lines | None = None) -> None:
        self._settings = settings
        self._delivery.begin_anew(settings.forward.batch_lines)
        self._lines = Lines(settings.site, self._store.layout, before, self._on_its_way)

    def settings_changed(self, settings: Settings) -> None:
        """Go on with other settings."""
        self._take(settings, self._lines)
        self._again.set()

    @property
    def dead_letters(self) -> int:
        """What this run has given up."""
        return self._dead

    def status(self) -> dict[str, Any]:
        """How it goes, as plain values."""
        up, detail = self._news.state or (False, "not connected yet")
        lag_rows = self._lanes.lag_rows
        behind_ms = self._clock.utc_ms() - self._sent_utc_ms if lag_rows and self._sent_utc_ms else 0
        return {
            "enabled": self._settings.forward.enabled,
            "up": up,
            "detail": detail,
            "cursor": self._place.at.tail_seq,
            "event_cursor": self._place.at.row_seq,
            "lag_rows": lag_rows,
            "lag_s": round(max(0, behind_ms) / 1e3, 1),
            "lines": self._delivery.lines,
            "lines_per_s": self._rate.per_s(),
            "backlog": self._backlog.status(),
            "probe": self._probing.status() if self._probing is not None else {"read_back": "", "by": ""},
            "dead_letters": self._dead,
            "undated": self._undated,
        }

    async def retry_letters(self) -> dict[str, int]:
        """Send again what the store has refused; see `Letters.retry`.

        Raises:
            StoreError: Nothing is forwarded.
        """
        if not self._settings.forward.enabled:
            raise StoreError("nothing is forwarded ([forward] enabled = false), so nothing can be sent again")
        return await self._letters.retry()

    async def run(self) -> None:
        """Forward until cancelled."""
        async with asyncio.TaskGroup() as group:
            group.create_task(self._backlog.run(), name="forwarder's backlog")
            await self._run_live()

    async def _run_live(self) -> None:
        while True:
            self._again.clear()
            if not self._settings.forward.enabled:
                self._backlog.order(None)
                self._pulse.rest(PART)
                await self._again.wait()
                continue
            self._pulse.turn(PART, SECRETS_S)
            try:
                target = await in_thread(self._target, SECRETS_S, "the forward token")
            except NightrakeError as error:
                self._backlog.order(None)
                self._tell(False, str(error))
                await self._rest(BACKOFF_S[1])
                continue
            if self._probing is not None:
                self._place.go_back()  # a connection ends here, and nobody sees how
            self._probing = Probing(target, self._settings.site.id, self._clock.mono_ns, self._clock.utc_ms)
            sender = Sender(target)
            try:
                await self._forward(sender, self._probing, Order(target, self._settings))
            finally:
                sender.close()
                self._probing.close()

    def _target(self) -> StoreTarget:
        f = self._settings.forward
        token = secret(f.token_file, f.token_env, "forward token").reveal()
        return StoreTarget(f.url, f.org, f.bucket, f.timeout_s, token)

    async def _forward(self, sender: Sender, probing: Probing, order: Order) -> None:
        wait_s = BACKOFF_S[0]
        while not self._again.is_set():
            self._pulse.turn(PART)
            try:
                dating = await self._dates()
                if dating is None:
                    self._tell(False, "waiting for a clock that can be believed")
                    await self._rest(PERIOD_S)
                    continue
                self._backlog.order(order)
                answer, more = await self._turn(sender, probing, dating)
            except StoreError as error:
                self._tell(False, str(error))
                await self._rest(BACKOFF_S[0])
                continue
            if answer is None or (answer.verdict is Verdict.TAKEN and not answer.lost):
                wait_s = BACKOFF_S[0]
                if probing.in_doubt:
                    self._place.go_back_behind(await probing.kept_until_ns(self._write_turn))
                    more = True
                if answer is not None:
                    self._tell(True, "")
                if not more:
                    await self._rest(PERIOD_S)
                continue
            self._flows = False
            if not answer.asks_to_wait:
                self._go_back(probing)
            if answer.verdict is not Verdict.TAKEN:
                self._tell(False, answer.text)
                pause_s = max(answer.retry_after_s, wait_s * self._rng.uniform(0.5, 1.0))
                await self._rest(PERIOD_S if probing.keeps_nothing else pause_s)  # a probe says when it is over
                wait_s = min(2 * wait_s, BACKOFF_S[1])

    def _go_back(self, probing: Probing) -> None:
        """What the store has acknowledged lately may be lost with it."""
        self._place.go_back()
        reach("after-gone-back")
        self._letters.forget()
        if not probing.keeps_nothing:
            probing.forget()

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

    async def _turn(self, sender: Sender, probing: Probing, dating: Dating) -> tuple[Answer | None, bool]:
        """Do what comes next; what came of it, None where there was nothing to do, and whether there is more."""
        self._write_turn()
        answer = await probing.turn(sender)
        self._place.verified_ns = probing.verified_ns
        if answer.verdict is not Verdict.TAKEN or answer.lost:
            return answer, True
        if probing.keeps_nothing:
            words = f"{self._settings.forward.url} acknowledges what is written, and keeps nothing of it"
            return Answer(Verdict.DENIED, f"{words}: a line written there cannot be read back; check the store"), False
        answer = await self._letters.turn(sender)
        if answer.verdict is not Verdict.TAKEN or answer.lost:
            return answer, True
        return await self._one_batch(sender, dating)

    async def _one_batch(self, sender: Sender, dating: Dating) -> tuple[Answer | None, bool]:
        """Send what comes next; (None, False) when there is nothing. The cursor moves only when it was taken."""
        at, most = self._place.at, RECORDS if self._flows else FEW
        records = [] if self._backlog.holds else await self._store.tail_after(at.tail_seq, most)
        rows = await self._store.rows_after(at.row_seq, EVENTS)
        if not records and not rows:
            return None, False
        if records and not await self._may_send(records[0].seq):
            return Answer(Verdict.UNREACHABLE, SEALED_AWAY), True
        if self._place.at is not at:
            return None, True
        stamps, aside = at.stamps.copy(), Aside()
        lines = await self._lines.of(records, rows, stamps, dating, aside)
        reach("after-drawn")
        answer = await self._delivery.deliver(sender, lines)
        if answer.verdict is not Verdict.TAKEN or answer.lost:
            return answer, True
        self._flows = True
        self._put_aside(aside)
        self._rate.count(self._delivery.lines)
        if self._place.at is at:
            tail_seq = records[-1].seq if records else at.tail_seq
            self._place.advance(tail_seq, rows[-1].seq if rows else at.row_seq, stamps)
            self._sent_utc_ms = records[-1].utc_ms if records else self._sent_utc_ms
        reach("after-forward")
        if len(records) == most and self._lanes.is_far_behind(self._sent_utc_ms):
            self._pulse.turn(PART, EXTENT_S)
            await self._lanes.split()
        return answer, len(records) == most or len(rows) == EVENTS

    async def _may_send(self, first_seq: int) -> bool:
        self._pulse.turn(PART, EXTENT_S)
        return await self._lanes.may_send(first_seq)

    def _put_backlog_aside(self, dead: Dead, damaged: Damaged, undated: int) -> None:
        for line, why in dead:
            self._put_letter(line, why)
        aside = Aside()
        aside.undated, aside.damaged = undated, damaged
        self._put_aside(aside)

    # --- what stays here ----------------------------------------------------------------------------------------------

    def _write_turn(self) -> None:
        self._pulse.turn(PART, 4 * self._settings.forward.timeout_s)  # lines, and one line that all stores take

    def _put_letter(self, line: str, why: str) -> None:
        self._dead += 1
        reach("before-letter")
        self._store.put_dead_letter(self._clock.utc_ms(), line, why)
        reach("after-letter")

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
