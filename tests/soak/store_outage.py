"""The store forwarded to is away for two days at 200 drives and one scan a second, comes back, and is killed ten times.

    python tests/soak/store_outage.py --hours 48 --drives 200 --kills 10

The hours are recorded at once, sealed hour by hour as the worker does, and dropped from the hot tail, so that all but
the last two come from the sealed history. While the backlog drains, new scans are recorded once a second, and it is
looked when they have been sent. In the end both stores hold the same samples, counted and hashed, and no line was
refused. Prints what was seen; ends with 1 if a law is broken. About half an hour; 300 MB in the temporary folder.
"""

from __future__ import annotations

import argparse
import asyncio
import sys
import tempfile
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parents[1])]

from peers.victoria import Victoria  # noqa: E402
from shell.forward.hourglass import Many, expected, held, many  # noqa: E402
from shell.forward.plantless import until  # noqa: E402
from shell.forward.test_outage import kill_often, refused  # noqa: E402
from shell.longterm.histories import forget_tail, seal  # noqa: E402

HOUR_S, TAIL_HOURS = 3_600, 2
MOST_LAG_S, LEAST_LINES_S = 10.0, 50_000.0
FIELD = "power_kw"


async def fill(at: Many, hours: int) -> None:
    """The outage's record: sealed but for its last hours."""
    begin_ms = at.clock.utc_ms() - hours * HOUR_S * 1000
    ends = []
    for hour in range(hours):
        await at.record(begin_ms + hour * HOUR_S * 1000, HOUR_S)
        await until(lambda: not at.store.stats().queued_tail, 60.0)
        await asyncio.to_thread(seal, at.settings.store_dir)
        ends.append(at.seq)
        if len(ends) > TAIL_HOURS:
            await asyncio.to_thread(forget_tail, at.settings.store_dir, ends[-1 - TAIL_HOURS])
        print(f"\rrecorded {hour + 1} of {hours} hours", end="", flush=True)
    at.store.set_cursor("history", at.store.epoch, at.seq)
    print()


async def drain(at: Many) -> tuple[float, float]:
    """Go on recording while the backlog drains; the live lane's longest lag, s, and the backlog's lines a second."""
    first = lines = at.forwarding.status()["backlog"]["lines"]
    worst_s, begun_s = 0.0, time.monotonic()
    while at.forwarding.status()["backlog"]["inputs"]:
        began_s = time.monotonic()
        await at.record(at.clock.utc_ms(), 1)
        await until(lambda: at.forwarding.status()["lag_rows"] == 0, 120.0)
        worst_s = max(worst_s, time.monotonic() - began_s)
        status = at.forwarding.status()["backlog"]
        lines = max(lines, status["lines"])
        print(f"\r{status['inputs']} inputs left, {status['lines_per_s']:.0f} lines/s   ", end="", flush=True)
        await asyncio.sleep(max(0.0, 1.0 - (time.monotonic() - began_s)))
    print()
    return worst_s, (lines - first) / (time.monotonic() - begun_s)


async def soak(folder: Path, hours: int, drives: int, kills: int) -> int:
    """The whole of it; gives the exit code."""
    store = Victoria(folder / "victoria", ("-dedup.minScrapeInterval=1ms",))
    try:
        async with many(folder, store.url, drives) as at:
            await fill(at, hours)
            at.begin_at(1)
            store.start()
            async with at.forwarded() as forwarding:
                await until(lambda: forwarding.status()["backlog"]["lines"] > 0, 300.0)
                ignored = await kill_often(store, at, kills)
                worst_s, rate = await drain(at)
                await until(lambda: not forwarding.status()["backlog"]["stretches"], 120.0)
                await until(lambda: forwarding.status()["lag_rows"] == 0, 30.0)
            await asyncio.sleep(3.0)
            ignored += refused(store)
            wanted = expected(at.settings, at.records(), FIELD)
            found = held(store.url, FIELD, at.settings.site.drives)
    finally:
        store.stop()
    counts = sum(count for count, _ in wanted.values()), sum(count for count, _ in found.values())
    dead = forwarding.status()["dead_letters"]
    print(f"{counts[0]} samples of {FIELD} recorded, {counts[1]} held, the same: {wanted == found}")
    print(f"dead letters {dead}; ignored or invalid rows {ignored:.0f}")
    print(f"new scans sent within {worst_s:.1f} s at the longest; backlog {rate:.0f} lines/s")
    held_laws = wanted == found and not dead and not ignored
    return 0 if held_laws and worst_s <= MOST_LAG_S and rate >= LEAST_LINES_S else 1


def main() -> int:
    """Hours, drives and kills from the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hours", type=int, default=48, help="of the outage")
    parser.add_argument("--drives", type=int, default=200)
    parser.add_argument("--kills", type=int, default=10)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="store-outage-") as folder:
        return asyncio.run(soak(Path(folder), given.hours, given.drives, given.kills))


if __name__ == "__main__":
    raise SystemExit(main())
