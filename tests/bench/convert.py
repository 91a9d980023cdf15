"""Positions to torques: ten million by the array, and one at a time as the watch does it, beside the bare operation.

convert.py [--count 10000000] [--rounds 5]

Peers, in the same run: `numpy.polyval` and `numpy.interp` for the array, a bare `bisect` interpolation in plain Python
for one at a time. They give a torque only; ours give torque, expanded uncertainty and what the value says. Rounds
alternate between the two sides, and the median of the rounds' ratios counts. It also says whether all three forms of a
record give the scalar's bits in the array, over the same positions.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import time
from bisect import bisect_right
from collections.abc import Callable
from dataclasses import replace
from statistics import median

import numpy as np

from nightrake.commissioning.convert import torques
from nightrake.domain.calibration import torque_of
from nightrake.domain.site import CalibrationCurve, Direction
from stand import Verdicts

GOAL_SCALAR = 5.0
GOAL_ARRAY = 5.0
ONES = 200_000
"""Positions of one round one at a time."""
CORNERS_MM = tuple(0.6 + 2.3 * i for i in range(11))
CORNERS_NM = tuple(8_960.0 + 3_680.0 * i + 4.0 * i * i for i in range(11))
UNCERTAINTY_NM = tuple(250.0 + 12.0 * i for i in range(11))
SEGMENTS = CalibrationCurve(
    "segments", "d" * 64, Direction.FORWARD, CORNERS_MM, CORNERS_NM, uncertainty_nm=UNCERTAINTY_NM
)
ENDS_MM = (CORNERS_MM[0], CORNERS_MM[-1])
COEFFICIENTS = (27_300.0, 1_600.0, 0.7)
MIDDLE_MM = 12.1


def polynomial(degree: int) -> CalibrationCurve:
    """A straight line or a quadratic as a record's fit gives it."""
    c = COEFFICIENTS[: degree + 1]
    ends = tuple(sum(k * (x - MIDDLE_MM) ** i for i, k in enumerate(c)) for x in ENDS_MM)
    return replace(
        SEGMENTS, ref=f"degree {degree}", position_mm=ENDS_MM, torque_nm=ends, coefficients=c, reference_mm=MIDDLE_MM
    )


LINE, QUADRATIC = polynomial(1), polynomial(2)


def seconds(act: Callable[[], object]) -> float:
    """How long it takes."""
    start = time.perf_counter()
    act()
    return time.perf_counter() - start


def beside(ours: Callable[[], object], peer: Callable[[], object], rounds: int) -> tuple[float, float, float]:
    """Medians of our time, the peer's, and of the ratios of each round."""
    ours(), peer()
    pairs = [(seconds(ours), seconds(peer)) for _ in range(rounds)]
    return median(a for a, _ in pairs), median(b for _, b in pairs), median(a / b for a, b in pairs)


def arrays(count: int, rounds: int, verdicts: Verdicts) -> None:
    """Ten million positions."""
    chance = np.random.default_rng(1)
    x = chance.uniform(CORNERS_MM[0] - 0.5, CORNERS_MM[-1] + 0.5, count)
    highest_first = np.array(COEFFICIENTS[::-1])
    corners_mm, corners_nm = np.array(CORNERS_MM), np.array(CORNERS_NM)
    peers: dict[str, tuple[CalibrationCurve, Callable[[], object]]] = {
        "straight line, numpy.polyval": (LINE, lambda: np.polyval(highest_first[1:], x - MIDDLE_MM)),
        "quadratic, numpy.polyval": (QUADRATIC, lambda: np.polyval(highest_first, x - MIDDLE_MM)),
        "straight segments, numpy.interp": (SEGMENTS, lambda: np.interp(x, corners_mm, corners_nm)),
    }
    for name, (curve, peer) in peers.items():
        mine, other, ratio = beside(lambda c=curve: torques(x, c), peer, rounds)  # type: ignore[misc]
        each = f"{1e9 * mine / count:.1f} ns against {1e9 * other / count:.1f} ns a position"
        text = f"array of {count}, {name}: {each}, {ratio:.1f} times, uncertainty and code included"
        text += f" (goal <= {GOAL_ARRAY:g})"
        verdicts.goal(text, ratio <= GOAL_ARRAY)


def one_at_a_time(rounds: int, verdicts: Verdicts) -> None:
    """The watch's own path."""
    chance = np.random.default_rng(2)
    positions = chance.uniform(CORNERS_MM[0], CORNERS_MM[-1], ONES).tolist()
    xs, ts = list(CORNERS_MM), list(CORNERS_NM)

    def bare(x: float) -> float:
        i = bisect_right(xs, x) - 1
        return ts[i] + (x - xs[i]) * (ts[i + 1] - ts[i]) / (xs[i + 1] - xs[i])

    def run(convert: Callable[[float], object]) -> Callable[[], None]:
        def act() -> None:
            for x in positions:
                convert(x)

        return act

    for curve in (LINE, QUADRATIC, SEGMENTS):
        mine, other, ratio = beside(run(torque_of(curve)), run(bare), rounds)
        each = f"{1e9 * mine / ONES:.0f} ns against {1e9 * other / ONES:.0f} ns of a bare bisect interpolation"
        text = f"one at a time, {curve.ref}: {each}, {ratio:.1f} times, with uncertainty (goal <= {GOAL_SCALAR:g})"
        verdicts.goal(text, ratio <= GOAL_SCALAR)


def same_bits(count: int, verdicts: Verdicts) -> None:
    """Array against scalar over random positions."""
    x = np.random.default_rng(3).uniform(-1.0, 26.0, count)
    for curve in (LINE, QUADRATIC, SEGMENTS):
        array = torques(x, curve)
        convert = torque_of(curve)
        scalar = [convert(v) for v in x.tolist()]
        same = array.torque_nm.tobytes() == np.array([r.value for r in scalar]).tobytes()
        same &= array.uncertainty_nm.tobytes() == np.array([r.uncertainty for r in scalar]).tobytes()
        verdicts.goal(f"array equals scalar bit by bit over {count} positions, {curve.ref}", same)


def no_numpy(verdicts: Verdicts) -> None:
    """A fresh interpreter with the watch in it."""
    script = "import sys, nightrake.app; sys.exit('numpy' in sys.modules or 'scipy' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", script], check=False)
    verdicts.goal("the watch imports neither numpy nor scipy", done.returncode == 0)


def main() -> int:
    """Run it; exit code 1 when a goal was not met."""
    parser = argparse.ArgumentParser(description="Position to torque; see the module.")
    parser.add_argument("--count", type=int, default=10_000_000)
    parser.add_argument("--rounds", type=int, default=5)
    given = parser.parse_args()
    verdicts = Verdicts()
    arrays(given.count, given.rounds, verdicts)
    one_at_a_time(given.rounds, verdicts)
    same_bits(1_000_000, verdicts)
    no_numpy(verdicts)
    return verdicts.code()


if __name__ == "__main__":
    raise SystemExit(main())
