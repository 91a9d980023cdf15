"""The power goes at any byte of the write-ahead log, or a bit of it flips: whole commits stay, nothing half of one."""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path

import pytest
import pytest_asyncio

from nightrake.journal.chain import verify
from nightrake.journal.reader import Reader
from nightrake.journal.store import Store
from shell.journal.makers import UTC_MS, Chain, opened, record

COMMITS = 30
ANYWHERE = 120
"""Cuts, and flips, at places drawn by a fixed seed, beside those around the end of each commit."""
STATE = "latch:D/forward"


class Left:
    """What a power cut may leave: the files of a store that is at work, and how long its log was after each commit."""

    def __init__(self, files: dict[str, bytes], ends: list[int], places: Path) -> None:
        self._files, self.ends, self._places = files, ends, places
        self.log = files["store.db-wal"]
        self._count = 0

    async def opened(self, log: bytes) -> tuple[int, int]:
        """Open it with this log, look that nothing is torn; gives the newest row and the first number that is free."""
        folder = self._places / str(self._count)
        self._count += 1
        folder.mkdir()
        for name, content in {**self._files, "store.db-wal": log}.items():
            (folder / name).write_bytes(content)
        store = Store.open(folder, now_utc_ms=UTC_MS, boot_id="boot", ballast_mb=0)
        states, last_seq, first_free = store.states(), store.last_seq, store.first_free_seq
        damaged = store.opened.damaged
        await store.close()
        reader = Reader(folder / "store.db")
        rows, tail = reader.rows_after(0, 1000), reader.tail_after(0, 1000)
        reader.close()
        assert damaged == ""
        assert verify(rows) == []
        assert [r.seq for r in rows] == [r.seq for r in tail] == list(range(1, last_seq + 1))
        assert states == ({STATE: str(last_seq).encode()} if last_seq else {})
        return last_seq, first_free


@pytest_asyncio.fixture
async def left(tmp_path: Path) -> Left:
    """Thirty commits of a row, its state and its scan each, none of them folded into the file yet."""
    place, ends = tmp_path / "state", []
    async with opened(place) as (store, _):
        chain = Chain.of(store)
        for seq in range(1, COMMITS + 1):
            store.append(chain.rows(1), {STATE: str(seq).encode()}, [record(seq)])
            assert await store.wait_durable(seq, 5.0)
            ends.append((place / "store.db-wal").stat().st_size)
        files = {name: (place / name).read_bytes() for name in ("store.db", "store.db-wal", "token")}
    cuts = tmp_path / "cuts"
    cuts.mkdir()
    return Left(files, ends, cuts)


def places(left: Left) -> Iterator[int]:
    """Around the end of each commit, and anywhere."""
    for end in left.ends:
        yield from (end - 1, end, end + 1)
    rng = random.Random("cut")
    yield from (rng.randrange(len(left.log)) for _ in range(ANYWHERE))


@pytest.mark.timeout(60)
@pytest.mark.blocks("opens hundreds of stores")
@pytest.mark.asyncio
async def test_log_cut_at_any_byte_keeps_every_commit_before_it(left: Left) -> None:
    """All that was whole before the cut is there, state and scan beside its row; and no number is given twice."""
    for cut in places(left):
        last_seq, first_free = await left.opened(left.log[:cut])

        assert last_seq >= sum(end <= cut for end in left.ends), f"cut at byte {cut} of {len(left.log)}"
        assert first_free > COMMITS or last_seq == 0


@pytest.mark.timeout(60)
@pytest.mark.blocks("opens hundreds of stores")
@pytest.mark.asyncio
async def test_log_with_a_flipped_bit_gives_a_shorter_history_and_never_another(left: Left) -> None:
    """What comes after the bit may be lost; what is there is what was written, and the numbers lost are skipped."""
    rng = random.Random("flip")
    for _ in range(ANYWHERE):
        at = rng.randrange(len(left.log))
        log = bytearray(left.log)
        log[at] ^= 1 << rng.randrange(8)
        last_seq, first_free = await left.opened(bytes(log))

        whole = sum(end <= at for end in left.ends)
        assert last_seq >= whole or at < 32, f"bit flipped in byte {at}"  # 32: the log's own head
        assert first_free > COMMITS or last_seq == 0
