"""A thousand random series with ties and gaps: the same numbers as SciPy, statsmodels and pymannkendall.

What those packages do otherwise is named where it is worked round:

- SciPy's `theilslopes` gives NaN limits where its variance falls below nought, and NaN for series with a NaN.
- SciPy's `kendalltau` has no continuity correction; its `kendalltau_seasonal` has one in the chi-square, where the
  published form has none.
- pymannkendall 1.4.3 has no exact chance for few values and loses chances below 1e-16 by 1 - (1 - p). Its Hamed-Rao and
  Yue-Wang close gaps before they look at lags, use a variance below the uncorrected one, even below nought, rank ties
  about a line by their rounding errors, and give NaN where all values lie on the line. Its correlated tests have no
  continuity correction and drop every cycle in which one value is missing.
- statsmodels' `acf` does not shrink lags over gaps.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pymannkendall
import pytest
from scipy import stats
from statsmodels.tsa.stattools import acf

from nightrake.learning import mannkendall, seasonalkendall, serial, theilsen

Floats = npt.NDArray[np.float64]
BATCHES, BATCH = 20, 50
"""A thousand series."""


class Series(NamedTuple):
    """One series; y has gaps, `there` says where it has none."""

    x: Floats
    y: Floats
    there: npt.NDArray[np.bool_]


def series_of(batch: int, is_regular: bool) -> list[Series]:
    """Noise, autocorrelated noise, creep; as read in counts or in full; up to 30 % missing; times with ties."""
    chance = np.random.default_rng(1_000 + batch)
    made = []
    for i in range(BATCH):
        n = int(chance.integers(4, 11) if i % 5 == 4 else chance.integers(6, 70))
        noise = np.cumsum(chance.normal(size=n)) if i % 4 == 3 else chance.normal(size=n)
        y = chance.choice([0.0, 0.02, -0.1]) * np.arange(n) + noise
        y = np.round(y * chance.choice([0.5, 2.0, 10.0])) if i % 3 else y
        y = np.where(chance.random(n) < chance.choice([0.0, 0.05, 0.3]), np.nan, y)
        y[:3] = chance.permutation(3)  # what is left is enough for a trend
        x = np.arange(n, dtype=np.float64)
        if not is_regular:
            x = np.sort(chance.choice([chance.integers(0, n, n) * 0.5, chance.uniform(0, 90, n)]))
            x[0] -= 1.0  # always of a value that there is, so that there are two times
        made.append(Series(x, y, np.isfinite(y)))
    return made


@pytest.mark.parametrize("is_regular", [True, False], ids=["regular", "irregular"])
@pytest.mark.parametrize("batch", range(BATCHES // 2))
def test_slopes_as_scipy(batch: int, is_regular: bool) -> None:
    """Slope, intercept and limits of `scipy.stats.theilslopes` within 1e-9, its rules for ties included."""
    for x, y, there in series_of(batch, is_regular):
        for confidence in (0.95, 0.5):
            line = theilsen.slopes(x, y, confidence)
            expected = stats.theilslopes(y[there], x[there], confidence)

            assert line[:2] == pytest.approx(expected[:2], rel=1e-12, abs=1e-12)
            assert line[2:4] == pytest.approx(expected[2:], rel=1e-12, abs=1e-12)


@pytest.mark.parametrize("is_regular", [True, False], ids=["regular", "irregular"])
@pytest.mark.parametrize("batch", range(BATCHES // 2))
def test_mann_kendall_as_scipy(batch: int, is_regular: bool) -> None:
    """S and its variance as in `scipy.stats.kendalltau`, with ties of times too; exact chances up to ten values."""
    exact = 0
    for x, y, there in series_of(batch, is_regular):
        found = mannkendall.test(y, x)
        if found.method == "exact":
            exact += 1
            assert found.p == pytest.approx(stats.kendalltau(x[there], y[there], method="exact").pvalue, rel=1e-9)
        if found.variance > 0:
            expected = stats.kendalltau(x[there], y[there], method="asymptotic").pvalue
            assert 2 * stats.norm.sf(abs(found.s) / found.variance**0.5) == pytest.approx(expected, rel=1e-9)

    assert exact > 0 or not is_regular


@pytest.mark.parametrize("batch", range(BATCHES))
def test_mann_kendall_as_pymannkendall(batch: int) -> None:
    """S, variance, z, p, tau, slope and intercept of the plain test."""
    for _, y, _ in series_of(batch, True):
        found, line = mannkendall.test(y, exact_up_to=0), theilsen.slopes(np.arange(len(y)), y)
        expected = pymannkendall.original_test(y)

        assert (found.s, found.variance) == pytest.approx((expected.s, expected.var_s), rel=1e-12)
        assert (found.z, found.tau) == pytest.approx((expected.z, expected.Tau), rel=1e-9, abs=1e-12)
        assert found.p == pytest.approx(expected.p, rel=1e-9, abs=1e-15)
        assert (line.slope, line.intercept) == pytest.approx((expected.slope, expected.intercept), rel=1e-9, abs=1e-12)


@pytest.mark.parametrize("batch", range(BATCHES))
def test_corrections_as_pymannkendall(batch: int) -> None:
    """Factors of Hamed-Rao and Yue-Wang, three lags, one lag and all, of series without gaps.

    Hamed-Rao with ranks as pymannkendall breaks their ties: even of values without ties the two on the line itself tie.
    """
    for _, with_gaps, there in series_of(batch, True):
        y = with_gaps[there]
        for lags in (1, 3, len(y) - 1):
            with np.errstate(invalid="ignore"):  # its root of a variance below nought, its 0 / 0
                hamed_rao = pymannkendall.hamed_rao_modification_test(y, lag=min(lags, len(y) - 1))
                yue_wang = pymannkendall.yue_wang_modification_test(y, lag=min(lags, len(y) - 1))
            if np.isnan([hamed_rao.var_s, yue_wang.var_s]).any():
                assert np.ptp(y - np.arange(len(y)) * hamed_rao.slope) < 1e-9
                continue
            plain = mannkendall.test(y).variance
            ranks = serial.ranks(y - np.arange(1, len(y) + 1) * hamed_rao.slope)

            factor = serial.hamed_rao_factor(serial.autocorrelation(ranks, lags), len(y))
            assert factor * plain == pytest.approx(hamed_rao.var_s, rel=1e-9, abs=1e-6)
            found = mannkendall.test(y, correction="yue-wang", lags=lags)
            assert found.factor * plain == pytest.approx(yue_wang.var_s, rel=1e-9, abs=1e-6)
            assert found.variance >= plain


@pytest.mark.parametrize("batch", range(BATCHES))
def test_seasonal_kendall_as_pymannkendall(batch: int) -> None:
    """S, variance, z, p and tau over weekdays, and the slope within them, with gaps."""
    for _, short, _ in series_of(batch, True):
        y = np.concatenate((short, short[:3] + 1.0))  # mostly, a weekday has two values
        season, cycle = np.arange(len(y)) % 7, np.arange(len(y)) // 7
        if not any(np.isfinite(y[season == day]).sum() > 1 for day in range(7)):
            continue
        found, expected = seasonalkendall.test(y, season), pymannkendall.seasonal_test(y, period=7)

        assert (found.s, found.variance) == pytest.approx((expected.s, expected.var_s), rel=1e-12)
        assert found.z == pytest.approx(expected.z, rel=1e-9, abs=1e-12)
        assert found.p == pytest.approx(expected.p, rel=1e-9, abs=1e-15)
        assert seasonalkendall.slope(y, season, cycle).slope == pytest.approx(expected.slope, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize("batch", range(BATCHES))
def test_covariance_of_seasons_as_scipy(batch: int) -> None:
    """Chances with independent and with dependent seasons as in `scipy.stats.mstats.kendalltau_seasonal`, with gaps."""
    used = 0
    for _, whole, _ in series_of(batch, True):
        y = whole[: len(whole) // 3 * 3]
        table = np.ma.masked_invalid(y.reshape(-1, 3))
        if len(table) < 4 or (table.count(axis=0) < 3).any() or (table.std(axis=0) == 0).any():
            continue
        season, cycle = np.arange(len(y)) % 3, np.arange(len(y)) // 3
        expected = stats.mstats.kendalltau_seasonal(table)
        plain, found = seasonalkendall.test(y, season), seasonalkendall.test(y, season, cycle=cycle)

        assert plain.p == pytest.approx(expected["global p-value (indep)"], rel=1e-9)
        if not found.method.endswith("was not used"):
            used += 1
            assert found.p == pytest.approx(expected["global p-value (dep)"], rel=1e-9)

    assert used > 5


@pytest.mark.parametrize("batch", range(BATCHES))
def test_autocorrelation_as_statsmodels(batch: int) -> None:
    """Without gaps the usual estimate; with gaps its mean over the pairs there are, shrunk by 1 - k/n."""
    for _, y, there in series_of(batch, True):
        lags = np.arange(1, 5)
        if np.std(y[there]) == 0:
            continue
        assert serial.autocorrelation(y[there], 4)[: there.sum() - 1] == pytest.approx(
            acf(y[there], nlags=4, fft=False)[1:], rel=1e-9, abs=1e-12
        )
        pairs = np.array([(there[k:] & there[:-k]).sum() for k in lags])
        if (pairs > 0).all():
            expected = acf(y, adjusted=True, nlags=4, fft=False, missing="conservative")[1:] * (1 - lags / len(y))
            assert serial.autocorrelation(y, 4) == pytest.approx(expected, rel=1e-9, abs=1e-12)
