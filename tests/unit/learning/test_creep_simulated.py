"""The simulation that judges the judgement (`tests/bench/creep.py`), short: a few seeded drives, wide bounds."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

pytestmark = pytest.mark.timeout(60)  # seconds of computing, which take a busy machine a while

BENCH = Path(__file__).resolve().parents[2] / "bench"
SEED = 53
"""Neither the tuning drives nor those of the table."""


@pytest.fixture(scope="module")
def bench() -> Iterator[ModuleType]:
    """The benchmark as a module."""
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(BENCH))
        import creep

        yield creep


def walks(bench: ModuleType, numbers: range, every: int, **world: object) -> list[object]:
    """These drives, looked at so many days apart."""
    return [bench.walk(bench.Task(bench.World(**world), SEED, n, 0.0, np.inf, every)) for n in numbers]


def test_intervals_of_the_rate_cover(bench: ModuleType) -> None:
    """Of some sixty intervals meant to hold the truth in 95 %, more than 85 % do; many drives, few looks."""
    looks = [v for w in walks(bench, range(24), 340, censored=0.0) for v in w.looks]  # type: ignore[attr-defined]
    covered = [v.covered for v in looks if np.isfinite(v.covered)]

    assert len(covered) > 45
    assert np.mean(covered) > 0.85


def test_creep_is_found_and_steadiness_seldom_mistaken(bench: ModuleType) -> None:
    """Of some drives that creep by 1 % a month most are found in 75 days; of some that do not, few are warned of."""
    world = bench.World(creeps=1.0, rate=(1.0, 1.0))
    found = []
    for number in range(12):
        drive = bench.drive_of(world, SEED, number)
        if 120 < drive.onset < drive.days - 80 and drive.alarm_day > drive.onset + 75:
            found.append(bench.look(drive, int(drive.onset) + 75).warning)
    steady = walks(bench, range(8), 140, creeps=0.0)
    false = [v.warning for w in steady for v in w.looks]  # type: ignore[attr-defined]

    assert len(found) >= 6
    assert np.mean(found) > 0.65
    assert len(false) > 50
    assert np.mean(false) < 0.1


def test_time_to_alarm_holds(bench: ModuleType) -> None:
    """Of the intervals given with a warning, meant to hold the day in 90 %, more than 70 % do."""
    looks = [
        v
        for w in walks(bench, range(7), 91, censored=0.0, creeps=1.0, rate=(1.0, 3.0))
        for v in w.looks  # type: ignore[attr-defined]
        if v.creeping
    ]
    held = [v.time_covered for v in looks if np.isfinite(v.time_covered)]

    assert len(held) > 12
    assert np.mean(held) > 0.7


def test_truth_is_what_the_days_were_made_from(bench: ModuleType) -> None:
    """The plant: half the drives creep, at the rates asked for; medians lie about the level; a third is censored."""
    drives = [bench.drive_of(bench.World(), SEED, n) for n in range(60)]
    creeping = [d for d in drives if np.isfinite(d.onset)]
    plain = next(d for d in drives if not d.censored and np.isinf(d.onset))
    days = plain.side.days
    at = ((days.utc_ms - bench.FIRST_DAY * bench.DAY_MS) // bench.DAY_MS).astype(int)
    off = days.median_nm / plain.side.shutdown_nm * 100 - plain.level[at]

    assert len(creeping) == 30
    assert all(0.5 <= d.rate[-1] <= 3.0 for d in creeping)
    assert 0.15 < np.mean([d.censored for d in drives]) < 0.55
    assert abs(np.mean(off[off < 6.0])) < 0.3
    assert 0.95 < len(days.utc_ms) / plain.days < 0.99
    assert np.mean(off > 6.0) == pytest.approx(12 / 365.25, abs=0.02)
