"""Rainflow counting: the standard's example, the rainflow package on random series, slices, bounded memory."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

import numpy as np
import pytest
import rainflow as package
from hypothesis import given
from hypothesis import strategies as st

from nightrake.learning.dutyrainflow import Closed, Rainflow, rainflow, turning

E1049 = (-2, 1, -3, 5, -1, 3, -4, 4, -2)
"""The history of ASTM E1049-85 (reapproved 2017), 5.4.4."""
CYCLES = st.lists(st.integers(-6, 6) | st.none(), max_size=60)


def counted(found: Closed) -> Counter[tuple[float, float, float]]:
    """How often each (range, mean, 1 or 1/2) was found."""
    return Counter(zip(found.size.tolist(), found.mean.tolist(), found.number.tolist(), strict=True))


def by_range(found: Closed) -> dict[float, float]:
    """Cycles of each range."""
    return {float(size): float(found.number[found.size == size].sum()) for size in np.unique(found.size)}


def slowly(values: list[float]) -> Counter[tuple[float, float, float]]:
    """The standard's own steps, one point at a time, in its words: X, Y, S."""
    points, found = [], Counter[tuple[float, float, float]]()
    for value in turning(np.array(values, np.float64)).tolist():
        points.append(value)
        while len(points) >= 3:
            x, y = abs(points[-1] - points[-2]), abs(points[-2] - points[-3])
            if x < y:
                break
            holds_start = len(points) == 3
            found[y, (points[-2] + points[-3]) / 2, 0.5 if holds_start else 1.0] += 1
            del points[-3 : -2 if holds_start else -1]
    for one, other in pairwise(points):
        found[abs(one - other), (one + other) / 2, 0.5] += 1
    return found


def test_standards_example() -> None:
    """ASTM E1049-85 (2017), 5.4.4: half a cycle of 3, 1.5 of 4, half of 6, one of 8, half of 9; 4 in all."""
    found = rainflow(E1049)

    assert by_range(found) == {3: 0.5, 4: 1.5, 6: 0.5, 8: 1.0, 9: 0.5}
    assert counted(found) == {
        (3, -0.5, 0.5): 1,
        (4, -1.0, 0.5): 1,
        (4, 1.0, 1.0): 1,
        (8, 1.0, 0.5): 1,
        (9, 0.5, 0.5): 1,
        (8, 0.0, 0.5): 1,
        (6, 1.0, 0.5): 1,
    }


def test_history_with_points_that_are_no_turning_points() -> None:
    """The second history of the rainflow package's own tests, with its counts."""
    values = (-1.5, 1, -3, 10, -1, 3, -8, 4, -2, 6, -1, -4, -8, 2, 1, -5, 0, 2.5, -4, 1, 0, 2, -0.5)

    expected = {1: 1, 2.5: 1, 4: 1.5, 6: 1.5, 6.5: 0.5, 7: 1, 10.5: 0.5, 13: 0.5, 14: 1, 18: 0.5}
    assert by_range(rainflow(values)) == expected


def test_agrees_with_the_package_on_a_thousand_series() -> None:
    """Whole numbers with many ties, and reals, a tenth of each missing: the same cycles, ranges, means and halves.

    The package yields a half cycle of no range for a constant series, and nothing for two points: both are left out.
    """
    chance = np.random.default_rng(20_261_126)
    for number in range(1_000):
        n = int(chance.integers(3, 200))
        values = chance.integers(-5, 6, n).astype(float) if number % 2 else chance.normal(size=n)
        values[chance.random(n) < 0.1] = np.nan
        there = values[~np.isnan(values)].tolist()
        if len(there) < 3:
            continue
        theirs = Counter((r, m, c) for r, m, c, _, _ in package.extract_cycles(there) if r > 0.0)

        assert counted(rainflow(values)) == theirs


@given(CYCLES, st.lists(st.integers(0, 60), max_size=4))
def test_slices_make_no_difference(values: list[int | None], cuts: list[int]) -> None:
    """However a series is cut, and whatever is missing in it, the cycles are those of the standard's own steps."""
    series = np.array([np.nan if v is None else float(v) for v in values])
    counting, found = Rainflow(), Counter[tuple[float, float, float]]()
    for part in np.split(series, sorted(min(cut, len(series)) for cut in cuts)):
        found += counted(counting.add(part))
    found += counted(counting.end())

    assert found == slowly([float(v) for v in values if v is not None])


@pytest.mark.parametrize("values", [[], [np.nan], [3.0], [2.0, 2.0, np.nan, 2.0]], ids=["no", "missing", "one", "same"])
def test_nothing_that_swings_gives_no_cycle(values: list[float]) -> None:
    """No value, one value or always the same one is no cycle."""
    assert len(rainflow(values).size) == 0


def test_two_values_are_half_a_cycle() -> None:
    """The standard counts what is left as half cycles."""
    assert by_range(rainflow([1.0, 4.0])) == {3.0: 0.5}


def test_spiral_is_counted_like_anything_else() -> None:
    """A spiral in and out closes its cycles one inside the other, which no pass over the whole series can."""
    out = np.arange(1_000.0) * (-1.0) ** np.arange(1_000)

    assert counted(rainflow(np.concatenate([out[::-1], out]))) == slowly([*out[::-1], *out])


def test_memory_does_not_grow_with_the_series() -> None:
    """A square wave, whose ranges are all alike, and a twelve-bit signal at random leave few points between slices."""
    square, noise = Rainflow(), Rainflow()
    chance = np.random.default_rng(1)
    held = []
    for _ in range(50):
        square.add(np.tile([0.0, 1.0], 5_000))
        noise.add(chance.integers(0, 4_096, 10_000).astype(float))
        held.append((square.held, noise.held))

    assert max(one for one, _ in held) <= 3
    assert max(other for _, other in held) < 200


def test_turning_points() -> None:
    """First, last, and where the direction changes; plateaus count once, gaps are passed over."""
    values = np.array([1.0, 1.0, 2.0, 3.0, np.nan, 3.0, 2.0, 2.0, 2.5])

    assert turning(values).tolist() == [1.0, 3.0, 2.0, 2.5]
