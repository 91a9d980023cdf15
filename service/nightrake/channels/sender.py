"""Tells people over the channels: what waits for each, by which ways, again when it failed, and what came of it.

    call (journal's row) --> CallQueue (latest per alarm, limit) --> ways of the person --> Line --> Worker
                                                                            journal <-- Outcome --'----'

Urgent: every way of the person at once. Anything else: the first way, and the next when it fails. Nothing here waits
for the broker, and the event loop waits for nothing here.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from nightrake.alarms.callqueue import Call, CallQueue, Limit, More, Together
from nightrake.channels.line import Attempt, Delivery, Line
from nightrake.channels.process import Worker
from nightrake.channels.spec import ChannelSpec, Outcome, Sent

Ways = Sequence[tuple[str, str]]
Words = Callable[[More], Mapping[str, Any]]
CHANGED = "ended, because the settings have changed"
WAITING = 200
"""Attempts that wait at most before others than urgent ones stay in the queue."""
FAREWELL_S = 1.5


class Channels:
    """See the module. Made and run on one event loop.

    Args:
        on_outcome: Called with what came of each message: the first failure, success, and giving up.
        words: Puts one message in the place of many into words (`subject`, `short`, `long`).
        now_s: Monotonic seconds.
    """

    def __init__(
        self, on_outcome: Callable[[Outcome], None], words: Words, now_s: Callable[[], float] = time.monotonic
    ) -> None:
        self._on_outcome = on_outcome
        self._words = words
        self._now_s = now_s
        self._queue = CallQueue()
        self._workers: dict[str, Worker] = {}
        self._lines: dict[str, Line] = {}
        self._ways: dict[str, tuple[tuple[str, str], ...]] = {}
        self._tasks: set[asyncio.Task[None]] = set()
        self._wake = asyncio.Event()
        self._stopping = False

    def configure(self, specs: Iterable[ChannelSpec], people: Mapping[str, Ways], limit: Limit) -> None:
        """Go on with these channels and people; a channel that is as it was is left alone.

        Args:
            people: For each person, name of a channel and the address there, in order.
        """
        now = {s.name: s for s in specs}
        self._queue.set_limit(limit)
        changed = {n for n, w in self._workers.items() if now.get(n) != w.spec}
        for name in changed:
            self._spawn(self._workers.pop(name).end(CHANGED))
        ways = {p: tuple((c, a) for c, a in ways if c in now) for p, ways in people.items()}
        before, self._ways = self._ways, ways
        lines, self._lines = self._lines, {n: Line() if n in changed else self._lines.get(n, Line()) for n in now}
        for name, spec in now.items():
            self._workers.setdefault(name, Worker(spec))

        def is_other(attempt: Attempt) -> bool:
            return attempt.channel in changed or not _same(before, ways, attempt)

        for attempt in [a for line in lines.values() for a in line.take_out(is_other)]:
            self._anew(attempt)
        self._wake.set()

    def _anew(self, attempt: Attempt) -> None:
        """Its channel or address has been changed: what waited for another try goes by the new one at once."""
        address = dict(self._ways.get(attempt.delivery.call.person, ())).get(attempt.channel)
        if address is None:
            self._gave_up(attempt, "this way has been taken out of the settings")
        else:
            self._lines[attempt.channel].put(attempt._replace(address=address, tries=0))

    # --- from the engine (synchronous) --------------------------------------------------------------------------------

    def call(self, call: Call) -> None:
        """Tell one person something, if a channel leads to them. The payload holds `subject`, `short`, `long`."""
        if self._ways.get(call.person):
            self._queue.mark(call)
            self._wake.set()

    def passed(self, seq: int) -> None:
        """Every call of the rows up to here has been given."""
        self._queue.pass_over(seq)

    def calls_no_longer(self, alarm: str, knows: str = "") -> None:
        """An alarm no longer calls: what waits because of it is not sent any more; `knows` is told nothing."""
        self._queue.drop(alarm, knows)

    def together(self) -> list[Together]:
        """What people have been told in one message in the place of many, since this was last asked."""
        return self._queue.noted()

    def stop(self) -> None:
        """End `run` within three seconds; what waits is told after the next start."""
        self._stopping = True
        self._wake.set()

    @property
    def calls_cursor(self) -> int:
        """Every row given with a call, up to here, has been told or given up."""
        return self._queue.cursor

    @property
    def stats(self) -> dict[str, Any]:
        """How it goes now, for status."""
        return {
            "due": self._queue.due,
            "channels": {
                name: {
                    "sent": line.sent,
                    "failed": line.failed,
                    "waiting": line.waiting,
                    "in_flight": line.flying,
                    "running": self._workers[name].running,
                }
                for name, line in self._lines.items()
            },
        }

    # --- running ------------------------------------------------------------------------------------------------------

    async def run(self) -> None:
        """Send until stopped or cancelled."""
        try:
            while not self._stopping:
                self._wake.clear()
                now_s = self._now_s()
                self._share_out(now_s)
                for name, line in self._lines.items():
                    while (attempt := line.take(now_s)) is not None:
                        self._spawn(self._try(name, line, attempt))
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(self._wait_s(now_s)):
                        await self._wake.wait()
            if self._tasks:
                await asyncio.wait(self._tasks, timeout=FAREWELL_S)
        finally:
            for task in self._tasks:
                task.cancel()
            await asyncio.gather(*self._tasks, return_exceptions=True)
            await asyncio.gather(*(w.end() for w in self._workers.values()))

    def _spawn(self, work: Any) -> None:
        task = asyncio.create_task(work, name="channels-send")
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    def _wait_s(self, now_s: float) -> float | None:
        times = [t for line in self._lines.values() if (t := line.next_s(now_s)) is not None]
        held_s = self._queue.wait_s(now_s)
        times += [] if held_s is None else [now_s + held_s]
        return max(0.01, min(times) - now_s) if times else None

    def _share_out(self, now_s: float) -> None:
        """Take what may go from the queue to the channels."""
        while (urgent := self._queue.take_urgent(now_s)) is not None:
            ways = self._ways.get(urgent.person, ())
            delivery = Delivery(urgent, len(ways), frozenset(c for c, _ in ways))
            self._begin(urgent, [Attempt(delivery, c, a) for c, a in ways])
        while sum(line.waiting for line in self._lines.values()) < WAITING:
            job = self._queue.take_other(now_s)
            if job is None:
                return
            ways = self._ways.get(job.person, ())
            self._begin(job, [Attempt(Delivery(job, 1), *ways[0], others=tuple(ways[1:]))] if ways else [])

    def _begin(self, job: Call | More, attempts: list[Attempt]) -> None:
        if not attempts:
            self._queue.done(job)  # the person is gone from the settings, or has no way any more
            return
        for attempt in attempts:
            self._lines[attempt.channel].put(attempt)

    async def _try(self, name: str, line: Line, attempt: Attempt) -> None:
        delivery, worker = attempt.delivery, self._workers.get(name)
        job = delivery.call
        stale = isinstance(job, Call) and not self._queue.still_calls(job)
        if worker is None or stale or (delivery.delivered and attempt.tries):
            line.skipped()
            self._way_ends(delivery)
            return
        payload = self._words(job) if isinstance(job, More) else job.payload
        try:
            text = str(payload[worker.spec.text])
            sent = await worker.send(attempt.address, str(payload["subject"]), text)
        except BaseException:
            line.skipped()
            self._way_ends(delivery)
            raise
        line.ended(sent.ok, self._now_s())
        if not sent.ok and self._workers.get(name) is not worker and not self._stopping:
            self._anew(attempt)
        else:
            self._on_sent(attempt._replace(tries=attempt.tries + 1), sent)
        self._wake.set()

    def _on_sent(self, attempt: Attempt, sent: Sent) -> None:
        """What follows: done, once more, or another way."""
        delivery = attempt.delivery
        if sent.ok:
            delivery.delivered = True
            self._tell(attempt, sent)
            self._way_ends(delivery)
            return
        wait_s = attempt.wait_s
        if wait_s is not None and attempt.channel in self._lines and not delivery.delivered:
            if attempt.tries == 1:
                self._tell(attempt, sent, again=True)
            self._lines[attempt.channel].put(attempt, self._now_s() + wait_s)
            return
        self._gave_up(attempt, sent.detail)

    def _gave_up(self, attempt: Attempt, why: str) -> None:
        self._tell(attempt, Sent(False, why))
        ways = dict(self._ways.get(attempt.delivery.call.person, ()))
        others = [(c, ways[c]) for c, _ in attempt.others if c in ways]
        if others:
            channel, address = others[0]
            self._lines[channel].put(Attempt(attempt.delivery, channel, address, others=tuple(others[1:])))
            self._wake.set()
        else:
            self._way_ends(attempt.delivery)

    def _way_ends(self, delivery: Delivery) -> None:
        """One of a message's ways is through; after the last one the message is."""
        delivery.ways -= 1
        if delivery.ways > 0:
            return
        job = delivery.call
        stale = isinstance(job, Call) and not self._queue.still_calls(job)
        if delivery.delivered or not (stale or self._stopping or self._has_other_ways(delivery)):
            self._queue.done(job)
        else:
            self._queue.give_back(job)
        self._wake.set()

    def _has_other_ways(self, delivery: Delivery) -> bool:
        """Whether a reload has given the person ways by which an urgent message has not been tried."""
        now = {c for c, _ in self._ways.get(delivery.call.person, ())}
        return delivery.call.urgent and bool(now - delivery.by)

    def _tell(self, attempt: Attempt, sent: Sent, *, again: bool = False) -> None:
        job = attempt.delivery.call
        alarm, event, seq = ("", "more", 0)
        if isinstance(job, Call):
            alarm, event, seq = job.alarm, str(job.payload.get("event", "")), job.seq
        self._on_outcome(
            Outcome(job.person, attempt.channel, alarm, event, seq, sent.ok, sent.detail, attempt.tries, again)
        )


def _same(before: Mapping[str, Ways], now: Mapping[str, Ways], attempt: Attempt) -> bool:
    """Whether a person's address on a channel is the one that it was."""
    person = attempt.delivery.call.person
    return dict(before.get(person, ())).get(attempt.channel) == dict(now.get(person, ())).get(attempt.channel)
