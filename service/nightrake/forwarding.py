"""Samples and events to an InfluxDB-protocol store, from a cursor over the hot tail and one over the journal.

At least once: the kept cursor stays 30 seconds behind what the store has acknowledged, since a store that is killed
forgets its last seconds; after any loss of the connection everything behind the cursor is sent again, under the same
stamps, so that a store which drops duplicates ends up with each sample once.
"""

from __future__ import annotations

import asyncio
import contextlib
import random
import re
from collections import deque
from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from nightrake.clock import Clock
from nightrake.crashpoint import reach
from nightrake.domain.rows import Row, TailRecord
from nightrake.domain.sampling import Sampler
from nightrake.domain.site import SiteSpec
from nightrake.domain.tailcodec import unpack_scan
from nightrake.domain.wiring import wire_site
from nightrake.errors import NightrakeError, StoreError
from nightrake.field.linknews import LinkNews
from nightrake.historian.lineprotocol import Stamps, head, line
from nightrake.historian.sending import Answer, Sender, StoreTarget, Verdict
from nightrake.journal.store import Store
from nightrake.kept import plan_from_json
from nightrake.reloading import SECRETS_S, in_thread
from nightrake.settings import Settings, secret

CURSOR = "forward"
PERIOD_S = 0.5
RESEND_NS = 30_000_000_000
RECORDS = 2000
EVENTS = 500
YIELD_RECORDS = 16
"""After this many the pollers get their turn: two thousand in one go would hold them up for 100 ms."""
BACKOFF_S = (0.5, 30.0)
GROW_AFTER = 50
"""After so many full writes in a row that went through, writes twice as large are tried."""
_SAFE = re.compile(r"[^A-Za-z0-9_./-]")


class Mark(NamedTuple):
    """A place to go back to: the cursors and stamps as they stood."""

    mono_ns: int
    tail_seq: int
    row_seq: int
    stamps: Stamps


