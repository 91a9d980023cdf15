"""Rainflow cycles of a million readings beside the rainflow package, whole and in slices.

    python tests/bench/cycles.py [--points 1000000]

Kinds: torque with noise and the ripple of a turning rake, in full and as a twelve-bit transducer reads it; a random
walk; a square wave; and a spiral in and out, whose cycles lie one inside the other, the worst case. The peer, in the
same run, is `rainflow.extract_cycles` over a list. Both are run three times by turns; the middle of each counts.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from statistics import median

import numpy as np
import numpy.typing as npt
import rainflow as package

from nightrake.learning.dutyrainflow import Rainflow, rainflow
from stand import Verdicts

Floats = npt.NDArray[np.float64]
GOAL_TIMES = 1.0
GOAL_HELD = 5_000
ROUNDS = 3
SLICE = 20_000
NM_PER_COUNT = 10.0


def kinds(count: int) -> dict[str, Floats]:
    """Series by name."""
    chance = np.random.default_rng(11)
    at = np.arange(count, dtype=np.float64)
    torque_nm = 17_000.0 + 1_000.0 * np.sin(at * 2 * np.pi / 900.0) + chance.normal(0.0, 100.0, count)
    out = at[: count // 2] * (-1.0) ** at[: count // 2]
    return {
        "torque in full": torque_nm,
        "torque in counts": np.round(torque_nm / NM_PER_COUNT) * NM_PER_COUNT,
        "random walk": np.cumsum(chance.normal(size=count)),
        "square wave": np.tile([0.0, 1.0], count // 2),
        "spiral": np.concatenate([out[::-1], out]),
    }


def timed(act: Callable[[], float]) -> tuple[float, float]:
    """Seconds, and the number of cycles found."""
    start = time.perf_counter()
    found = act()
    return time.perf_counter() - start, found


def in_slices(values: Floats) -> tuple[float, int]:
    """Cycles of a series that comes in slices, and the most points that were carried over."""
    counting, cycles, held = Rainflow(), 0.0, 0
    for begin in range(0, len(values), SLICE):
        cycles += float(counting.add(values[begin : begin + SLICE]).number.sum())
        held = max(held, counting.held)
    return cycles + float(counting.end().number.sum()), held


def main() -> int:
    """Run it; exit code 1 when a goal was not met."""
    parser = argparse.ArgumentParser(description="Rainflow cycles; see the module.")
    parser.add_argument("--points", type=int, default=1_000_000)
    given, verdicts = parser.parse_args(), Verdicts()
    for name, values in kinds(given.points).items():
        listed = values.tolist()
        ours, theirs = [], []
        for _ in range(ROUNDS):
            ours.append(timed(lambda: float(rainflow(values).number.sum())))  # noqa: B023 - called at once
            theirs.append(timed(lambda: sum(c[2] for c in package.extract_cycles(listed))))  # noqa: B023 - likewise
        mine_s, peer_s = median(s for s, _ in ours), median(s for s, _ in theirs)
        same = ours[0][1] == theirs[0][1]
        times, cycles = peer_s / mine_s, f"{ours[0][1]:.1f} cycles" + ("" if same else f", not {theirs[0][1]:.1f}")
        each = f"{1e3 * mine_s:.0f} ms against {1e3 * peer_s:.0f} ms, {times:.1f} times (goal >= {GOAL_TIMES:g})"
        verdicts.goal(f"{len(values)} points, {name}: {each}, {cycles}", times >= GOAL_TIMES and same)
        if name != "spiral":  # nothing of it closes before it turns round
            number, held = in_slices(values)
            text = f"the same in slices of {SLICE}: at most {held} points carried over (goal < {GOAL_HELD})"
            verdicts.goal(text, number == ours[0][1] and held < GOAL_HELD)
    return verdicts.code()


if __name__ == "__main__":
    raise SystemExit(main())
