"""Every contact of five hundred drives operates within a second, again and again, with kill -9 in every second flood.

    PYTHONPATH=tests python tests/soak/alarm_flood.py [--rounds 6] [--seed 3]

Each time two people are owed a call for each of hundreds of urgent alarms, the second of them after twenty seconds:
both have to have it by the broker and by telephone, whatever was killed. Then everything is acknowledged and reset. At
the end the journal is verified, and the memory after the last round compared with that after the second.
"""

from __future__ import annotations

import argparse
import random
import signal
import subprocess
import tempfile
import time
from contextlib import ExitStack
from pathlib import Path

from integration import alarmflood
from integration.alarmflood import PER_PLC, memory_mb
from integration.crew import called, calls, rung, write_crew
from integration.hardship import HardWatch
from integration.ledger import Ledger
from integration.site import Site, until
from nightrake.control.client import ControlClient
from nightrake.journal.chain import verify
from peers.mosquitto import Mosquitto
from peers.process import port_free
from peers.webhook import Webhook
from plc.fixtures import HERE as PLC_PROGRAMS
from plc.fixtures import LibmodbusServer

PLCS = 5
DRIVES = PLCS * PER_PLC
CALLED = ("night1", "night2")
MOST_MESSAGES = 150
"""For one person and flood: who does not answer is called again and again."""
GROWTH_MB = 15.0
"""From the second round to the last."""
PATIENCE_S = 90.0


class Soak:
    """The site and everybody around it."""

    def __init__(self, folder: Path, stack: ExitStack, seed: int) -> None:
        self._chance = random.Random(seed)
        binary = folder / "libmodbus_server"
        source = str(PLC_PROGRAMS / "libmodbus_server.c")
        subprocess.run(["gcc", "-O1", "-o", str(binary), source, "-lmodbus"], check=True)
        self.plcs = [LibmodbusServer(binary, port_free()) for _ in range(PLCS)]
        for plc in self.plcs:
            stack.callback(plc.stop)
        self.broker = Mosquitto(folder / "mosquitto")
        self.broker.start()
        stack.callback(self.broker.stop)
        self.phone = Webhook()
        stack.callback(self.phone.stop)
        site = Site(folder, [p.port for p in self.plcs], self.broker.port, per_plc=PER_PLC, scan_s=0.25)
        (site.folder / "alarms.toml").write_text(alarmflood.ALARMS + "[alarm.still_running]\noff_delay_s = 0.0\n")
        write_crew(site, self.phone, wait_s=20.0, lockout=False)
        self.watch = HardWatch(site)
        stack.callback(self._end)
        self.kills = 0

    def _end(self) -> None:
        if self.watch.running:
            self.watch.end(signal.SIGKILL)

    def begin(self) -> None:
        """Start the watch on a healthy plant."""
        alarmflood.all_healthy(self.plcs)
        self.watch.start()
        until(lambda: self.watch.status()["mqtt"]["up"], "the broker", PATIENCE_S)

    def flood(self, heard: Ledger, *, kill: bool) -> None:
        """One flood, until both people have had every urgent call."""
        rang = {person: rung(self.phone, person)["urgent"] for person in CALLED}
        alarmflood.operate_all(self.plcs)
        if kill:
            time.sleep(self._chance.uniform(0.2, 4.0))
            self.watch.end(signal.SIGKILL)
            self.kills += 1
            self.watch.start()
        every, urgent = alarmflood.alarms_of(DRIVES), len(alarmflood.urgent_of(DRIVES))
        until(lambda: every <= {a["alarm"] for a in self.watch.ask("alarms")}, "every alarm", PATIENCE_S)
        for person in CALLED:
            until(lambda p=person: called(heard, p)["urgent"] >= urgent, f"urgent calls of {person}", PATIENCE_S)
            rings = lambda p=person: rung(self.phone, p)["urgent"] - rang[p]  # noqa: E731
            until(lambda r=rings: r() >= urgent, f"urgent calls on {person}'s telephone", PATIENCE_S)

    def clear(self) -> None:
        """Everybody has seen it, and every shutdown is reset: nothing stands any more."""
        for plc in self.plcs:  # a stopped motor ends 'runs on'
            for at in range(PER_PLC):
                plc.set("d", 10 * at + 2, 0)
        alarmflood.operate_all(self.plcs, operated=False)
        until(self._is_clear, "everything to be acknowledged and reset", PATIENCE_S)
        alarmflood.all_healthy(self.plcs)

    def _is_clear(self) -> bool:
        with ControlClient(self.watch.site.socket) as client:
            alarms = client.ask("alarms")
            for alarm in alarms:
                named = {"alarm": alarm["alarm"], "occurrence": alarm["occurrence"]}
                if alarm["life"].endswith("unacknowledged"):
                    client.ask("command", what="acknowledge", args=named)
                elif alarm["life"] == "latched acknowledged":
                    client.ask("command", what="reset", drive=alarm["subject"])
        return not alarms


def run(soak: Soak, folder: Path, rounds: int) -> list[str]:
    """All rounds; gives what does not hold, in sentences."""
    soak.begin()
    memory, ledgers, wrong = list[float](), list[Ledger](), list[str]()
    for number in range(rounds):
        ledgers.append(Ledger(soak.broker.port, folder / f"heard{number}.txt"))
        soak.flood(ledgers[-1], kill=number % 2 == 1)
        soak.clear()
        ledgers[-1].close()
        for person in CALLED:
            if (count := len(calls(ledgers[-1], person))) > MOST_MESSAGES:
                wrong.append(f"round {number + 1}: {person} had {count} messages")
        used = memory_mb(soak.watch.pid)
        memory.append(used["VmRSS"])
        print(f"round {number + 1}: {used['VmRSS']:.0f} MB, at most {used['VmHWM']:.0f} MB", flush=True)
    if soak.watch.end(within_s=15.0):
        wrong.append("the watch did not end in order")
    rows, _ = soak.watch.kept()
    wrong += [str(fault) for fault in verify(rows)]
    print(f"{len(rows)} rows, {soak.kills} kills, {len(soak.phone.got)} calls by telephone")
    if len(memory) > 2 and memory[-1] - memory[1] > GROWTH_MB:
        wrong.append(f"memory grew from {memory[1]:.0f} to {memory[-1]:.0f} MB")
    return wrong


def main() -> int:
    """Run and judge."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=6, help="floods (about 30 s each)")
    parser.add_argument("--seed", type=int, default=3)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="alarm-flood-") as folder, ExitStack() as stack:
        wrong = run(Soak(Path(folder), stack, given.seed), Path(folder), given.rounds)
    for sentence in wrong:
        print(f"WRONG: {sentence}")
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
