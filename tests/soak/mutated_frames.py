"""The long form of the mutated frames: ten thousand replies with bytes changed, cut short or both.

    python tests/soak/mutated_frames.py --frames 10000 --seed 11

Each frame has a seed of its own, printed when a law is broken, so that one frame can be sent again with --only. After
each: good data or a named fault, never another number; the next two reads give the right values; memory does not grow.
Exit 0 if all of that holds. About 15 ms a frame.
"""

from __future__ import annotations

import argparse
import asyncio
import random
import sys
import time
from collections import Counter
from pathlib import Path

import psutil

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "service")]

from nightrake.domain.inputs import Got  # noqa: E402  (the path has to be set first)
from nightrake.domain.readplan import Block  # noqa: E402
from nightrake.domain.site import EndpointSpec, Table  # noqa: E402
from nightrake.field.adapter import ModbusLink  # noqa: E402
from plc import rogue as ways  # noqa: E402
from plc.rogue import Request, Rogue  # noqa: E402

BLOCK = Block(1, Table.HOLDING, 40, 4, 0)
GOOD = bytes((0, 40, 0, 41, 0, 42, 0, 43))
HEAD = 9
"""Bytes before the values: header, function code, byte count. Values have no check sum, so they are left alone, and
bytes are added behind a whole frame only."""
TIMEOUT_NS = 60_000_000
CONNECTS = 5
GROWTH_MB = 8.0


def mutated(seed: str) -> ways.Behaviour:
    """A server that answers with a good reply, changed as this seed says."""
    chance = random.Random(seed)

    async def answer(request: Request) -> None:
        data = bytearray(ways.frame(request.transaction, request.unit, ways.values(request)))
        for _ in range(chance.randint(1, 3)):
            where = chance.randrange(HEAD)
            data[where] = chance.choice((chance.randrange(256), data[where] ^ (1 << chance.randrange(8)), 0, 0xFF))
        keep = chance.choice((len(data), len(data), chance.randrange(1, len(data))))
        more = chance.choice((0, 0, 0, chance.randrange(1, 300))) if keep == len(data) else 0
        request.writer.write(bytes(data)[:keep] + chance.randbytes(more))

    return answer


class Soak:
    """One run; see the module."""

    def __init__(self, server: Rogue) -> None:
        spec = EndpointSpec("P", "127.0.0.1", server.own_port, timeout_ns=TIMEOUT_NS)
        self._server, self._link = server, ModbusLink(spec)
        self.got: Counter[str] = Counter()
        self.wrong: list[str] = []
        self.growth_mb = self.slowest_s = 0.0

    async def run(self, seeds: list[str]) -> None:
        """All frames."""
        process = psutil.Process()
        for number, seed in enumerate(seeds):
            if number == len(seeds) // 10:
                before = process.memory_info().rss
            await self._frame(seed)
        self.growth_mb = (process.memory_info().rss - before) / 1e6
        self._link.close()

    async def _frame(self, seed: str) -> None:
        await self._connected()
        self._server.requests.clear()  # the server's own memory is not what is asked here
        self._server.behave, begin_s = mutated(seed), time.monotonic()
        reading = await self._link.read(BLOCK)
        self.slowest_s = max(self.slowest_s, time.monotonic() - begin_s)
        self.got[reading.got.name] += 1
        if reading.data != (GOOD if reading.got is Got.GOOD else b""):
            self.wrong.append(f"frame {seed}: {reading.data.hex()} was taken for values ({reading.got.name})")
        self._server.behave = ways.honest
        for _ in range(2):
            await self._connected()
            reading = await self._link.read(BLOCK)
        if reading.data != GOOD:
            self.wrong.append(f"frame {seed}: two reads later there is still {reading.got.name} {reading.detail}")

    async def _connected(self) -> None:
        for _ in range(CONNECTS):
            if self._link.connected or await self._link.connect() == "":
                return
            await asyncio.sleep(0.1)  # a loaded machine
        self.wrong.append("no connection to a server that listens")

    def verdict(self) -> list[str]:
        """What does not hold, in sentences."""
        wrong = self.wrong[:20]
        if self.growth_mb > GROWTH_MB:
            wrong.append(f"memory grew by {self.growth_mb:.1f} MB")
        if self.slowest_s > 1.0:
            wrong.append(f"a read took {self.slowest_s:.2f} s")
        return wrong

    def summary(self) -> str:
        """Figures of the run."""
        kinds = ", ".join(f"{name} {count}" for name, count in self.got.most_common())
        return (
            f"{self.got.total()} mutated frames: {kinds}; the slowest read took {1e3 * self.slowest_s:.0f} ms, "
            f"memory grew by {self.growth_mb:.1f} MB"
        )


async def soak(seeds: list[str]) -> Soak:
    """Run it against a server of its own."""
    server = Rogue(ways.honest)
    await server.start()
    run = Soak(server)
    try:
        await run.run(seeds)
    finally:
        await server.stop()
    return run


def main() -> int:
    """Run and judge."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--frames", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--only", default="", help="seed of one frame, as printed")
    given = parser.parse_args()
    run = asyncio.run(soak([given.only] if given.only else [f"{given.seed}-{n}" for n in range(given.frames)]))
    print(run.summary())
    wrong = run.verdict()
    for sentence in wrong:
        print(f"WRONG: {sentence}")
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
