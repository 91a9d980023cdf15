"""Resident memory of the watch over sites of 50, 200, 504 and 2 000 drives.

memory.py [--seconds 20] [--sizes 50,200,504,2000]
"""

from __future__ import annotations

import argparse
import time
from itertools import pairwise

from generated_site import write_site
from stand import DRIVES_PER_PLC, Stand, Verdicts

GOAL_MB, GOAL_AT = 100.0, 200
BEND = 2.0
"""Growth counts as linear while no stretch grows more than this many times as fast, by drive, as the whole."""


def main() -> int:
    """Run it; exit code 1 when a goal was not met."""
    parser = argparse.ArgumentParser(description="Memory; see the module.")
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--sizes", default="50,200,504,2000")
    given = parser.parse_args()
    sizes = [int(word) for word in given.sizes.split(",")]
    verdicts = Verdicts()
    found: dict[int, float] = {}
    for drives in sizes:
        with Stand() as stand:
            plcs = stand.plcs(-(-drives // DRIVES_PER_PLC), "vary")
            site = write_site(stand, drives, plcs.ports, 0.25)
            with stand.watch(site) as watch:
                time.sleep(given.seconds)
                found[drives] = watch.memory_mb()
        text = f"memory: {found[drives]:.1f} MB resident at {drives} drives"
        if drives == GOAL_AT:
            verdicts.goal(f"{text} (must be < {GOAL_MB:g})", found[drives] < GOAL_MB)
        else:
            verdicts.report(text)
    if len(sizes) > 2:
        judge_growth(found, verdicts)
    return verdicts.code()


def judge_growth(found: dict[int, float], verdicts: Verdicts) -> None:
    """Growth by drive, from size to size, against growth over the whole range."""
    sizes = sorted(found)
    whole = (found[sizes[-1]] - found[sizes[0]]) / (sizes[-1] - sizes[0])
    steps = [(found[b] - found[a]) / (b - a) for a, b in pairwise(sizes)]
    each = ", ".join(f"{step * 1e3:.0f}" for step in steps)
    text = f"memory growth: {whole * 1e3:.0f} kB a drive; from size to size {each} kB (no step above {BEND:g} times)"
    verdicts.goal(text, all(step <= BEND * whole for step in steps[1:]))


if __name__ == "__main__":
    raise SystemExit(main())
