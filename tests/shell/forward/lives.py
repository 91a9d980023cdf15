"""One life of the forwarding, as a process that may be killed anywhere.

    python lives.py '{"site": FOLDER, "state": FOLDER, "url": URL, ...}'

It records a little and forwards it. It prints a line when the store has taken something; when its standard input has
ended it records some more, and ends when everything is certain to be in the store, or with `WORKER_DIED` where it is to
heed its worker and that has died.
"""

from __future__ import annotations

import asyncio
import json
import os
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[2])]

from nightrake import forwardbacklog, forwarding, forwardlanes, forwardmarks  # noqa: E402
from nightrake.crashpoint import VARIABLE  # noqa: E402
from nightrake.journal.store import Store  # noqa: E402
from nightrake.settings import load  # noqa: E402
from shell.forward.hourglass import Many  # noqa: E402

RECORDS, FEW, FAR_INPUTS, FAR_MS, NEVER_MS = 100, 20, 300, 10_000, 1 << 60
BATCH_LINES = 64
MORE_S = 5
WORKER_DIED = 3
LONGEST_S = 300.0


@dataclass(frozen=True)
class Life:
    """What one is to do.

    Attributes:
        site, state, url: Settings folder; folder of the store; where the store forwarded to is.
        record_s: Seconds of scans that it records first. back_s: Its clock was set back by so much before them.
        resend_s: The window in which what was acknowledged is not certain. from_ms: When the first scan of all was,
            UTC. far: What is old is left to the backlog lane. heed_worker: End when the worker has died. retry: Send
            dead letters again in the end.
    """

    site: str
    state: str
    url: str
    record_s: int = 0
    back_s: int = 0
    resend_s: float = 30.0
    from_ms: int = 0
    far: bool = True
    heed_worker: bool = False
    retry: bool = False


async def live(life: Life) -> int:
    """See the module; gives the exit code."""
    overrides = {
        "forward.enabled": True,
        "forward.url": life.url,
        "forward.batch_lines": BATCH_LINES,
        "store.dir": life.state,
    }
    settings = load(Path(life.site), overrides)
    now_ms = time.time_ns() // 1_000_000
    store = Store.open(settings.store_dir, now_utc_ms=now_ms, boot_id="boot", ballast_mb=0, keep_hours=1_000.0)
    store.start(lambda _seq: None, lambda _up, _detail: None, lambda _first, _last: None)
    at = Many(settings, store)
    last = (await store.tail_span())[1]
    if life.record_s:
        before = await store.tail_after(last - 1, 1) if last else []
        begin_ms = (before[0].utc_ms // 1000 + 1) * 1000 if before else life.from_ms
        begin_ms -= 1000 * life.back_s
        await at.record(begin_ms, life.record_s)
        await at.kept()
    else:
        at.seq = last
    at.new_forwarding()
    async with at.forwarded():
        ended = await _taken(at, life)
        if life.record_s and not ended:
            await at.record(begin_ms + 1000 * life.record_s, MORE_S)
        ended = ended or await _to_its_end(at, life)
    await store.close()
    return ended


async def _taken(at: Many, life: Life) -> int:
    """Until the store has taken something, or all, and whoever started this has closed its standard input."""
    ended = asyncio.Event()
    loop = asyncio.get_running_loop()
    # No thread of a pool: should this life fail, its end would wait for one that reads.
    threading.Thread(target=lambda: (sys.stdin.read(), loop.call_soon_threadsafe(ended.set)), daemon=True).start()
    async with asyncio.timeout(LONGEST_S):
        while not _lines(at, life) and not _done(at):
            if life.heed_worker and _worker_died(at):
                return WORKER_DIED
            await asyncio.sleep(0.005)
        print("taken", flush=True)
        await ended.wait()
    return 0


async def _to_its_end(at: Many, life: Life) -> int:
    async with asyncio.timeout(LONGEST_S):
        while not _done(at):
            if life.heed_worker and _worker_died(at):
                return WORKER_DIED
            await asyncio.sleep(0.01)
        while life.retry and await at.store.letters_after(0, 1):
            await at.forwarding.retry_letters()
            await asyncio.sleep(life.resend_s + 1.0)
    return 0


def _done(at: Many) -> bool:
    status = at.forwarding.status()
    return not status["lag_rows"] and not status["backlog"]["stretches"]


def _lines(at: Many, life: Life) -> int:
    """Taken from whoever is to die; 0 = nothing yet."""
    status = at.forwarding.status()
    return int((status["backlog"] if life.heed_worker else status)["lines"])


def _worker_died(at: Many) -> bool:
    return "it has ended" in at.forwarding.status()["backlog"]["detail"]


if __name__ == "__main__":
    given = Life(**json.loads(sys.argv[1]))
    if not given.heed_worker:
        os.environ.pop(VARIABLE, None)  # the watch is to die: a worker that dies there again and again holds it up
    forwardlanes.FAR_INPUTS, forwardlanes.FAR_MS = FAR_INPUTS, FAR_MS if given.far else NEVER_MS
    forwarding.RECORDS, forwarding.FEW = RECORDS, FEW
    forwardbacklog.RESEND_S, forwardbacklog.SETTLE_S = given.resend_s, given.resend_s / 3
    forwardmarks.FIRST_NS = forwardmarks.RESEND_NS = round(given.resend_s * 1e9)
    raise SystemExit(asyncio.run(live(given)))
