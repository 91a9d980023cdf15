"""Slope with interval of many points beside SciPy's, and how often noise is called a trend, by each correction.

    python tests/bench/trend.py [--points 10000] [--many 50000] [--series 400]

Points: a torque in N.m with noise and slow creep, in full and as read in counts. The peer, in the same run, is
`scipy.stats.theilslopes`, which writes all slopes down: 5 to 9 s and 2.5 GB for 10 000 points, so that it is run once
for each kind, ours five times. Both work on one processor, whose time is taken: neighbours do not stretch it. 50 000
points, for which the peer would want 60 GB, are run in a process of their own, whose memory is measured whole. The
table of corrections has no goal but for the AR(1) factor.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import time
from pathlib import Path
from statistics import median
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import stats

from nightrake.learning import mannkendall, theilsen
from nightrake.learning.mannkendall import Correction
from stand import Verdicts

Floats = npt.NDArray[np.float64]
GOAL_TIMES = 50.0
GOAL_SAME = 1e-9
GOAL_MANY_MB = 200.0
GOAL_FALSE = 0.10
ROUNDS = 5
NM_PER_COUNT = 20.0
CORRECTIONS: tuple[Correction, ...] = ("none", "hamed-rao", "yue-wang", "ar1")
RHOS = (0.0, 0.4, 0.5, 0.7, 0.9)
VALUES = 100


class Points(NamedTuple):
    """A kind of points."""

    name: str
    days: Floats
    torque_nm: Floats


def kinds(count: int) -> list[Points]:
    """Torque in full and as a twelve-bit transducer reads it."""
    chance = np.random.default_rng(7)
    days = np.arange(count, dtype=np.float64)
    torque_nm = 24_000.0 + 0.5 * days + chance.normal(0.0, 400.0, count)
    return [
        Points("in full", days, torque_nm),
        Points("in counts", days, np.round(torque_nm / NM_PER_COUNT) * NM_PER_COUNT),
    ]


def beside_scipy(count: int, verdicts: Verdicts) -> None:
    """The same slope and interval, so many times faster."""
    for points in kinds(count):
        ours_s = []
        for _ in range(ROUNDS):
            start = time.process_time()
            line = theilsen.slopes(points.days, points.torque_nm)
            ours_s.append(time.process_time() - start)
        start = time.process_time()
        peer = stats.theilslopes(points.torque_nm, points.days)
        peer_s = time.process_time() - start
        times = peer_s / median(ours_s)
        each = f"{1e3 * median(ours_s):.0f} ms against {1e3 * peer_s:.0f} ms"
        verdicts.goal(
            f"slope and interval of {count} points {points.name}: {each}, {times:.0f} times (goal >= {GOAL_TIMES:g})",
            times >= GOAL_TIMES,
        )
        off = max(abs(a - b) for a, b in zip(line[:4], (peer[0], peer[1], peer[2], peer[3]), strict=True))
        verdicts.goal(f"same slope, intercept and limits: off by {off:.1e} (goal <= {GOAL_SAME:g})", off <= GOAL_SAME)


def many(count: int, verdicts: Verdicts) -> None:
    """So many points in a fresh process: how long, and its greatest memory."""
    done = subprocess.run(
        [sys.executable, __file__, "--only-many", str(count)], capture_output=True, text=True, check=True
    )
    seconds, megabytes = (float(word) for word in done.stdout.split())
    text = f"slope and interval of {count} points: {seconds:.2f} s, {megabytes:.0f} MB with Python, NumPy and SciPy"
    verdicts.goal(f"{text} (goal < {GOAL_MANY_MB:g} MB)", megabytes < GOAL_MANY_MB)


def only_many(count: int) -> None:
    """What `many` starts: seconds of the slower kind, and megabytes."""
    seconds = []
    for points in kinds(count):
        start = time.process_time()
        theilsen.slopes(points.days, points.torque_nm)
        seconds.append(time.process_time() - start)
    status = Path("/proc/self/status").read_text(encoding="ascii")  # a child's ru_maxrss begins at its parent's
    print(max(seconds), int(status.split("VmHWM:")[1].split()[0]) / 1024)


def autocorrelated(chance: np.random.Generator, rho: float, count: int) -> Floats:
    """AR(1) noise, one series a row."""
    noise = chance.normal(size=(count, VALUES))
    noise[:, 0] /= (1.0 - rho**2) ** 0.5
    for i in range(1, VALUES):
        noise[:, i] += rho * noise[:, i - 1]
    return noise


def false_trends(count: int, verdicts: Verdicts) -> None:
    """Share of trendless series in which a test at 5 % finds a trend."""
    print(
        f"\nnoise called a trend, test at 5 %, {count} series of {VALUES} values; AR(1) with lag-1 autocorrelation rho"
    )
    print("  rho " + "".join(f"{name:>12}" for name in CORRECTIONS))
    shares: dict[float, list[float]] = {}
    for rho in RHOS:
        series = autocorrelated(np.random.default_rng(9), rho, count)
        shares[rho] = [
            float(np.mean([mannkendall.test(y, correction=name).p < 0.05 for y in series])) for name in CORRECTIONS
        ]
        print(f"  {rho:.1f} " + "".join(f"{share:12.3f}" for share in shares[rho]))
    share = shares[0.5][-1]
    text = f"with the AR(1) factor noise of rho 0.5 is called a trend in {share:.3f} of cases (goal <= {GOAL_FALSE:g})"
    verdicts.goal(text, share <= GOAL_FALSE)


def main() -> int:
    """Run it; exit code 1 when a goal was not met."""
    parser = argparse.ArgumentParser(description="Trend statistics; see the module.")
    parser.add_argument("--points", type=int, default=10_000)
    parser.add_argument("--many", type=int, default=50_000)
    parser.add_argument("--series", type=int, default=400)
    parser.add_argument("--only-many", type=int, default=0, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.only_many:
        only_many(given.only_many)
        return 0
    verdicts = Verdicts()
    beside_scipy(given.points, verdicts)
    many(given.many, verdicts)
    false_trends(given.series, verdicts)
    return verdicts.code()


if __name__ == "__main__":
    raise SystemExit(main())
