"""The process that catches up: a stretch of the record that the live lane has left out, sent in order, at full speed.

    python -m nightrake.workers.forwarding        its job comes as the first line of standard input (a secret is in it)

It may be killed anywhere: it says how far the store is certain to have everything, and begins there again. Acknowledged
is not yet certain: a store that is killed forgets its last seconds. So what was acknowledged within `resend_s`, or
since the last probe that was found again, is sent again after any loss of the connection, under the same stamps. After
a loss probes from before are looked for, as the live lane does: a store that has forgotten more gets more. At the end
the last line is sent again now and then for `resend_s`, to see whether the connection stands, and until a probe that
was written behind it is found.
"""

from __future__ import annotations

import asyncio
import random
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from nightrake.crashpoint import reach
from nightrake.errors import NightrakeError
from nightrake.historian.dating import Dating
from nightrake.historian.delivery import Delivery
from nightrake.historian.probing import Probing
from nightrake.historian.sending import Answer, Sender, StoreTarget, Verdict
from nightrake.historian.stamps import Stamps
from nightrake.keptsettings import from_built
from nightrake.workers.drawing import Chunk, Drawing
from nightrake.workers.extent import extent_of
from nightrake.workers.lastturns import take_the_last_turns
from nightrake.workers.line import Line, be_last
from nightrake.workers.places import Mark, Places

JOB_S = 30.0
LANE = "backlog"
SAY_S = 2.0
TOUCH_S = 5.0
BACKOFF_S = (0.5, 30.0)


@dataclass(frozen=True)
class Job:
    """What the watch asks for.

    Attributes:
        state_dir: Folder of the store. from_seq: The stretch begins after it. to_seq: Its last input number.
        stamps: As they stand behind `from_seq`, kept as text. boots: (first input, boot id) of each start of the
            machine. built: Settings as `keptsettings.built_text` writes them.
        url, org, bucket, timeout_s, token: The store. batch_lines: Of one write.
        segments: Clock segments. extent_only: Say how the clock went, and end.
        resend_s: See the module. settle_s: After this long a probe is looked for.
    """

    state_dir: str
    from_seq: int
    to_seq: int
    boots: list[tuple[int, str]]
    segments: list[tuple[str, int, int, bool]]
    built: str
    url: str
    org: str
    bucket: str
    timeout_s: float
    batch_lines: int
    token: str = field(default="", repr=False)
    stamps: str = ""
    extent_only: bool = False
    resend_s: float = 30.0
    settle_s: float = 10.0

    def dating(self) -> Dating:
        """What dates the records."""
        segments = [(boot, mono_ns, utc_ms, trusted) for boot, mono_ns, utc_ms, trusted in self.segments]
        return Dating(segments, [(int(seq), str(boot)) for seq, boot in self.boots])


