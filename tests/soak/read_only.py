"""The long form of the disk that turns read-only: a real file system does so under the whole watch.

    python tests/soak/read_only.py --rounds 5 --seed 43

The store lies on ext4 in a file, mounted with errors=remount-ro in a mount namespace of the run's own; the kernel is
told to have met an error in it (its trigger_fs_error), and makes it read-only while the watch has it open. That is what
a failing disk does, and no `mount -o remount,ro` can: a file that is open for writing forbids it. In each round: the
trouble is told, and shown in the status; what happens at the PLC is told within two seconds, marked as not durable;
after the stop the file system is mended and mounted anew, and the next watch has everything that was said to be
durable, the latch among it. Exit 0 if all of that holds. Needs root and a loop device. About 15 s a round.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "service")]

from integration.hardship import HardWatch, kept_in  # noqa: E402  (the path has to be set first)
from integration.ledger import Ledger  # noqa: E402
from integration.site import Site, healthy, until  # noqa: E402
from nightrake.journal.chain import verify  # noqa: E402
from peers.apart import Apart  # noqa: E402
from peers.mosquitto import Mosquitto  # noqa: E402
from peers.process import port_free, program  # noqa: E402
from plc.fixtures import LibmodbusServer  # noqa: E402

DISK_MIB = 48
TOLD_S = 2.0
"""Field requirement: an alarm is out within this whatever the disk does."""
NOTICED_S = 10.0
"""The next commit notices; scans are committed ten times a second."""
TRIGGER = "/sys/fs/ext4/{}/trigger_fs_error"


class Disk:
    """An ext4 of the run's own, seen by nobody else; as long as it lives it has a loop device."""

    def __init__(self, image: Path, place: Path) -> None:
        self._image, self._place = image, place
        with image.open("wb") as file:
            file.truncate(DISK_MIB * 1024 * 1024)
        subprocess.run([program("mkfs.ext4", "e2fsprogs"), "-q", str(image)], check=True)
        place.mkdir()
        self.apart: Apart | None = None

    def mount(self) -> Apart:
        """Mount it, mended."""
        subprocess.run([program("e2fsck", "e2fsprogs"), "-p", str(self._image)], capture_output=True, check=False)
        options = "loop,errors=remount-ro"
        self.apart = Apart("mount", f"mount -o {options} '{self._image}' '{self._place}' && chmod 700 '{self._place}'")
        return self.apart

    def fail(self) -> None:
        """Let the kernel meet an error in it."""
        assert self.apart is not None
        device = self.apart.run("findmnt", "-n", "-o", "SOURCE", str(self._place)).strip()
        Path(TRIGGER.format(Path(device).name)).write_text("read_only.py", encoding="ascii")
        options = self.apart.run("findmnt", "-n", "-o", "OPTIONS", str(self._place)).strip().split(",")
        if not {"ro", "emergency_ro"}.intersection(options):
            raise SystemExit("the file system did not turn read-only")

    def unmount(self) -> None:
        """Let go of it."""
        if self.apart is not None:
            self.apart.run("umount", str(self._place))
            self.apart.close()
            self.apart = None


