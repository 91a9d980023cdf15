"""The long form of the pulled cable: again and again, at the watch's own card and behind a switch by turns.

    python tests/soak/cable_pulls.py --rounds 200 --seed 5

Two PLCs, D0's behind a cable between two networks of the run's own (as root, or in a user namespace), D1's beside the
watch. In each round the cable is pulled, without FIN or RST, until the loss is said and for a while longer, and plugged
in again. At the end: every loss said within 5 s, every PLC read again within 35 s, no socket and no file left over, the
other PLC's scans at their pace, and the rows about all of it bounded. Exit 0 if all of that holds. About 4 s a round.
"""

from __future__ import annotations

import argparse
import random
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import psutil

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "service")]

from integration.hardship import HardWatch, Plants  # noqa: E402  (the path has to be set first)
from integration.site import Site, until  # noqa: E402
from peers.apart import FAR, Cable  # noqa: E402
from peers.process import port_free, program  # noqa: E402

SCAN_S = 0.25
LOST_S, BACK_S = 5.0, 35.0
"""Field requirements: a lost PLC is said within this, and read again within this after its line is back."""
ROWS_A_ROUND = 10
"""Both links, a quality and what alarms come of it, down and up; most rounds are only counted."""


class Soak:
    """One run; see the module."""

    def __init__(self, folder: Path, cable: Cable, plants: Plants, seed: int) -> None:
        self._cable, self._chance = cable, random.Random(seed)
        ports = [plants.add(cable.plant, FAR), plants.add(cable.control, "127.0.0.1")]
        site = Site(folder, ports, port_free(), scan_s=SCAN_S)
        file = site.folder / "site.toml"
        far = f'[plc.P0]\nhost = "{FAR}"\nbackoff_max_s = 2.0'
        file.write_text(file.read_text().replace('[plc.P0]\nhost = "127.0.0.1"', far))
        self._port = ports[0]
        self.watch = HardWatch(site, prefix=cable.control.prefix())
        self.wrong: list[str] = []
        self.lost_s: list[float] = []
        self.back_s: list[float] = []
        self.sockets = self.files = self.files_before = self.rows = 0
        self.share = 0.0

    def run(self, rounds: int) -> None:
        """All rounds."""
        watch, cable = self.watch, self._cable
        watch.start()
        until(lambda: watch.stage("D0") == watch.stage("D1") == "normal", "both drives to be read")
        until(lambda: cable.sockets(cable.control, self._port) == {"ESTABLISHED": 1}, "one connection")
        process = psutil.Process(watch.pid)
        self.files_before = process.num_fds()
        done, begin_s = watch.status()["plcs"]["P1"]["done"], time.monotonic()
        rows = watch.status()["store"]["last_seq"]
        for number in range(rounds):
            self._round(number)
        self.share = (watch.status()["plcs"]["P1"]["done"] - done) * SCAN_S / (time.monotonic() - begin_s)
        until(
            lambda: cable.sockets(cable.control, self._port) == {"ESTABLISHED": 1}, "the old sockets to be gone", 40.0
        )
        self.files = process.num_fds()
        self.rows = watch.status()["store"]["last_seq"] - rows
        if watch.end() != 0:
            self.wrong.append("the watch did not end well")

    def _round(self, number: int) -> None:
        cable, watch = self._cable, self.watch
        pull, plug_in = (
            (cable.pull, cable.plug_in) if number % 2 else (cable.pull_behind_a_switch, cable.plug_in_behind_a_switch)
        )
        pull()
        begin_s = time.monotonic()
        until(lambda: not self._known(), f"the loss of round {number} to be said", 2 * LOST_S)
        self.lost_s.append(time.monotonic() - begin_s)
        if str(watch.drive("D1")["quality"]) != "good":
            self.wrong.append(f"round {number}: the other drive was disturbed")
        time.sleep(self._chance.random() * 2.0)
        self.sockets = max(self.sockets, sum(cable.sockets(cable.control, self._port).values()))
        plug_in()
        begin_s = time.monotonic()
        until(self._known, f"the PLC of round {number} to be read again", 2 * BACK_S)
        self.back_s.append(time.monotonic() - begin_s)

    def _known(self) -> bool:
        return bool(self.watch.drive("D0")["directions"]["forward"]["known_now"])

    def verdict(self) -> list[str]:
        """What does not hold, in sentences."""
        laws = (
            (max(self.lost_s) <= LOST_S, f"a loss was said after {max(self.lost_s):.1f} s"),
            (max(self.back_s) <= BACK_S, f"a PLC was read again after {max(self.back_s):.1f} s only"),
            (self.sockets <= 4, f"{self.sockets} sockets at once"),
            (self.files <= self.files_before + 1, f"{self.files} files open, {self.files_before} before"),
            (self.share >= 0.9, f"the other PLC got {self.share:.0%} of its scans"),
            (self.rows <= ROWS_A_ROUND * len(self.lost_s), f"{self.rows} rows"),
        )
        return self.wrong + [sentence for holds, sentence in laws if not holds]

    def summary(self) -> str:
        """Figures of the run."""
        lost_s, back_s = max(self.lost_s), max(self.back_s)
        return (
            f"{len(self.lost_s)} pulls: said within {lost_s:.1f} s, read again within {back_s:.1f} s; "
            f"at most {self.sockets} sockets at once, files {self.files_before} -> {self.files}; "
            f"the other PLC got {self.share:.0%} of its scans; {self.rows} journal rows"
        )


def server(folder: Path) -> Path:
    """Compile the PLC."""
    binary = folder / "libmodbus_server"
    source = ROOT / "tests" / "plc" / "libmodbus_server.c"
    subprocess.run([program("gcc", "gcc"), "-O1", "-o", str(binary), str(source), "-lmodbus"], check=True)
    return binary


def main() -> int:
    """Run and judge."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=200, help="pulls (about 4 s each)")
    parser.add_argument("--seed", type=int, default=5)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="cable-pulls-") as name:
        folder = Path(name)
        cable, plants = Cable(), Plants(folder, server(folder))
        soak = None
        try:
            soak = Soak(folder, cable, plants, given.seed)
            soak.run(given.rounds)
        finally:
            if soak is not None and soak.watch.running:
                soak.watch.end(signal.SIGKILL)
            plants.close()
            cable.close()
    print(soak.summary())
    wrong = soak.verdict()
    for sentence in wrong:
        print(f"WRONG: {sentence}")
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
