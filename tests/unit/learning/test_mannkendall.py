"""The Mann-Kendall test: order is all that counts, small records exactly, corrections that only ever take away."""

from __future__ import annotations

from itertools import permutations
from math import factorial

import numpy as np
import pytest

from nightrake.errors import LearningError
from nightrake.learning import mannkendall
from nightrake.learning.mannkendall import Correction, exact_p


def autocorrelated(chance: np.random.Generator, n: int, rho: float) -> list[float]:
    """AR(1) noise, no trend."""
    y = [chance.normal() / (1 - rho**2) ** 0.5]
    while len(y) < n:
        y.append(rho * y[-1] + chance.normal())
    return y


@pytest.mark.parametrize("n", [3, 4, 5, 6])
def test_exact_chance_counts_every_order(n: int) -> None:
    """Two-sided chance of each S is the share of all n! orders with one at least so far from 0."""
    sums = [mannkendall.test(order).s for order in permutations(range(n))]

    for s in set(sums):
        assert exact_p(s, n) == pytest.approx(sum(abs(other) >= abs(s) for other in sums) / factorial(n))


@pytest.mark.parametrize(
    ("y", "s", "method"),
    [
        ([1, 2, 3], 3, "exact"),
        ([3, 2, 1], -3, "exact"),
        (range(10), 45, "exact"),
        (range(11), 55, "normal"),
        ([1, 2, 2], 2, "normal"),
        ([5, 5, 5, 5], 0, "normal"),
    ],
)
def test_which_way(y: list[float], s: int, method: str) -> None:
    """Exact up to ten values without ties, normal else."""
    found = mannkendall.test(y)

    assert (found.s, found.method) == (s, method)
    assert np.sign(found.z) == np.sign(s)


def test_constant_values_are_no_trend() -> None:
    """Nothing differs: p is 1, and no correction has anything to work on."""
    found = mannkendall.test(np.full(50, 3.5), correction="hamed-rao")

    assert (found.s, found.z, found.p, found.tau, found.variance) == (0, 0.0, 1.0, 0.0, 0.0)


def test_only_order_counts() -> None:
    """Any rising function of the values, any order of reading them in, and gaps leave the test as it is."""
    chance = np.random.default_rng(2)
    x, y = np.arange(80.0), np.round(chance.normal(size=80), 1)
    shuffled = chance.permutation(80)
    with_gaps = np.insert(y, [3, 40], np.nan)

    found = mannkendall.test(y)

    assert mannkendall.test(np.exp(3 * y) + 1e6) == found
    assert mannkendall.test(y[shuffled], x[shuffled]) == found
    assert mannkendall.test(with_gaps)[:6] == found[:6]
    assert mannkendall.test(-y).s == -found.s


def test_a_far_tail_keeps_its_digits() -> None:
    """A trend beyond all doubt has a small chance, not nought."""
    assert 0 < mannkendall.test(np.arange(300)).p < 1e-100


def test_values_at_one_time_are_not_compared() -> None:
    """Two readings at each time: only pairs of unlike times count."""
    found = mannkendall.test([1.0, 9.0, 2.0, 8.0, 3.0, 7.0], [1, 1, 2, 2, 3, 3])

    assert found.s == 0
    assert found.method == "normal"


@pytest.mark.parametrize("correction", ["hamed-rao", "yue-wang", "ar1"])
def test_a_correction_never_makes_a_trend_surer(correction: Correction) -> None:
    """Values that swing to and fro would cut the variance; that is not used, and is said."""
    y = np.arange(60) * 0.05 + np.tile([1.0, -1.0], 30) + np.random.default_rng(1).normal(0, 0.3, 60)

    plain, found = mannkendall.test(y), mannkendall.test(y, correction=correction)

    assert found.factor < 1.0
    assert (found.variance, found.p) == (plain.variance, plain.p)
    assert "was not used" in found.method


@pytest.mark.parametrize("correction", ["hamed-rao", "yue-wang", "ar1"])
def test_a_correction_widens(correction: Correction) -> None:
    """Values that hang together are worth fewer: the variance is multiplied, and by what is said."""
    y = np.cumsum(np.random.default_rng(5).normal(size=200))

    plain, found = mannkendall.test(y), mannkendall.test(y, correction=correction)

    assert found.factor > 2.0
    assert found.variance == pytest.approx(plain.variance * found.factor)
    assert found.p > plain.p
    assert found.s == plain.s
    assert f"variance {found.factor:.2f} times" in found.method


def test_rounding_does_not_rank_counts() -> None:
    """A correction of values in counts is the same wherever time is counted from, though rounding errors differ."""
    x = np.arange(121.0)
    y = np.round(0.3 * x + autocorrelated(np.random.default_rng(12), 121, 0.6))

    factors = [mannkendall.test(y, x + start, "hamed-rao").factor for start in (0.0, 0.7, 20_600.3)]

    assert factors[0] > 1.0
    assert factors == pytest.approx([factors[0]] * 3, rel=1e-9)


def test_few_values_that_hang_together_are_not_counted_exactly() -> None:
    """Where a correction widens, the exact chance of independent values no longer holds."""
    y = [1.0, 3.0, 4.0, 3.5, 2.0, -1.0, -2.0, -1.5, 0.5, 2.5]

    plain, found = mannkendall.test(y), mannkendall.test(y, correction="yue-wang")

    assert plain.method == "exact"
    assert found.factor > 1.0
    assert found.method.startswith("normal")
    assert found.p > plain.p


@pytest.mark.parametrize("rho", [0.0, 0.5, 0.7])
@pytest.mark.parametrize("share_missing", [0.0, 0.15])
def test_autocorrelated_noise_is_no_trend(rho: float, share_missing: float) -> None:
    """With the AR(1) factor a test at 5 % calls noise a trend in at most 10 %, gaps or none; without, in up to 40 %."""
    chance = np.random.default_rng(11)
    called = []
    for _ in range(300):
        y = np.array(autocorrelated(chance, 100, rho))
        y[chance.random(100) < share_missing] = np.nan
        called.append((mannkendall.test(y, correction="ar1").p < 0.05, mannkendall.test(y).p < 0.05))
    corrected, plain = np.mean(called, axis=0)

    assert corrected <= 0.10
    assert plain > 0.15 or rho == 0.0


def test_a_true_trend_is_found_in_autocorrelated_values() -> None:
    """The correction takes away what is noise, not what is there."""
    y = np.array(autocorrelated(np.random.default_rng(3), 200, 0.5)) + 0.02 * np.arange(200)

    assert mannkendall.test(y, correction="ar1").p < 0.001


@pytest.mark.parametrize(
    ("y", "x", "why"),
    [
        ([], None, "trend: 0;"),
        ([1.0, np.nan, 2.0], None, "trend: 2;"),
        ([1.0, 2.0, 3.0], [1.0, 2.0], "2 times and 3 values"),
        ([1.0, 2.0, 3.0], [5.0, 5.0, 5.0], "no order"),
    ],
)
def test_what_carries_no_test_is_refused(y: list[float], x: list[float] | None, why: str) -> None:
    """One sentence that says why."""
    with pytest.raises(LearningError, match=why):
        mannkendall.test(y, x)


def test_an_unknown_correction_is_refused() -> None:
    """The sentence names those that there are."""
    with pytest.raises(LearningError, match="choose none, hamed-rao, yue-wang, ar1"):
        mannkendall.test([1, 2, 4, 3], correction="lucky")  # type: ignore[arg-type]