class CatchingUp:
    """The worker at work.

    Args:
        job: What to do. say: Tells the watch. now_s: Monotonic seconds.
    """

    def __init__(self, job: Job, say: Callable[..., None], now_s: Callable[[], float] = time.monotonic) -> None:
        self._job, self._say, self._now_s = job, say, now_s
        self._site = from_built(job.built)[0]
        target = StoreTarget(job.url, job.org, job.bucket, job.timeout_s, job.token)
        self._sender = Sender(target)
        clocks = (lambda: round(now_s() * 1e9)), (lambda: time.time_ns() // 1_000_000)
        self._probing = Probing(target, self._site.id, *clocks, lane=LANE, settle_ns=round(job.settle_s * 1e9))
        self._delivery = Delivery(job.batch_lines, self._put_aside)
        self._rng = random.Random("backlog")
        self._places = Places(Mark(now_s(), job.from_seq, Stamps.of(job.stamps)), job.resend_s)
        self._wait_s = BACKOFF_S[0]
        self._last_line = ""
        self._next_say_s = 0.0

    async def run(self) -> None:
        """Until everything is certain to be in the store."""
        job, state_dir = self._job, Path(self._job.state_dir)
        drawing = Drawing(state_dir, job.to_seq, job.dating(), self._site, job.batch_lines)
        try:
            while True:
                drawing.begin(self._places.at.seq, self._places.at.stamps)
                if await self._to_the_end(drawing) and await self._is_certain():
                    break
                self._go_back()
        finally:
            drawing.close()
            self._sender.close()
            self._probing.close()
        reach("catching-done")
        self._say(done=True, stamps=self._places.at.stamps.kept, lines=self._delivery.lines)

    def _go_back(self) -> None:
        self._places.go_back()
        if not self._probing.keeps_nothing:
            self._probing.forget()
        reach("catching-back")

    async def _to_the_end(self, drawing: Drawing) -> bool:
        """Send chunk after chunk, the next one made meanwhile; False where it is to begin again behind the mark."""
        if not await self._stands():
            return False
        chunk = drawing.chunk()
        while chunk is not None:
            reach("catching-drawn")
            sending = asyncio.create_task(self._delivery.deliver(self._sender, chunk.lines))
            await asyncio.sleep(0)
            following = drawing.chunk()
            answer = await sending
            if not self._took(await self._through(answer, chunk), chunk) or not await self._stands():
                return False
            chunk = following
        return True

    async def _stands(self) -> bool:
        """Probes are looked for and written; False where it is to begin again: what was written may be gone."""
        answer = await self._probing.turn(self._sender)
        while answer.asks_to_wait:
            await self._pause(answer)
            answer = await self._probing.turn(self._sender)
        if answer.verdict is not Verdict.TAKEN:
            await self._pause(answer)
            return False
        if self._probing.keeps_nothing:
            words = f"{self._job.url} acknowledges what is written, and keeps nothing of it"
            await self._pause(Answer(Verdict.DENIED, words))
            return False
        return not answer.lost

    async def _pause(self, answer: Answer) -> None:
        self._report(answer.text)
        await asyncio.sleep(max(answer.retry_after_s, self._wait_s * self._rng.uniform(0.5, 1.0)))
        self._wait_s = min(2 * self._wait_s, BACKOFF_S[1])

    async def _through(self, answer: Answer, chunk: Chunk) -> Answer:
        """Whatever is in the way goes by: the chunk is sent until it is taken."""
        lost, lines = answer.lost, chunk.lines
        while answer.verdict is not Verdict.TAKEN:
            lost = lost or not answer.asks_to_wait
            lines = lines[self._delivery.done :]
            await self._pause(answer)
            answer = await self._delivery.deliver(self._sender, lines)
            lost = lost or answer.lost
        self._wait_s = BACKOFF_S[0]
        if not lost and self._probing.in_doubt:
            return answer._replace(lost=await self._has_forgotten())
        return answer._replace(lost=lost)

    async def _has_forgotten(self) -> bool:
        """After a loss: whether the store has forgotten more than what was sent again."""
        kept_ns = await self._probing.kept_until_ns(lambda: None)
        if kept_ns is None or not self._places.go_back_behind(kept_ns / 1e9):
            return False
        safe = self._places.safe
        self._say(back=safe.seq, stamps=safe.stamps.kept)
        return True

    def _took(self, answer: Answer, chunk: Chunk) -> bool:
        if answer.lost:
            return False
        reach("catching-sent")
        now_s = self._now_s()
        if chunk.damaged or chunk.undated:
            damaged = [[what, why, seqs] for (what, why), seqs in chunk.damaged.items()]
            self._say(damaged=damaged, undated=chunk.undated)
        if chunk.lines:
            self._last_line = chunk.lines[-1]
        self._places.took(Mark(now_s, chunk.seq, chunk.stamps), is_end=chunk.seq >= self._job.to_seq)
        self._settle(now_s)
        if now_s >= self._next_say_s:
            self._next_say_s = now_s + SAY_S
            self._report("", chunk.seq)
        return True

    def _settle(self, now_s: float) -> None:
        verified_ns = self._probing.verified_ns
        if self._places.settle(now_s, None if verified_ns is None else verified_ns / 1e9):
            reach("catching-safe")

    def _report(self, detail: str, at: int | None = None) -> None:
        safe = self._places.safe
        where = self._places.at.seq if at is None else at
        facts = {"safe": safe.seq, "stamps": safe.stamps.kept, "at": where, "lines": self._delivery.lines}
        self._say(**facts, up=not detail, detail=detail)

    async def _is_certain(self) -> bool:
        """Wait until the store has saved the last, whatever becomes of it; False where the connection was lost."""
        begin_s = self._now_s()
        self._probing.hurry()
        while (left_s := begin_s + self._job.resend_s - self._now_s()) > 0 or not self._is_verified(begin_s):
            self._settle(self._now_s())
            self._report("", self._job.to_seq)
            step_s = min(TOUCH_S, self._job.resend_s / 4)
            await asyncio.sleep(min(step_s, left_s) if left_s > 0 else step_s)
            if not await self._stands():
                return False
            answer = await self._sender.send([self._last_line]) if self._last_line else Answer(Verdict.TAKEN)
            if answer.lost or not (answer.verdict is Verdict.TAKEN or answer.asks_to_wait):
                return False
            if self._probing.in_doubt and await self._has_forgotten():
                return False
        return True

    def _is_verified(self, since_s: float) -> bool:
        """Whether a probe that was written since then was found again, or nobody can know."""
        verified_ns = self._probing.verified_ns
        return verified_ns is None or verified_ns / 1e9 >= since_s

    def _put_aside(self, line: str, why: str) -> None:
        self._say(dead=[[line, why]])


def main() -> None:
    """Do one job; the end of standard input ends it at once."""
    be_last()
    take_the_last_turns()
    line = Line()
    given: dict[str, Any] = line.ask(JOB_S)
    if not given:
        sys.exit("no job was given")
    try:
        job = Job(**given)
        if job.extent_only:
            used_ms = Stamps.of(job.stamps).highest_ms
            together = [{p.endpoint for p in d.points().values()} for d in from_built(job.built)[0].drives.values()]
            stretch = job.from_seq, job.to_seq
            found = extent_of(Path(job.state_dir), *stretch, job.dating(), used_ms, together)
            line.say(extent=list(found))
            return
        asyncio.run(CatchingUp(job, line.say).run())
    except NightrakeError as error:
        line.say(error=str(error))
        sys.exit(1)


if __name__ == "__main__":
    main()
