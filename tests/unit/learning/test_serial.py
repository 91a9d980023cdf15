"""Serial correlation: the grid, gaps, ranks, and the factors that widen the variance of S."""

from __future__ import annotations

import numpy as np
import pytest

from nightrake.learning import serial

NAN = float("nan")


def test_missing_days_become_gaps() -> None:
    """Values are set one step apart in order of time, NaN where none was read."""
    grid = serial.on_grid(np.array([5.0, 1.0, 2.0, 3.0, 8.0]), np.array([50.0, 10.0, 20.0, 30.0, 80.0]))

    np.testing.assert_array_equal(grid, [10.0, 20.0, 30.0, NAN, 50.0, NAN, NAN, 80.0])


@pytest.mark.parametrize(
    "x",
    [[0.0, 1.0, 2.4, 3.0, 4.0], [0.0, 1.0, 1.0, 2.0, 3.0], [7.0] * 5, [0.0, 1.0, 2.0, 3.0, 1e9]],
    ids=["off the grid", "two at one time", "all at one time", "a gap as long as the world"],
)
def test_times_that_keep_to_no_grid(x: list[float]) -> None:
    """Values are taken in order of time."""
    y = np.arange(5.0)

    assert serial.on_grid(np.array(x), y).tolist() == y.tolist()


def test_no_value_and_one_value() -> None:
    """Nothing to correlate, and nothing is made up."""
    assert serial.on_grid(np.array([]), np.array([])).size == 0
    assert serial.on_grid(np.array([3.0]), np.array([4.0])).tolist() == [4.0]
    assert serial.autocorrelation(np.array([4.0]), 2).tolist() == [0.0, 0.0]
    assert serial.autocorrelation(np.full(9, NAN), 1).tolist() == [0.0]


def test_ranks_share_ties() -> None:
    """Equal values have their mean rank, NaN none."""
    np.testing.assert_array_equal(serial.ranks(np.array([3.0, 1.0, NAN, 3.0, 2.0])), [3.5, 1.0, NAN, 3.5, 2.0])


def test_ties_about_a_line_stay_ties() -> None:
    """Counts on a line through counts lie on it after it is taken off, whatever the rounding made of them."""
    x = np.arange(50.0)
    detrended = (3.0 + x / 3.0) - x / 3.0

    assert len(np.unique(detrended)) > 1, "no rounding errors, so this shows nothing"
    assert len(np.unique(serial.like_again(detrended))) == 1
    assert serial.like_again(np.zeros(3)).tolist() == [0.0] * 3


def test_gaps_bring_no_strangers_together() -> None:
    """A swing to and fro with every third day missing still shows -1 from day to day and +1 over two days."""
    y = np.tile([1.0, -1.0], 300)
    y[::3] = NAN

    r = serial.autocorrelation(y, 2)

    assert r[0] == pytest.approx(-1.0, abs=0.01)
    assert r[1] == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize(("rho", "n"), [(0.4, 60), (0.8, 150), (-0.3, 60)])
@pytest.mark.parametrize("is_detrended", [False, True])
def test_lag_one_has_no_bias(rho: float, n: int, is_detrended: bool) -> None:
    """Over many short series, with gaps and with a line taken off or not, the mean is the truth."""
    chance = np.random.default_rng(8)
    found = []
    for _ in range(400):
        y = np.empty(n)
        y[0] = chance.normal() / (1 - rho**2) ** 0.5
        for i in range(1, n):
            y[i] = rho * y[i - 1] + chance.normal()
        if is_detrended:
            y -= np.polyval(np.polyfit(np.arange(n), y, 1), np.arange(n))
        y[chance.random(n) < 0.05] = NAN
        found.append(serial.lag_one(y, is_detrended))

    assert np.mean(found) == pytest.approx(rho, abs=0.04)


@pytest.mark.parametrize("rho", [-0.5, 0.0, 0.3, 0.7, 0.9])
@pytest.mark.parametrize("n", [3, 100])
def test_factor_of_ar1_is_its_sum(rho: float, n: int) -> None:
    """The closed form equals 1 + 2/n sum (n - k) rho^k."""
    k = np.arange(1, n)

    assert serial.ar1_factor(rho, n) == pytest.approx(1.0 + 2.0 / n * ((n - k) * rho**k).sum(), rel=1e-12)


def test_factor_of_ar1_in_the_long_run() -> None:
    """It tends to (1 + rho) / (1 - rho), the textbook's variance inflation of a mean (Bayley and Hammersley 1946)."""
    assert serial.ar1_factor(0.4, 10**6) == pytest.approx(1.4 / 0.6, rel=1e-5)


def test_hamed_rao_takes_only_what_stands_out() -> None:
    """Lags within +-1.96 / sqrt n count nothing; others by (n - k)(n - k - 1)(n - k - 2)."""
    r = np.array([0.5, 0.1, -0.3])
    n = 100
    weights = [(n - k) * (n - k - 1) * (n - k - 2) / (n * (n - 1) * (n - 2)) for k in (1, 3)]

    assert serial.hamed_rao_factor(r, n) == pytest.approx(1.0 + 2.0 * (0.5 * weights[0] - 0.3 * weights[1]))
    assert serial.hamed_rao_factor(np.array([0.1, -0.1]), n) == 1.0


def test_yue_wang_takes_all() -> None:
    """1 + 2 sum (1 - k/n) r_k."""
    assert serial.yue_wang_factor(np.array([0.5, 0.1]), 10) == pytest.approx(1.0 + 2.0 * (0.9 * 0.5 + 0.8 * 0.1))