class Forwarding:
    """Forwards until cancelled; idle when the settings say so.

    Args:
        settings: Where to. store: The tail and journal. clock: Durations and trust.
        newest_input: Gives the number of the newest recorded input.
        on_link: Called on each change: (up, detail).
    """

    def __init__(
        self,
        settings: Settings,
        store: Store,
        clock: Clock,
        newest_input: Callable[[], int],
        on_link: Callable[[bool, str], None],
    ) -> None:
        self._store = store
        self._clock = clock
        self._newest_input = newest_input
        self._on_link = on_link
        self._news = LinkNews()
        self._again = asyncio.Event()
        self._awake = asyncio.Event()
        self._rng = random.Random("forward")
        kept = store.get_cursor(CURSOR)
        tail_seq, (used, row_seq) = (kept[1], kept[2].split(",")) if kept else (0, ["0", "0"])
        self._at = Mark(clock.mono_ns(), tail_seq, int(row_seq), Stamps.of(used))
        self._marks: deque[Mark] = deque([self._at])
        self._lines_sent = self._dead = 0
        self._batch_lines = self._smooth = 0
        self._take(settings)

    def _take(self, settings: Settings) -> None:
        self._settings = settings
        self._batch_lines = settings.forward.batch_lines
        self._site: SiteSpec = settings.site
        self._wires = wire_site(settings.site)
        self._samplers: dict[str, Sampler | None] = {}
        self._plans: dict[str, Any] = {}
        self._heads = {d: head("nightrake_drive", {"site": settings.site.id, "drive": d}) for d in settings.site.drives}

    def settings_changed(self, settings: Settings) -> None:
        """Go on with other settings."""
        self._take(settings)
        self._again.set()
        self._awake.set()

    def wake(self) -> None:
        """Something was journalled."""
        self._awake.set()

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
        }

    async def run(self) -> None:
        """Forward until cancelled."""
        while True:
            self._again.clear()
            if not self._settings.forward.enabled:
                await self._again.wait()
                continue
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
            if not self._clock.trusted():
                self._tell(False, "waiting for a clock that can be believed")
                await self._rest(PERIOD_S)
                continue
            try:
                answer, more = await self._one_batch(sender)
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

    async def _rest(self, seconds: float) -> None:
        """Wait; other settings end it."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                await self._again.wait()

    async def _one_batch(self, sender: Sender) -> tuple[Answer | None, bool]:
        """Send what comes next; (None, False) when there is nothing. The cursor moves only when it was taken."""
        records = await self._store.tail_after(self._at.tail_seq, RECORDS)
        rows = await self._store.rows_after(self._at.row_seq, EVENTS)
        if not records and not rows:
            return None, False
        stamps = self._at.stamps.copy()
        lines = await self._lines(records, rows, stamps)
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
        self._advance(
            records[-1].seq if records else self._at.tail_seq, rows[-1].seq if rows else self._at.row_seq, stamps
        )
        return Answer(Verdict.TAKEN), len(records) == RECORDS or len(rows) == EVENTS

    async def _deliver(self, sender: Sender, lines: list[str]) -> Answer:
        """Send lines; halve on 'too large'; on a refusal find the lines that are to blame and put them aside."""
        if not lines:
            return Answer(Verdict.TAKEN)
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

    def _advance(self, tail_seq: int, row_seq: int, stamps: Stamps) -> None:
        now_ns = self._clock.mono_ns()
        self._at = Mark(now_ns, tail_seq, row_seq, stamps)
        if now_ns - self._marks[-1].mono_ns >= 1_000_000_000:
            self._marks.append(self._at)
        while len(self._marks) > 1 and now_ns - self._marks[1].mono_ns > RESEND_NS:
            self._marks.popleft()
        safe = self._marks[0]
        self._store.set_cursor(CURSOR, self._store.epoch, safe.tail_seq, f"{safe.stamps.kept},{safe.row_seq}")
        reach("after-forward")

    def _go_back(self) -> None:
        """What the store has acknowledged lately may be lost with it: begin again behind it, stamps included."""
        self._at = self._marks[0]
        self._marks = deque([self._at])

    # --- lines --------------------------------------------------------------------------------------------------------

    async def _lines(self, records: list[TailRecord], rows: list[Row], stamps: Stamps) -> list[str]:
        lines: list[str] = []
        heads = self._heads
        for number, record in enumerate(records):
            if number % YIELD_RECORDS == 0:
                await asyncio.sleep(0)
            if record.kind != "scan":
                continue
            sampler = await self._sampler(record.layout)
            if sampler is None:
                continue
            for drive, fields in sampler.samples(unpack_scan(record, self._plans[record.layout])):
                if drive in heads:  # a drive that a reload has taken away since is forwarded no more
                    lines.append(line(heads[drive], fields, stamps.take(drive, record.utc_ms)))
        for row in rows:
            series = head("nightrake_event", self._event_tags(row))
            lines.append(line(series, {"seq": float(row.seq)}, stamps.take(series, row.utc_ms)))
        return lines

    def _event_tags(self, row: Row) -> Mapping[str, str]:
        tags = {"site": self._site.id, "kind": row.kind, "event": _SAFE.sub("_", row.event)}
        if row.drive:
            tags["drive"] = row.drive
        if row.direction:
            tags["direction"] = row.direction
        return tags

    async def _sampler(self, layout: str) -> Sampler | None:
        if layout not in self._samplers:
            text = await self._store.layout(layout)
            plan = plan_from_json(text) if text else None
            self._plans[layout] = plan
            self._samplers[layout] = Sampler(plan, self._wires) if plan is not None else None
        return self._samplers[layout]

    def _tell(self, up: bool, detail: str) -> None:
        if self._news.look(up, detail, self._clock.mono_ns()) and self._news.told is not None:
            self._on_link(*self._news.told)
