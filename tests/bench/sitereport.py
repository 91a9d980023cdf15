"""A site's report on creep: 200 drives over two years of summaries, read, judged and written as a page with pictures.

    python tests/bench/sitereport.py [--drives 200]

The history is that of `tests/twoyears.py`, six drives; each stands for a share of the 200, read and judged anew every
time (a file of 200 would be a gigabyte). Judging runs in two processes, drawing in one. Memory is what all of them hold
together at most: the sum of each one's own peak.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from datetime import date
from pathlib import Path

import psutil

from nightrake.domain.site import Direction, Stage
from nightrake.history.period import Period
from nightrake.learnreading.site import Asked, Failed, detailed, journal_of, judged
from nightrake.learntold.page import page_of, picture_of
from nightrake.learntold.table import Named, ranked
from nightrake.learntold.words import Detail
from nightrake.settings import load
from nightrake.settings.zones import zone_table
from stand import Verdicts

TESTS = Path(__file__).resolve().parents[1]
GOAL_S, GOAL_MB = 60.0, 500.0
ON_PAGE = 12
LAST = 20_782
"""2026-11-25, so that the days are the same whenever this runs."""
NOW_MS = (LAST + 1) * 86_400_000


class Peaks:
    """The most memory that each helping process held, seen after each drive."""

    def __init__(self) -> None:
        self.mb: dict[int, float] = {}

    def look(self, done: int, of: int) -> None:
        """Look at all that run now."""
        for child in psutil.Process().children():
            self.mb[child.pid] = peak_mb(child.pid)


def peak_mb(pid: int) -> float:
    """Of a process, since its program began; 0 of one that has just ended."""
    try:
        text = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
    except OSError:
        return 0.0
    return next((int(line.split()[1]) / 1024 for line in text.splitlines() if line.startswith("VmHWM")), 0.0)


def report(folder: Path, count: int, peaks: Peaks) -> int:
    """Judge so many drives and write the page; its size in bytes."""
    settings = load(TESTS.parent / "config")
    specs, own = settings.site.drives, list(settings.site.drives.values())
    asked = Asked(folder, Period(0, NOW_MS), NOW_MS)
    told, _ = journal_of(folder, asked.period, NOW_MS)
    found = judged(asked, [own[number % len(own)] for number in range(count)], told, peaks.look)
    trends = ranked(trend for one in found if not isinstance(one, Failed) for trend in one)
    rows = [Named(t, specs[t.drive].set_point_nm(Direction(t.direction), Stage.SHUTDOWN), False) for t in trends]
    zone = zone_table(settings.duty.rota.zone.name, date(2026, 11, 25))
    assert zone is not None
    details = []
    for number in range(ON_PAGE):
        spec = own[number % len(own)]
        side, trend = detailed(asked, spec, told)[0]
        details.append(Detail(f"{spec.name}, {number}", side, trend, False, lambda _: zone))
    page = page_of(rows, [(d, picture_of(d)) for d in details], ("Fennmark", "two years"), [])
    return len(page.encode())


def measured(folder: Path, drives: int) -> int:
    """The report, in a process that has done nothing else; exit code."""
    verdicts, peaks = Verdicts(), Peaks()
    begin, cpu = time.monotonic(), _cpu_s()
    size = report(folder, drives, peaks)
    took_s, cpu_s = time.monotonic() - begin, _cpu_s() - cpu
    own_mb = peak_mb(os.getpid())
    whole_mb = own_mb + sum(peaks.mb.values())
    verdicts.report(f"page of {size / 1e6:.1f} MB, {ON_PAGE} drives with pictures; {cpu_s:.1f} s of processor")
    verdicts.goal(f"site report of {drives} drives: {took_s:.1f} s, at most {GOAL_S:g} s", took_s <= GOAL_S)
    helpers = " + ".join(f"{mb:.0f}" for mb in peaks.mb.values())
    verdicts.goal(f"memory: {own_mb:.0f} + {helpers} MB, at most {GOAL_MB:g} MB", whole_mb <= GOAL_MB)
    return verdicts.code()


def main() -> int:
    """The benchmark."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--drives", type=int, default=200)
    parser.add_argument("--of", type=Path, help="a folder with the two years, made before")
    given = parser.parse_args()
    if given.of is not None:
        return measured(given.of, given.drives)
    with tempfile.TemporaryDirectory() as folder:
        subprocess.run([sys.executable, str(TESTS / "twoyears.py"), folder, "2026-11-25"], check=True)
        again = [sys.executable, __file__, "--drives", str(given.drives), "--of", folder]
        return subprocess.run(again, check=False).returncode


def _cpu_s() -> float:
    both = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(one.ru_utime + one.ru_stime for one in both)


if __name__ == "__main__":
    raise SystemExit(main())
