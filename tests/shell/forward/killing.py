"""Aimed kills over forwarding: of the watch and of its backlog worker at every moment, of the store between them; in
the end the store holds what was recorded, counted and hashed, each sample once.

The short form is in the tests, the long one in `tests/soak/forward_kills.py`.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import random
import signal
import sys
import time
from collections import Counter
from collections.abc import AsyncIterator, Callable, Iterable, Iterator
from contextlib import asynccontextmanager
from dataclasses import asdict, replace
from pathlib import Path
from typing import NamedTuple

from nightrake.crashpoint import BACKLOG, CATCHING_UP, FORWARDING, LIVE, VARIABLE
from nightrake.domain.rows import TailRecord
from nightrake.journal.reader import Reader
from nightrake.settings import Settings, load
from peers.narrow import Narrow
from peers.victoria import Victoria
from shell.forward.hourglass import Pairs, expected_pairs, held_pairs, write_site
from shell.forward.lives import WORKER_DIED, Life

DRIVES, RECORD_S, BACK_S = 16, 40, 15
SCAN_STEP_MS, MOVED_MS = 500, 1_000
"""Scans come at whole steps; a stamp that does not was moved, and no further than the PLCs are apart."""
MOST_LINES = 24
"""What the proxy takes in one write."""
FLAGS = ("-dedup.minScrapeInterval=1ms",)
FORGETS_S, LONG_S, SHORT_S = 10.0, 12.0, 1.0
"""What VictoriaMetrics forgets at most (measured: 5 to 10 s); the window in which what was acknowledged is not certain;
and where the store is not killed."""
BEGIN_BEFORE_S = 12 * 3600
LONGEST_S = 400.0
"""Stretches of many lives may wait, each of which takes some seconds on a busy machine."""
FIELDS = ("power_kw", "running")
COUNTS = {"before-post": 20, "after-post": 20, "after-drawn": 4, "after-forward": 4}
COUNTS |= {"catching-drawn": 6, "catching-sent": 6}
"""At the how manieth time a moment kills, at most; others at the first."""
ENDS = (0, -signal.SIGKILL, WORKER_DIED)
BACK = ("after-gone-back", "catching-back")
LETTERS = ("before-letter", "after-letter")
SAFE = ("after-backlog-safe", "catching-safe")
SLOW_S = 0.05
"""A stretch takes longer than places in it are apart."""
HOLDS = ("before-backlog-done", "after-backlog-done")
"""Moments of the hand-over: the live lane waits for the stretch where the clock was set back."""
AIMS = (*FORWARDING, *LIVE, *BACKLOG, *CATCHING_UP)


class Kill(NamedTuple):
    """One life and its end.

    Attributes:
        aim: The moment, with its count. store: The store is killed in it as well. back_s, resend_s: See `Life`.
    """

    aim: str
    store: bool
    back_s: int = 0
    resend_s: float = LONG_S

    @property
    def moment(self) -> str:
        """Without the count."""
        return self.aim.partition(":")[0]


def plan(count: int, seed: int) -> Iterator[Kill]:
    """Every moment in turn, in another order each time, until there are so many kills of a program or the store."""
    chance, kills = random.Random(seed), 0
    while True:
        moments = [moment for moment in AIMS if moment not in BACK]
        chance.shuffle(moments)
        for moment in (*BACK, *moments):
            if kills >= count:
                return
            back_s = BACK_S if moment in HOLDS and chance.random() < 0.5 else 0
            kill = _kill(moment, chance.randint(1, COUNTS.get(moment, 1)), back_s)
            kills += 1 + kill.store
            yield kill


def short_plan() -> Iterator[Kill]:
    """Every moment once."""
    for moment in (*BACK, *(moment for moment in AIMS if moment not in BACK)):
        yield _kill(moment, COUNTS.get(moment, 1), BACK_S if moment == HOLDS[0] else 0)


def _kill(moment: str, count: int, back_s: int) -> Kill:
    """Moments that the store's death leads to come first of all: behind them, with it alive, no window is needed."""
    return Kill(f"{moment}:{count}", moment in BACK, back_s, LONG_S if moment in BACK else SHORT_S)


