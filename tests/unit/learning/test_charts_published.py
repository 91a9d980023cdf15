"""Control charts against the NIST handbook's examples and the run lengths that others have published."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import pytest

from nightrake.learning.charts import cusum, cusum_run_length, ewma

Floats = npt.NDArray[np.float64]
ROUNDED = 0.00501
"""Tables print two places."""

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3: means of 20 groups of four, target 325, k 0.3175, h 4.1959.
GROUP_MEANS = [324.925, 324.675, 324.725, 324.35, 325.35, 325.225, 324.125, 324.525, 325.225, 324.6]
GROUP_MEANS += [324.625, 325.15, 328.325, 327.25, 327.825, 328.5, 326.675, 327.775, 326.875, 328.35]
HIGH_SUMS = [0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04]
LOW_SUMS = [0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31, 0, 0, 0, 0, 0, 0, 0, 0, 0]
# The same, 6.3.2.4: weight 0.3, EWMA_0 50, s 2.0539, three sigma.
READINGS = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5]
READINGS += [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
WEIGHTED = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33]
WEIGHTED += [50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]


def test_cusum_of_the_handbook() -> None:
    """NIST 6.3.2.3: both sums, and a signal at group 14 and ever after."""
    chart = cusum(GROUP_MEANS, target=325.0, k=0.3175, h=4.1959)

    assert np.abs(chart.high - HIGH_SUMS).max() < ROUNDED
    assert np.abs(chart.low - LOW_SUMS).max() < ROUNDED
    assert (chart.signals + 1).tolist() == [14, 15, 16, 17, 18, 19, 20]
    assert chart.high[-1] == pytest.approx(19.035, abs=1e-9)


def test_ewma_of_the_handbook() -> None:
    """NIST 6.3.2.4: twenty values, limits of the long run, no signal."""
    chart = ewma(READINGS, weight=0.3, centre=50.0, sigma=2.0539, width=3.0)

    assert np.abs(chart.value - WEIGHTED).max() < ROUNDED
    assert np.abs(chart.high - 52.5884).max() < 2e-4
    assert np.abs(chart.low - 47.4115).max() < 2e-4
    assert chart.signals.size == 0


# --- run lengths ------------------------------------------------------------------------------------------------------


def run_lengths(signals: Callable[[Floats], npt.NDArray[np.int64]], shift: float, published: float) -> Floats:
    """Values until the first signal in independent normal series, each begun anew; fewer where runs are long."""
    chance = np.random.default_rng(1972)
    longest, runs = 50 + int(16 * published), 300 if shift == 0.0 else 1_000
    found = []
    for _ in range(runs):
        first = signals(chance.normal(shift, 1.0, longest))
        assert first.size, "a run ended before its signal, so that the mean would be too short"
        found.append(first[0] + 1.0)
    return np.array(found)


def within_three_errors(lengths: Floats, published: float) -> bool:
    """The mean lies within three standard errors (and the half a percent of the table itself)."""
    error = lengths.std() / len(lengths) ** 0.5
    return bool(abs(lengths.mean() - published) < 3 * error + 0.005 * published)


@pytest.mark.parametrize(("shift", "published"), [(0.0, 168.0), (0.5, 26.6), (1.0, 8.38), (2.0, 3.34), (4.0, 1.71)])
def test_run_length_of_a_two_sided_cusum(shift: float, published: float) -> None:
    """J.M. Lucas and R.B. Crosier, Technometrics 24 (1982) 199-205, Table 1: k 0.5, h 4."""
    lengths = run_lengths(lambda y: cusum(y, 0.0, 0.5, 4.0).signals, shift, published)

    assert within_three_errors(lengths, published)


@pytest.mark.parametrize(("shift", "published"), [(0.0, 117.59), (1.5, 3.75)])
def test_run_length_of_a_one_sided_cusum(shift: float, published: float) -> None:
    """D. Brook and D.A. Evans, Biometrika 59 (1972) 539-549, 4.3: k 0.5, h 3; reckoned, and by simulation."""
    lengths = run_lengths(lambda y: np.flatnonzero(cusum(y, 0.0, 0.5, 3.0).high > 3.0), shift, published)

    assert cusum_run_length(0.5, 3.0, shift) == pytest.approx(published, rel=0.005)
    assert within_three_errors(lengths, published)


@pytest.mark.parametrize(
    ("shift", "published"),
    [(-0.25, 2071.51), (-0.125, 400.28), (0.0, 124.66), (0.125, 59.3), (0.25, 36.71), (0.5, 20.37), (1.0, 10.75)],
)
def test_reckoned_run_length_without_slack(shift: float, published: float) -> None:
    """L.C. Vance, J. Quality Technology 18 (1986) 189-193, Table 1: k 0, h 10."""
    assert cusum_run_length(0.0, 10.0, shift) == pytest.approx(published, rel=0.005)


def test_reckoned_run_length_of_both_sides() -> None:
    """J.M. Lucas and R.B. Crosier 1982, Table 1: both sides signal every 168 values, at one sigma every 8.38."""
    for shift, published in ((0.0, 168.0), (1.0, 8.38)):
        both = 1.0 / (1.0 / cusum_run_length(0.5, 4.0, shift) + 1.0 / cusum_run_length(0.5, 4.0, -shift))

        assert both == pytest.approx(published, rel=0.005)


@pytest.mark.parametrize(
    ("weight", "width", "shift", "published"),
    [
        (0.5, 3.071, 0.0, 500.0),
        (0.5, 3.071, 1.0, 17.5),
        (0.5, 3.071, 3.0, 1.93),
        (0.03, 2.437, 0.0, 500.0),
        (0.03, 2.437, 0.5, 29.3),
        (0.03, 2.437, 1.0, 12.6),
        (0.03, 2.437, 3.0, 4.03),
    ],
)
def test_run_length_of_an_ewma(weight: float, width: float, shift: float, published: float) -> None:
    """J.M. Lucas and M.S. Saccucci, Technometrics 32 (1990) 1-12, Table 3: limits of the long run."""
    lengths = run_lengths(lambda y: ewma(y, weight, 0.0, 1.0, width).signals, shift, published)

    assert within_three_errors(lengths, published)
