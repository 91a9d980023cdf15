"""The long form of the broker tests: kills, freezes and outages for as long as you like, with an outside ledger.

    python tests/soak/broker_outage.py --rounds 50 --seed 7
    python tests/soak/broker_outage.py --rounds 1 --away 3600 --period 60 --protocol 311    # an hour away

Rows are made all the time; in each round the broker is killed, frozen or stopped for a while. A subscriber writes down
every id it hears. At the end: every id at least once, per drive in order, states back within ten seconds of each start.
Exit 0 if all of that holds. A subscriber that is away hears nothing either, so rows count that were still to be
confirmed when it went: that is what the canary is for.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import random
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "service")]

from aiomqtt import MqttError  # noqa: E402  (the path has to be set first)

from peers.ear import listening  # noqa: E402
from peers.mosquitto import Mosquitto  # noqa: E402
from shell.messages.ledger import Watch, row, settings, until  # noqa: E402

DRIVES = 20
STATE = "nightrake/fennmark/drive/D1"


class Soak:
    """One run; see the module."""

    def __init__(self, seed: int, rounds: int, period_s: float, protocol: int, away_s: float) -> None:
        self._chance = random.Random(seed)
        self._rounds = rounds
        self._period_s = period_s
        self._protocol = protocol
        self._away_s = away_s
        self._seq = 0
        self.heard: list[tuple[str, int]] = []
        self.slowest_state_s = 0.0
        self._listening = asyncio.Event()
        self.outages = {"kill": 0, "freeze": 0, "stop": 0}

    async def run(self, broker: Mosquitto) -> Watch:
        """All rounds, then let everything arrive."""
        given = settings(broker.port, answer_s=2.0, protocol=self._protocol)
        async with Watch(given, drives=[f"D{n}" for n in range(DRIVES)]) as watch:
            await watch.link(True)
            ear = asyncio.create_task(self._listen(broker.port))
            await self._listening.wait()
            maker = asyncio.create_task(self._make(watch))
            try:
                for _ in range(self._rounds):
                    await self._round(broker, watch)
                maker.cancel()
                await until(lambda: watch.teller.stats.confirmed >= self._seq, 120.0)
                await asyncio.sleep(1.0)
            finally:
                for task in (ear, maker):
                    task.cancel()
                await asyncio.gather(ear, maker, return_exceptions=True)
        return watch

    async def _make(self, watch: Watch) -> None:
        while True:
            for _ in range(self._chance.randint(1, 10)):
                self._seq += 1
                watch.happen(row(self._seq, f"D{self._chance.randrange(DRIVES)}", urgent=self._chance.random() < 0.1))
            watch.teller.mark("D1", {"n": self._seq})
            await asyncio.sleep(self._chance.random() * self._period_s)

    async def _listen(self, port: int) -> None:
        while True:
            with contextlib.suppress(MqttError, OSError, TimeoutError, ConnectionError):
                async with listening(port, five=self._protocol == 5) as ear:
                    done = 0
                    self._listening.set()
                    while True:
                        await ear.until(lambda: len(ear.heard) > done, 3600.0)  # noqa: B023  (both of this turn)
                        for message in ear.heard[done:]:
                            self._hear(message.topic, message.json)
                        done = len(ear.heard)
            await asyncio.sleep(0.05)

    def _hear(self, topic: str, message: dict[str, object]) -> None:
        if topic.endswith("/events") and message["kind"] != "canary":
            self.heard.append((str(message["drive"]), int(str(message["seq"]))))

    async def _round(self, broker: Mosquitto, watch: Watch) -> None:
        how = self._chance.choice(list(self.outages)) if not self._away_s else "stop"
        self.outages[how] += 1
        await asyncio.sleep(self._chance.random() * 2.0)
        away_s = self._away_s or self._chance.random() * 5.0
        if how == "freeze":
            broker.freeze()
            await asyncio.sleep(away_s)
            broker.thaw()
        else:
            await asyncio.to_thread(broker.kill if how == "kill" else broker.stop)
            await asyncio.sleep(away_s)
            await asyncio.to_thread(broker.start)
            begin = time.monotonic()
            async with listening(broker.port, STATE) as late:
                await late.until(lambda: bool(late.heard), 60.0)
            self.slowest_state_s = max(self.slowest_state_s, time.monotonic() - begin)
        await watch.link(True, within_s=90.0)

    def verdict(self) -> list[str]:
        """What does not hold, in sentences."""
        wrong = []
        missing = set(range(1, self._seq + 1)) - {seq for _, seq in self.heard}
        if missing:
            wrong.append(f"{len(missing)} of {self._seq} rows never heard, the first is {min(missing)}")
        for drive in sorted({d for d, _ in self.heard}):
            firsts = list(dict.fromkeys(seq for d, seq in self.heard if d == drive))
            if firsts != sorted(firsts):
                wrong.append(f"rows of {drive} were first heard out of order")
        if self.slowest_state_s > 10.0:
            wrong.append(f"a state came back {self.slowest_state_s:.1f} s after the broker")
        return wrong

    def summary(self) -> str:
        """Figures of the run."""
        twice = len(self.heard) - len({seq for _, seq in self.heard})
        return (
            f"{self._seq} rows, {len(self.heard)} heard, {twice} of them again; outages {self.outages}; "
            f"states back within {self.slowest_state_s:.1f} s"
        )


def main() -> int:
    """Run and judge."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=50, help="outages (about 6 s each)")
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--period", type=float, default=0.2, help="s between bursts of rows at most")
    parser.add_argument("--protocol", type=int, default=5, choices=(5, 311), help="MQTT 5, or 3.1.1")
    parser.add_argument("--away", type=float, default=0.0, help="s of each outage; 0: up to 5, of all kinds")
    given = parser.parse_args()
    soak = Soak(given.seed, given.rounds, given.period, given.protocol, given.away)
    with tempfile.TemporaryDirectory(prefix="broker-outage-") as folder:
        broker = Mosquitto(Path(folder))
        broker.start()
        try:
            asyncio.run(soak.run(broker))
        finally:
            broker.stop()
    print(soak.summary())
    wrong = soak.verdict()
    for sentence in wrong:
        print(f"WRONG: {sentence}")
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