class Killing:
    """The site, its store, the store forwarded to behind a proxy, and one life after the other.

    Args:
        folder: For the site and its store. store: Forwarded to. proxy: Before it.

    Attributes:
        ended: How the lives ended: (moment, code) -> how often. deaths: Of the store. said: By those that failed.
    """

    def __init__(self, folder: Path, store: Victoria, proxy: Narrow) -> None:
        self._store, self._proxy = store, proxy
        site = write_site(folder / "site", DRIVES)
        self.state = folder / "state"
        begin_ms = (time.time_ns() // 1_000_000_000 - BEGIN_BEFORE_S) * 1000
        self._life = Life(str(site), str(self.state), proxy.url, record_s=RECORD_S, from_ms=begin_ms)
        self.settings: Settings = load(site, {"store.dir": str(self.state)})
        self.ended: Counter[tuple[str, int]] = Counter()
        self.deaths = 0
        self.said: list[str] = []

    async def kill(self, kill: Kill) -> int | None:
        """One life; gives how it ended."""
        if kill.store and self.ended:
            await asyncio.sleep(FORGETS_S)  # what came before counts as certain for longer than it can be forgotten
        of_worker = kill.moment in CATCHING_UP
        self._proxy.refuse_single = int(kill.moment in LETTERS)
        self._proxy.slow_s = SLOW_S if kill.moment in SAFE else 0.0
        self._proxy.blind = kill.resend_s < LONG_S
        far = kill.moment not in (*FORWARDING, *LIVE)
        life = replace(self._life, heed_worker=of_worker, back_s=kill.back_s, resend_s=kill.resend_s, far=far)
        async with _process(life, kill.aim) as process:
            assert process.stdout is not None
            assert process.stdin is not None
            said = b""
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(LONGEST_S):
                    if kill.store and await process.stdout.readline():
                        await asyncio.to_thread(self._store.kill)
                        await asyncio.to_thread(self._store.start)
                        self.deaths += 1
                    process.stdin.close()
                    _, said = await process.communicate()
            code = process.returncode
        self.said += [said.decode()] if code not in ENDS else []
        self.ended[kill.moment, code if code is not None else 1] += 1
        return code

    async def finish(self) -> str:
        """A life that may send everything; gives what it said if it did not."""
        self._proxy.refuse_single, self._proxy.slow_s, self._proxy.blind = 0, 0.0, False
        async with _process(replace(self._life, record_s=0, resend_s=LONG_S, retry=True), "") as process:
            assert process.stdin is not None
            process.stdin.close()
            _, said = await process.communicate()
        return "" if process.returncode == 0 else said.decode() or "it failed"

    def missed(self) -> set[str]:
        """Moments at which nothing ever died."""
        hit = {moment for moment, code in self.ended if code in (-signal.SIGKILL, WORKER_DIED)}
        return {kill for kill, _ in self.ended} - hit

    def strange(self) -> dict[tuple[str, int], int]:
        """Lives that ended in no way in which they may."""
        return {k: n for k, n in self.ended.items() if k[1] not in ENDS}

    def doubts(self) -> list[str]:
        """What the store forwarded to lacks or has too much of, against our own. Blocking."""
        found = []
        for field in FIELDS:
            wanted, there = expected_pairs(self.settings, self._records(), field), held_pairs(self._store.url, field)
            for drive in sorted(wanted.keys() | there.keys()):
                ours, theirs = wanted.get(drive, []), there.get(drive, [])
                if not _same(ours, theirs):
                    lacks, more = (sorted((Counter(a) - Counter(b)).elements()) for a, b in _both(ours, theirs))
                    text = f"{len(ours)} recorded, {len(theirs)} held; lacks {len(lacks)}: {lacks[:3]}"
                    found.append(f"{field} of {drive}: {text}; has besides {len(more)}: {more[:3]}")
        return found

    async def doubts_in_the_end(self) -> list[str]:
        """The same, once the store shows what is new."""
        for _ in range(15):
            await asyncio.sleep(1.2)
            if not (found := await asyncio.to_thread(self.doubts)):
                break
        return found

    def kept(self) -> tuple[int, str, int]:
        """How many records our own store holds; the stretches that are left; dead letters."""
        reader = Reader(self.state / "store.db")
        try:
            count = reader._ask("select count(*) from tail where kind = 'scan'")[0][0]
            spans = reader._ask("select extra from cursor where name = 'forward_backlog'")
            letters = len(reader.letters_after(0, 100))
        finally:
            reader.close()
        return int(count), str(spans[0][0]) if spans else "", letters

    def _records(self) -> Iterator[TailRecord]:
        reader, seq = Reader(self.state / "store.db"), 0
        try:
            while found := reader.tail_after(seq, 2_000):
                yield from found
                seq = found[-1].seq
        finally:
            reader.close()


def _same(ours: Pairs, theirs: Pairs) -> bool:
    """Whether both hold the same samples, each once, in order, under their own time. Where the clock was set back a
    stamp is above what was used before: of its own series, or behind a stretch that another sends, of all."""
    kept = [(ms, round(value, 6)) for ms, value in sorted(theirs)]
    moved = {n for n, (ms, _) in enumerate(ours) if ms % SCAN_STEP_MS}
    if len(ours) != len(kept) or len({ms for ms, _ in kept}) != len(kept):
        return False
    both = enumerate(zip(sorted(ours), kept, strict=True))
    return all(
        round(a, 6) == b and (ms == stamp_ms or (n in moved and abs(ms - stamp_ms) < MOVED_MS))
        for n, ((ms, a), (stamp_ms, b)) in both
    )


def _both(ours: Pairs, theirs: Pairs) -> tuple[tuple[Pairs, Pairs], tuple[Pairs, Pairs]]:
    a, b = ([(ms, round(value, 6)) for ms, value in pairs] for pairs in (ours, theirs))
    return (a, b), (b, a)


async def all_of(killing: Killing, kills: Iterable[Kill], tell: Callable[[str], None] = lambda _: None) -> int:
    """Kill one after the other; gives how many lives that took."""
    lives = 0
    for kill in kills:
        code = await killing.kill(kill)
        lives += 1
        tell(f"{lives} {kill.aim} store={kill.store} back={kill.back_s} -> {code}")
    return lives


@asynccontextmanager
async def _process(life: Life, aim: str) -> AsyncIterator[asyncio.subprocess.Process]:
    """A life as a process; it is ended, if it has not ended by then."""
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, str(Path(__file__).with_name("lives.py")), json.dumps(asdict(life))),
        env={**os.environ, VARIABLE: aim},
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
    )
    try:
        yield process
    finally:
        with contextlib.suppress(ProcessLookupError):
            process.kill()
        await process.communicate()
