"""One life of the forwarding, as a process that may be killed anywhere.

python lives.py SITE_FOLDER STATE_DIR URL           ends when everything is certain to be in the store
"""

from __future__ import annotations

import asyncio
import sys
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[2])]

from nightrake import forwardbacklog, forwardlanes  # noqa: E402
from nightrake.journal.store import Store  # noqa: E402
from nightrake.settings import load  # noqa: E402
from shell.forward.hourglass import Many  # noqa: E402
from shell.forward.plantless import until  # noqa: E402

FAR_INPUTS, FAR_MS, RESEND_S = 1_000, 10_000, 1.0
BATCH_LINES = 4
"""So small that a stretch takes some seconds."""


async def live(site: str, state: str, url: str) -> None:
    """See the module."""
    overrides = {
        "forward.enabled": True,
        "forward.url": url,
        "forward.batch_lines": BATCH_LINES,
        "store.dir": state,
    }
    settings = load(Path(site), overrides)
    now_ms = time.time_ns() // 1_000_000
    store = Store.open(settings.store_dir, now_utc_ms=now_ms, boot_id="boot", ballast_mb=0, keep_hours=1_000.0)
    store.start(lambda _seq: None, lambda _up, _detail: None, lambda _first, _last: None)
    at = Many(settings, store)
    at.seq = (await store.tail_span())[1]
    at.new_forwarding()
    async with at.forwarded() as forwarding:
        status = forwarding.status
        await until(lambda: status()["lag_rows"] == 0 and status()["backlog"]["stretches"] == 0, 60.0)
    await store.close()


if __name__ == "__main__":
    forwardlanes.FAR_INPUTS, forwardlanes.FAR_MS = FAR_INPUTS, FAR_MS
    forwardbacklog.RESEND_S = RESEND_S
    asyncio.run(live(*sys.argv[1:4]))