class Soak:
    """One run; see the module."""

    def __init__(self, folder: Path, seed: int) -> None:
        self._chance = random.Random(seed)
        self._folder = folder
        binary = folder / "libmodbus_server"
        source = ROOT / "tests" / "plc" / "libmodbus_server.c"
        subprocess.run([program("gcc", "gcc"), "-O1", "-o", str(binary), str(source), "-lmodbus"], check=True)
        self._plc = LibmodbusServer(binary, port_free())
        (folder / "broker").mkdir()
        self._broker = Mosquitto(folder / "broker")
        self._broker.start()
        self._heard = Ledger(self._broker.port, folder / "heard.txt")
        self._site = Site(folder, [self._plc.port], self._broker.port)
        self._disk = Disk(folder / "disk.img", self._site.state)
        self._watch: HardWatch | None = None
        self.wrong: list[str] = []
        self.told_s: list[float] = []
        self.noticed_s: list[float] = []
        self.kept = 0

    def round(self, number: int) -> None:
        """One disk that turns read-only."""
        plc = self._plc
        healthy(plc)
        self._watch = watch = HardWatch(self._site, prefix=self._disk.mount().prefix())
        watch.start()
        until(lambda: watch.stage("D0") == "normal", "the drive to be read")
        until(lambda: watch.status()["store"]["queued"] == 0, "the first rows to be on disk")
        time.sleep(self._chance.random())
        self._disk.fail()
        begin_s = time.monotonic()
        until(lambda: not watch.status()["store"]["up"], "the trouble to be noticed", NOTICED_S)
        self.noticed_s.append(time.monotonic() - begin_s)
        self._tell("alarm_operated", lambda: plc.set("d", 0, 0))
        self._tell("shutdown_operated", lambda: plc.set("d", 1, 0))
        status = watch.status()
        words = str(status["store"]["detail"])
        self._hold(number, "read" in words or "I/O" in words, f"the status says only: {words}")
        scans = watch.status()["plcs"]["P0"]["done"]
        until(lambda: watch.status()["plcs"]["P0"]["done"] > scans + 10, "the scans to go on")
        self._hold(number, watch.end(self._chance.choice((signal.SIGTERM, signal.SIGKILL))) in (0, -9), "a bad end")
        self._disk.unmount()
        self._look(number)
        plc.set("d", 0, 1)
        plc.set("d", 1, 1)

    def _tell(self, event: str, act: Callable[[], None]) -> None:
        before, begin_s = len(self._heard.events(event)), time.monotonic()
        act()
        until(lambda: len(self._heard.events(event)) > before, f"{event} to be told", 5 * TOLD_S)
        self.told_s.append(time.monotonic() - begin_s)
        if self._heard.events(event)[-1]["durable"]:
            self.wrong.append(f"{event} was told as durable on a disk that takes nothing")

    def _look(self, number: int) -> None:
        """What the disk has kept, seen after it was mended."""
        place = self._disk.mount()
        copy = self._folder / "copy"
        shutil.rmtree(copy, ignore_errors=True)
        shutil.copytree(place.root(self._site.state), copy, ignore=shutil.ignore_patterns("lock", "lost+found"))
        self._disk.unmount()
        rows, _ = kept_in(copy / "store.db")
        self.kept = len(rows)
        durable = {e["id"] for e in self._heard.events() if e["durable"]}
        missing = durable - {r.id for r in rows}
        self._hold(number, verify(rows) == [], "the chain is broken")
        self._hold(number, not missing, f"{len(missing)} rows that were said to be durable are gone")

    def _hold(self, number: int, holds: bool, words: str) -> None:
        if not holds:
            self.wrong.append(f"round {number}: {words}")

    def close(self) -> None:
        """End everything."""
        if self._watch is not None and self._watch.running:
            self._watch.end(signal.SIGKILL)
        self._disk.unmount()
        self._heard.close()
        self._broker.stop()
        self._plc.stop()

    def verdict(self) -> list[str]:
        """What does not hold, in sentences."""
        late = [f"an event was told after {s:.1f} s" for s in self.told_s if s > TOLD_S]
        return self.wrong + late

    def summary(self) -> str:
        """Figures of the run."""
        return (
            f"{len(self.noticed_s)} times read-only: noticed within {max(self.noticed_s):.1f} s, events told within "
            f"{max(self.told_s):.1f} s; {self.kept} rows kept at the end"
        )


def main() -> int:
    """Run and judge."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--seed", type=int, default=43)
    given = parser.parse_args()
    if os.geteuid() != 0 or not Path("/dev/loop-control").exists():
        print("this needs root and a loop device, for a file system of its own that may fail")
        return 2
    with tempfile.TemporaryDirectory(prefix="read-only-") as folder:
        run = Soak(Path(folder), given.seed)
        try:
            for number in range(given.rounds):
                run.round(number)
        finally:
            run.close()
    print(run.summary())
    wrong = run.verdict()
    for sentence in wrong:
        print(f"WRONG: {sentence}")
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
