"""Stores for tests of backup, verify, restore and compact, and the commands run on them."""

from __future__ import annotations

import asyncio
import os
import subprocess
import sys
from contextlib import closing
from pathlib import Path

from nightrake.domain.rows import TailRecord
from nightrake.journal.lock import take_lock
from nightrake.journal.opening import open_store
from nightrake.longterm.blocks import Blocks
from nightrake.longterm.reading import History
from nightrake.longterm.sealing import Sealing
from nightrake.longterm.summarising import Summarising, mark
from nightrake.longterm.tail import Tail
from nightrake.longterm.writing import Writing
from peers.warm import python
from shell.journal.makers import Chain, opened
from shell.longterm.histories import CONFIG, NOON_MS, Past, S

ROWS = 50


def a_store(folder: Path, hours: int, sealed: int) -> Past:
    """A store of some hours, the first of them sealed and summarised, and a journal."""
    past = Past()
    past.snapshot()
    for _ in range(hours):
        past.go(3_590, 20.0)
        past.pass_time(12 * S)
    past.store(folder)
    asyncio.run(_journal(folder))
    seal(folder, sealed)
    return past


async def _journal(folder: Path) -> None:
    async with opened(folder, keep_hours=1_000.0) as (store, _):
        rows = Chain.of(store).rows(ROWS)
        store.append(rows, {}, [])
        assert await store.wait_durable(rows[-1].seq, 10.0)


def seal(folder: Path, cuts: int = 100) -> None:
    """So many hours of what a store holds, with their summaries."""
    with closing(Tail(folder)) as tail, closing(Writing(folder, NOON_MS)) as writing:
        writing.begin(tail.meta("epoch"), tail.span()[1] + 1, NOON_MS)
        sealing = Sealing(tail, writing)
        for _ in range(cuts):
            sealing.seal(NOON_MS, mark)
        with closing(Blocks(folder)) as blocks:
            summarising = Summarising(writing.db, blocks, lambda _: None)
            while summarising.work():
                pass


def historian(*words: str | Path, state: Path, kill_at: str = "", prefix: tuple[str, ...] = ()) -> tuple[int, str, str]:
    """`nightrake historian`: exit code and what it printed, in one line each."""
    return command("historian", *words, state=state, kill_at=kill_at, prefix=prefix)


def command(*words: str | Path, state: Path, kill_at: str = "", prefix: tuple[str, ...] = ()) -> tuple[int, str, str]:
    """A command on a store: exit code and what it printed, in one line each."""
    argv = ("-m", "nightrake.cli", *map(str, words), "--config", str(CONFIG), "--set", f"store.dir={state}")
    env = os.environ | {"NIGHTRAKE_KILL_AT": kill_at}
    if prefix:
        told = [*prefix, sys.executable, *argv]
        done = subprocess.run(told, capture_output=True, text=True, timeout=60, check=False, env=env)
    else:
        done = python(*argv, env=env)
    return done.returncode, " ".join(done.stdout.split()), " ".join(done.stderr.split())


def records(folder: Path) -> list[TailRecord]:
    """Every input that a store or a backup holds."""
    with History(folder) as history:
        return list(history.records(*history.seq_span()))


def epoch_of(folder: Path) -> tuple[str, bool]:
    """The epoch that the next watch gives a store, and whether it takes it for a copy."""
    with closing(take_lock(folder)):
        found = open_store(folder, now_utc_ms=NOON_MS, boot_id="boot", quota_mb=1_000)
        found.db.close()
    return found.epoch, found.copied
