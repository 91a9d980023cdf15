"""A store at work in a process of its own, to be killed; the test's ledger is what it prints.

    victim.py STATE_DIR ROUND

Each line is flushed before the next step: ``use SEQ`` before a number leaves the process, ``durable SEQ`` when the
store says that it is on disk.
"""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path

from nightrake.journal.store import Store
from shell.journal.makers import MONO_NS, UTC_MS, Chain, record

STEPS = 40
SECOND_NS = 1_000_000_000


def say(text: str) -> None:
    """One line of the ledger."""
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


async def main(state_dir: Path, number: int) -> None:
    """Append rows with their states and tail, in groups of changing size, and close."""
    # Short retention and large records: within a blink there is something to trim, and a log to fold back.
    store = Store.open(state_dir, now_utc_ms=UTC_MS + number, boot_id="boot", ballast_mb=0, keep_hours=0.001)
    say(f"epoch {store.epoch} clean {int(store.opened.was_clean)}")
    store.start(lambda seq: say(f"durable {seq}"), lambda up, detail: say(f"health {up} {detail}"))
    chain, input_seq = Chain.of(store), store.first_free_input_seq
    for step in range(STEPS):
        rows = chain.rows(1 + step % 3)
        for row in rows:
            say(f"use {store.epoch}-{row.seq} {row.hash.hex()}")
        tail = [record(s, mono_ns=MONO_NS + s * SECOND_NS, size=30_000) for s in range(input_seq, input_seq + 5)]
        input_seq += 5
        store.append(rows, {"last": str(rows[-1].seq).encode()}, tail)
        store.set_cursor("mqtt", store.epoch, rows[-1].seq)
        await asyncio.sleep(0.002 * (step % 2))
    await store.close()
    say("closed")


if __name__ == "__main__":
    asyncio.run(main(Path(sys.argv[1]), int(sys.argv[2])))
