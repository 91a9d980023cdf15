"""The long form of the power cut: the store's write-ahead log cut at thousands of bytes, and its end torn by sectors.

    python tests/soak/log_cuts.py --cuts 3000 --tears 1000 --seed 3

Thirty commits, each a row with its state and its scan, none folded into the file. The log is cut around the end of each
commit, at the end of each frame, and anywhere; then, for each tear, everything up to some commit stays and of the next
one any of its 512-byte sectors, which is what a power cut leaves of writes that no sync has followed yet. Each time the
store is opened: every commit that was whole before is there, nothing of half a commit, and no number is given twice.
Exit 0 if all of that holds. About 20 ms a cut.

What this is not: a replay of every write of a real disk (dm-log-writes). That needs the device mapper's target of that
name and a block device of one's own, which neither a container nor most kernels of a build machine have.
"""

from __future__ import annotations

import argparse
import asyncio
import random
import shutil
import sys
import tempfile
from bisect import bisect_right
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "service")]

from nightrake.journal.chain import verify  # noqa: E402  (the path has to be set first)
from nightrake.journal.reader import Reader  # noqa: E402
from nightrake.journal.store import Store  # noqa: E402
from shell.journal.makers import UTC_MS, Chain, opened, record  # noqa: E402

COMMITS = 30
STATE = "latch:D/forward"
FILES = ("store.db", "store.db-wal", "token")
LOG_HEAD, FRAME = 32, 24 + 4096
"""Bytes of a log's head, and of a frame with its page. Source: SQLite, File Format, 4.1."""
SECTOR = 512


class Soak:
    """One run; see the module."""

    def __init__(self, folder: Path, seed: int) -> None:
        self._folder, self._chance = folder, random.Random(seed)
        self._files: dict[str, bytes] = {}
        self._ends: list[int] = []
        self.cuts = self.tears = 0
        self.wrong: list[str] = []

    async def make(self) -> None:
        """The store at work, copied as it is after each commit."""
        place = self._folder / "state"
        async with opened(place) as (store, _):
            chain = Chain.of(store)
            for seq in range(1, COMMITS + 1):
                store.append(chain.rows(1), {STATE: str(seq).encode()}, [record(seq)])
                if not await store.wait_durable(seq, 5.0):
                    raise SystemExit("a commit did not come about")
                self._ends.append((place / "store.db-wal").stat().st_size)
            self._files = {name: (place / name).read_bytes() for name in FILES}

    async def run(self, cuts: int, tears: int) -> None:
        """All cuts, then all tears."""
        log = self._files["store.db-wal"]
        for at in self._places(len(log), cuts):
            self.cuts += 1
            whole = bisect_right(self._ends, at)
            # The store's own housekeeping may have come between a commit and the look at the log's length.
            await self._open(f"cut at byte {at}", log[:at], whole, also=whole + 1)
        for _ in range(tears):
            self.tears += 1
            whole = self._chance.randrange(COMMITS)
            words, torn = self._torn(log, whole)
            await self._open(words, torn, whole, also=whole + 1)

    def _places(self, size: int, cuts: int) -> Iterator[int]:
        near = {end + by for end in self._ends for by in (-1, 0, 1)}
        near |= {LOG_HEAD + n * FRAME for n in range((size - LOG_HEAD) // FRAME + 1)}
        yield from sorted(at for at in near if 0 <= at <= size)
        yield from (self._chance.randrange(size) for _ in range(max(0, cuts - len(near))))

    def _torn(self, log: bytes, whole: int) -> tuple[str, bytes]:
        """Everything up to a commit, and any sectors of the next."""
        begin, end = self._ends[whole - 1] if whole else 0, self._ends[whole]
        torn, kept = bytearray(log[:begin] + bytes(end - begin)), 0
        share = self._chance.random()
        for at in range(begin - begin % SECTOR, end, SECTOR):
            if self._chance.random() < share:
                first, last = max(at, begin), min(at + SECTOR, end)
                torn[first:last] = log[first:last]
                kept += 1
        return f"commit {whole + 1} torn, {kept} of its sectors there", bytes(torn)

    async def _open(self, what: str, log: bytes, least: int, also: int) -> None:
        """Open it with this log; `least` commits are whole in it, perhaps `also` so many."""
        folder = self._folder / "cut"
        folder.mkdir()
        for name, content in {**self._files, "store.db-wal": log}.items():
            (folder / name).write_bytes(content)
        store = Store.open(folder, now_utc_ms=UTC_MS, boot_id="boot", ballast_mb=0)
        states, last_seq, first_free, damaged = (
            store.states(),
            store.last_seq,
            store.first_free_seq,
            store.opened.damaged,
        )
        await store.close()
        reader = Reader(folder / "store.db")
        rows, tail = reader.rows_after(0, 1000), reader.tail_after(0, 1000)
        reader.close()
        shutil.rmtree(folder)
        laws = (
            (not damaged, "it was called damaged"),
            (last_seq in (least, also), f"{last_seq} rows, {least} commits were whole"),
            (verify(rows) == [], "the chain is broken"),
            ([r.seq for r in rows] == [r.seq for r in tail] == list(range(1, last_seq + 1)), "rows and scans differ"),
            (states == ({STATE: str(last_seq).encode()} if last_seq else {}), "the state is not that of the last row"),
            (first_free > last_seq, "a number is given twice"),
        )
        self.wrong += [f"{what}: {sentence}" for holds, sentence in laws if not holds]


async def soak(folder: Path, cuts: int, tears: int, seed: int) -> Soak:
    """Run it."""
    run = Soak(folder, seed)
    await run.make()
    await run.run(cuts, tears)
    return run


def main() -> int:
    """Run and judge."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cuts", type=int, default=3000)
    parser.add_argument("--tears", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=3)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="log-cuts-") as folder:
        run = asyncio.run(soak(Path(folder), given.cuts, given.tears, given.seed))
    print(f"{run.cuts} cuts and {run.tears} tears of a log of {COMMITS} commits; {len(run.wrong)} laws broken")
    for sentence in run.wrong[:20]:
        print(f"WRONG: {sentence}")
    return 1 if run.wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
