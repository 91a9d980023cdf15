"""A store whose journal outgrows its quota, in a process of its own, to be killed while segments go into files.

    archive_victim.py STATE_DIR

The ledger is what it prints: ``use ID HASH`` before a row leaves the process, ``durable SEQ`` when it is on disk.
"""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path

from nightrake.journal import archivewrite, archivist, room, writer
from nightrake.journal.store import Store
from shell.journal.makers import UTC_MS, Chain, until
from shell.journal.victim import say

ROWS, GROUPS = 10, 12


async def main(state_dir: Path) -> None:
    """Rows in groups of a segment; then, for as long as it takes, room is made until files are given up."""
    archivewrite.ROWS = archivist.ROWS = ROWS
    archivewrite.SLICE, archivist.DELETED_AT_ONCE, archivist.LOOK_S = 3, 4, 0.0
    writer.HOUSE_PERIOD_S, room.QUOTA_HIGH = 0.01, 0.0
    store = Store.open(state_dir, now_utc_ms=UTC_MS, boot_id="boot", ballast_mb=0)
    archive = store._writer.archive
    archive._most_bytes = 4000
    gone: list[int] = []
    store.start(
        lambda seq: say(f"durable {seq}"), lambda up, detail: None, on_given_up=lambda first, last: gone.append(first)
    )
    chain = Chain.of(store)
    for _ in range(GROUPS):
        rows = chain.rows(ROWS)
        for row in rows:
            say(f"use {row.id} {row.hash.hex()}")
        store.append(rows, {}, [])
        store.set_cursor("mqtt", store.epoch, rows[-1].seq)
        assert await store.wait_durable(rows[-1].seq, 20.0)
    await until(lambda: len(gone) > 2, 20.0)
    await store.close()


if __name__ == "__main__":
    asyncio.run(main(Path(sys.argv[1])))
