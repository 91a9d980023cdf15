"""The process that catches up: a stretch of the record that the live lane has left out, sent in order, at full speed.

    python -m nightrake.workers.forwarding        its job comes as the first line of standard input (a secret is in it)

It may be killed anywhere: it says how far the store is certain to have everything, and begins there again. Acknowledged
is not yet certain: a store that is killed forgets its last seconds. So what was acknowledged within `resend_s` is sent
again after any loss of the connection, under the same stamps; and at the end the last line is sent again now and then
for as long, to see whether the connection stands.
"""

from __future__ import annotations

import asyncio
import random
import sys
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

from nightrake.errors import NightrakeError
from nightrake.historian.dating import Dating
from nightrake.historian.delivery import Delivery
from nightrake.historian.sending import Answer, Sender, StoreTarget, Verdict
from nightrake.historian.stamps import Stamps
from nightrake.keptsettings import from_built
from nightrake.workers.drawing import Chunk, Drawing
from nightrake.workers.extent import extent_of
from nightrake.workers.line import Line, be_last

JOB_S = 30.0
MARK_S = 1.0
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
        resend_s: See the module.
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

    def dating(self) -> Dating:
        """What dates the records."""
        segments = [(boot, mono_ns, utc_ms, trusted) for boot, mono_ns, utc_ms, trusted in self.segments]
        return Dating(segments, [(int(seq), str(boot)) for seq, boot in self.boots])


class Mark(NamedTuple):
    """A place to go back to."""

    at_s: float
    seq: int
    stamps: Stamps


class CatchingUp:
    """The worker at work.

    Args:
        job: What to do. say: Tells the watch. now_s: Monotonic seconds.
    """

    def __init__(self, job: Job, say: Callable[..., None], now_s: Callable[[], float] = time.monotonic) -> None:
        self._job, self._say, self._now_s = job, say, now_s
        self._sender = Sender(StoreTarget(job.url, job.org, job.bucket, job.timeout_s, job.token))
        self._delivery = Delivery(job.batch_lines, self._put_aside)
        self._rng = random.Random("backlog")
        self._marks = deque([Mark(now_s(), job.from_seq, Stamps.of(job.stamps))])
        self._last_line = ""
        self._next_say_s = 0.0

    async def run(self) -> None:
        """Until everything is certain to be in the store."""
        job, state_dir = self._job, Path(self._job.state_dir)
        drawing = Drawing(state_dir, job.to_seq, job.dating(), from_built(job.built)[0], job.batch_lines)
        try:
            while True:
                drawing.begin(self._marks[-1].seq, self._marks[-1].stamps)
                if await self._to_the_end(drawing) and await self._is_certain():
                    break
                self._marks = deque([self._marks[0]._replace(at_s=self._now_s())])
        finally:
            drawing.close()
            self._sender.close()
        self._say(done=True, stamps=self._marks[-1].stamps.kept, lines=self._delivery.lines)

    async def _to_the_end(self, drawing: Drawing) -> bool:
        """Send chunk after chunk, the next one made meanwhile; False where it is to begin again behind the mark."""
        chunk = drawing.chunk()
        while chunk is not None:
            sending = asyncio.create_task(self._delivery.deliver(self._sender, chunk.lines))
            await asyncio.sleep(0)
            following = drawing.chunk()
            answer = await sending
            if not self._took(await self._through(answer, chunk), chunk):
                return False
            chunk = following
        return True

    async def _through(self, answer: Answer, chunk: Chunk) -> Answer:
        """Whatever is in the way goes by: the chunk is sent until it is taken."""
        wait_s, lost = BACKOFF_S[0], answer.lost
        while answer.verdict is not Verdict.TAKEN:
            lost = True
            self._report(answer.text)
            await asyncio.sleep(max(answer.retry_after_s, wait_s * self._rng.uniform(0.5, 1.0)))
            wait_s = min(2 * wait_s, BACKOFF_S[1])
            answer = await self._delivery.deliver(self._sender, chunk.lines)
        return answer._replace(lost=lost)

    def _took(self, answer: Answer, chunk: Chunk) -> bool:
        if answer.lost:
            return False
        now_s = self._now_s()
        if chunk.damaged or chunk.undated:
            damaged = [[what, why, seqs] for (what, why), seqs in chunk.damaged.items()]
            self._say(damaged=damaged, undated=chunk.undated)
        if chunk.lines:
            self._last_line = chunk.lines[-1]
        if now_s - self._marks[-1].at_s >= MARK_S or chunk.seq >= self._job.to_seq:
            self._marks.append(Mark(now_s, chunk.seq, chunk.stamps))
        self._look(now_s)
        if now_s >= self._next_say_s:
            self._next_say_s = now_s + SAY_S
            self._report("", chunk.seq)
        return True

    def _look(self, now_s: float) -> None:
        """Marks that are old enough: the store is certain to have what lies before them."""
        while len(self._marks) > 1 and now_s - self._marks[1].at_s > self._job.resend_s:
            self._marks.popleft()

    def _report(self, detail: str, at: int | None = None) -> None:
        safe = self._marks[0]
        where = self._marks[-1].seq if at is None else at
        facts = {"safe": safe.seq, "stamps": safe.stamps.kept, "at": where, "lines": self._delivery.lines}
        self._say(**facts, up=not detail, detail=detail)

    async def _is_certain(self) -> bool:
        """Wait until the store has saved the last, whatever becomes of it; False where the connection was lost."""
        end_s = self._now_s() + self._job.resend_s
        while (left_s := end_s - self._now_s()) > 0:
            self._look(self._now_s())
            self._report("", self._job.to_seq)
            await asyncio.sleep(min(TOUCH_S, self._job.resend_s / 4, left_s))
            answer = await self._sender.send([self._last_line]) if self._last_line else Answer(Verdict.TAKEN)
            if answer.lost or answer.verdict is not Verdict.TAKEN:
                return False
        return True

    def _put_aside(self, line: str, why: str) -> None:
        self._say(dead=[[line, why]])


def main() -> None:
    """Do one job; the end of standard input ends it at once."""
    be_last()
    line = Line()
    given: dict[str, Any] = line.ask(JOB_S)
    if not given:
        sys.exit("no job was given")
    try:
        job = Job(**given)
        if job.extent_only:
            used_ms = Stamps.of(job.stamps).highest_ms
            found = extent_of(Path(job.state_dir), job.from_seq, job.to_seq, job.dating(), used_ms)
            line.say(extent=list(found))
            return
        asyncio.run(CatchingUp(job, line.say).run())
    except NightrakeError as error:
        line.say(error=str(error))
        sys.exit(1)


if __name__ == "__main__":
    main()
