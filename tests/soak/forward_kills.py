"""Three hundred kills over forwarding: of the watch and its backlog worker at every moment, and of the store.

    python tests/soak/forward_kills.py --kills 300 --seed 1

See `shell/forward/killing.py`. Prints each life and its end, then what both stores hold; ends with 1 if anything is
missing, doubled, refused, or a moment at which something was to die was never reached. About half an hour.
"""

from __future__ import annotations

import argparse
import asyncio
import sys
import tempfile
import time
from collections.abc import Iterable
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parents[1])]

from peers.narrow import narrow  # noqa: E402
from peers.victoria import Victoria  # noqa: E402
from shell.forward.killing import FLAGS, MOST_LINES, Kill, Killing, all_of, plan, short_plan  # noqa: E402


async def soak(folder: Path, kills: Iterable[Kill]) -> int:
    """The whole of it; gives the exit code."""
    store, begun_s = Victoria(folder / "victoria", FLAGS), time.monotonic()
    store.start()
    try:
        async with narrow(store.port, MOST_LINES) as proxy:
            killing = Killing(folder, store, proxy)
            lives = await all_of(killing, kills, lambda text: print(text, flush=True))
            failed = await killing.finish()
            doubts = await killing.doubts_in_the_end()
            refusals = proxy.too_long, proxy.refused
    finally:
        store.stop()
    records, stretches, letters = killing.kept()
    deaths = sum(count for (_, code), count in killing.ended.items() if code) + killing.deaths
    print(f"{lives} lives, {deaths} deaths, {killing.deaths} of them the store's; {time.monotonic() - begun_s:.0f} s")
    print(f"{records} scans recorded; writes refused as too long {refusals[0]}, with 400 {refusals[1]}")
    print(f"not as recorded: {doubts or 'nothing'}; dead letters {letters}; stretches left {stretches}")
    missed, strange = killing.missed(), killing.strange()
    print(f"moments never reached: {missed or 'none'}; ended otherwise: {strange or 'none'} {failed}")
    print("\n".join(killing.said)[-3000:])
    return 1 if doubts or letters or failed or missed or strange or stretches != "[]" else 0


def main() -> int:
    """Kills and seed from the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=300, help="0: the short form")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="forward-kills-") as folder:
        return asyncio.run(soak(Path(folder), plan(given.kills, given.seed) if given.kills else short_plan()))


if __name__ == "__main__":
    raise SystemExit(main())
