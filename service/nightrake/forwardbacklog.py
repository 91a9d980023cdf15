"""The backlog lane as the watch sees it: stretches of the record that the live lane has left out, and one process that
sends them.

    live     newest input N, far behind --> leaves out (kept, N], goes on behind N
    backlog  process: record --> store forwarded to, 'certain up to M' --> cursor 'forward_backlog'

A stretch is kept until the store is certain to have all of it. The process is started only while there is one. Where
the clock was moved while a stretch was made, its stamps may reach beyond its time: then the live lane waits for it, so
that stamps go on rising.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import sys
from collections.abc import Callable
from typing import Any, NamedTuple

from nightrake.clock import Clock
from nightrake.crashpoint import reach
from nightrake.errors import StoreError
from nightrake.forwardmarks import RESEND_NS
from nightrake.forwardprocess import LONGEST_LINE, end, hear
from nightrake.forwardrate import Rate
from nightrake.historian.probing import SETTLE_NS
from nightrake.historian.sending import StoreTarget
from nightrake.historian.split import Extent
from nightrake.historian.stamps import Stamps
from nightrake.journal.damage import WRONG
from nightrake.journal.store import Store
from nightrake.keptsettings import built_text
from nightrake.loglibrary import structlog
from nightrake.settings import Settings

log = structlog.get_logger("nightrake.forwarding")

CURSOR = "forward_backlog"
MOST = 32
"""Stretches that are told apart; a store that comes and goes makes more, and then the last two become one."""
EXTENT_S = 120.0
"""So long the process may look through a stretch before it says how the clock went."""
SILENT_S = 900.0
"""It says something every few seconds, but for a store that hangs; one that is silent for this long is started anew."""
BACKOFF_S = (1.0, 60.0)
RESEND_S = RESEND_NS / 1e9
SETTLE_S = SETTLE_NS / 1e9

Dead = list[tuple[str, str]]
Damaged = dict[tuple[str, str], list[int]]


class Span(NamedTuple):
    """A stretch that was left out.

    Attributes:
        from_seq: It begins after this input number. to_seq: Its last. hold: The live lane waits for it.
        stamps: As they stand behind `from_seq`, kept as text.
    """

    from_seq: int
    to_seq: int
    hold: bool
    stamps: str


class Order(NamedTuple):
    """Where the process sends to. settings: By which it does where those of then are not kept."""

    target: StoreTarget
    settings: Settings


class Backlog:
    """See the module.

    Args:
        store: Keeps the stretches. clock: For durations.
        put_aside: Gets what the process could not send: lines that the store refused, with its words; (what, why) ->
            numbers of what is damaged; and how many nobody can date.
        on_done: Called when a stretch is done that the live lane waited for, with the stamps behind it.
    """

    def __init__(
        self,
        store: Store,
        clock: Clock,
        put_aside: Callable[[Dead, Damaged, int], None],
        on_done: Callable[[Stamps], None],
    ) -> None:
        self._store = store
        self._put_aside, self._on_done = put_aside, on_done
        self._spans = self._kept()
        self._order: Order | None = None
        self._changed = asyncio.Event()
        self._said: dict[str, Any] = {}
        self._rate = Rate(clock.mono_ns)
        self.starts = 0

    def _kept(self) -> list[Span]:
        found = self._store.get_cursor(CURSOR)
        if found is None or found[0] != self._store.epoch:
            return []
        try:
            spans = [Span(int(a), int(b), bool(hold), str(kept)) for a, b, hold, kept in json.loads(found[2])]
            for span in spans:
                Stamps.of(span.stamps)
        except WRONG:
            self._store.damage.add("a cursor, so that its destination begins as new", CURSOR)
            return []
        return spans

    def _save(self) -> None:
        text = json.dumps(self._spans, separators=(",", ":"))
        first = self._spans[0].from_seq if self._spans else 0
        self._store.set_cursor(CURSOR, self._store.epoch, first, text)

    # --- the live lane's side -----------------------------------------------------------------------------------------

    @property
    def holds(self) -> bool:
        """Whether the live lane has to wait."""
        return any(span.hold for span in self._spans)

    @property
    def left(self) -> int:
        """Inputs that are left to be sent."""
        return sum(span.to_seq - span.from_seq for span in self._spans)

    def drop_beyond(self, tail_seq: int) -> None:
        """At the start: a stretch that the live lane has not left out after all, for it died before it could."""
        if any(span.to_seq > tail_seq for span in self._spans):
            self._spans = [span for span in self._spans if span.to_seq <= tail_seq]
            self._save()

    async def measure(self, from_seq: int, to_seq: int, stamps: Stamps) -> Extent | None:
        """How the clock went in a stretch, before which stamps stood so; None where no process can say."""
        if self._order is None:
            return None
        found: list[Extent] = []

        def heard(said: dict[str, Any]) -> bool:
            if "extent" in said:
                found.append(Extent(*(int(ms) for ms in said["extent"])))
            return bool(found)

        job = {"from_seq": from_seq, "to_seq": to_seq, "stamps": stamps.kept, "extent_only": True}
        why = await self._one_life(job, heard, EXTENT_S)
        if not found:
            log.warning("backlog_worker_ended", why=why)
        return found[0] if found else None

    def leave_out(self, from_seq: int, to_seq: int, stamps: Stamps, *, hold: bool) -> None:
        """The live lane leaves a stretch out: to be called before its own cursor is moved."""
        span = Span(from_seq, to_seq, hold, stamps.kept)
        if len(self._spans) >= MOST:  # what lies between the two is sent again, under the same stamps
            last = self._spans.pop()
            span = Span(last.from_seq, to_seq, hold or last.hold, last.stamps)
        self._spans.append(span)
        self._save()
        self._changed.set()

    def order(self, order: Order | None) -> None:
        """Where to; None = nothing is sent now."""
        if order != self._order:
            self._order = order
            self._changed.set()

    def status(self) -> dict[str, Any]:
        """How it goes, as plain values."""
        at = self._said.get("at")
        sent = at - self._spans[0].from_seq if self._spans and isinstance(at, int) else 0
        return {
            "stretches": len(self._spans),
            "inputs": max(0, self.left - max(0, sent)),
            "lines": int(self._said.get("lines", 0)),
            "lines_per_s": self._rate.per_s() if self._spans else 0.0,
            "holds": self.holds,
            "detail": str(self._said.get("detail", ""))[:300],
        }

    # --- the process --------------------------------------------------------------------------------------------------

    async def run(self) -> None:
        """Keep the process at work while there is something to send, until cancelled."""
        wait_s = BACKOFF_S[0]
        while True:
            self._changed.clear()
            if not self._spans or self._order is None:
                await self._changed.wait()
                continue
            if not (why := await self._send(self._spans[0])):
                wait_s = BACKOFF_S[0]
                continue
            log.warning("backlog_worker_ended", why=why)
            self._said["detail"] = why
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(wait_s):
                    await self._changed.wait()
            wait_s = min(2 * wait_s, BACKOFF_S[1])

    async def _send(self, span: Span) -> str:
        """Send a stretch; says why that ended, "" when it is done or there is something else to do."""
        self._said = {}
        self._rate.begin()
        job = {"from_seq": span.from_seq, "to_seq": span.to_seq, "stamps": span.stamps}
        sending = asyncio.create_task(self._one_life(job, lambda said: self._take(said, span), SILENT_S))
        other = asyncio.create_task(self._until_another(self._order, span))
        try:
            await asyncio.wait({sending, other}, return_when=asyncio.FIRST_COMPLETED)
            return sending.result() if sending.done() else ""
        finally:
            sending.cancel()
            other.cancel()
            await asyncio.gather(sending, other, return_exceptions=True)

    async def _until_another(self, order: Order | None, span: Span) -> None:
        while self._order == order and self._spans and self._spans[0].to_seq == span.to_seq:
            self._changed.clear()
            await self._changed.wait()

    async def _one_life(self, job: dict[str, Any], heard: Callable[[dict[str, Any]], bool], silent_s: float) -> str:
        """One process, until `heard` says that it is enough; "" then, otherwise how it ended."""
        process = None
        try:
            line = await self._job_line(job)
            process = await asyncio.create_subprocess_exec(
                *(sys.executable, "-m", "nightrake.workers.forwarding"),
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.PIPE,
                stderr=asyncio.subprocess.DEVNULL,
                limit=LONGEST_LINE,
            )
            self.starts += 1
            return await hear(process, line, heard, silent_s)
        except TimeoutError:
            return f"it said nothing for {silent_s:g} s"
        except StoreError as error:
            return str(error)
        except OSError as error:
            return f"it could not be started, or has ended ({error.strerror or error})"
        except WRONG:
            return "it said what nobody understands"
        finally:
            if process is not None:
                await end(process)

    async def _job_line(self, job: dict[str, Any]) -> bytes:
        """The first line for the process. Not on its command line, which every user of the machine can read."""
        assert self._order is not None
        target, settings = self._order
        built = await asyncio.to_thread(built_text, settings.site, settings.response)
        more = {
            "state_dir": str(settings.store_dir),
            "boots": [list(boot)[:2] for boot in self._store.opened.boots],
            "segments": await self._store.segments(),
            "built": built,
            "url": target.url,
            "org": target.org,
            "bucket": target.bucket,
            "timeout_s": target.timeout_s,
            "batch_lines": settings.forward.batch_lines,
            "token": target.token,
            "resend_s": RESEND_S,
            "settle_s": SETTLE_S,
        }
        return json.dumps({**more, **job}, separators=(",", ":")).encode() + b"\n"

    def _take(self, said: dict[str, Any], span: Span) -> bool:
        """What the process says; whether the stretch is done.

        Raises:
            ValueError, TypeError, LookupError, AttributeError: It is not as it should be.
        """
        self._said |= {key: said[key] for key in ("at", "lines", "detail") if key in said}
        self._rate.count(int(self._said.get("lines", 0)))
        dead = [(str(line), str(why)) for line, why in said.get("dead", ())]
        damaged = {(str(what), str(why)): [int(s) for s in seqs] for what, why, seqs in said.get("damaged", ())}
        if dead or damaged or said.get("undated"):
            self._put_aside(dead, damaged, int(said.get("undated", 0)))
        first = self._spans[0]
        if first.to_seq != span.to_seq:
            return True
        if said.get("done"):
            if first.hold:
                self._on_done(Stamps.of(said["stamps"]))
            reach("before-backlog-done")
            del self._spans[0]
            self._save()
            reach("after-backlog-done")
            return True
        if "back" in said:
            self._go_back(first, int(said["back"]), str(said["stamps"]))
            return False
        safe = int(said.get("safe", 0))
        if first.from_seq < safe <= first.to_seq:
            Stamps.of(said["stamps"])
            self._spans[0] = first._replace(from_seq=safe, stamps=said["stamps"])
            self._save()
            reach("after-backlog-safe")
        return False

    def _go_back(self, first: Span, seq: int, stamps: str) -> None:
        """The store has forgotten what was certain to be there: from here on it is to come again, whoever dies now."""
        Stamps.of(stamps)
        if seq < first.from_seq:
            self._spans[0] = first._replace(from_seq=seq, stamps=stamps)
            self._save()
