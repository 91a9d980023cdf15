"""Mann-Kendall, Sen's slope and their seasonal forms against worked examples that others have published."""

from __future__ import annotations

import numpy as np
import pytest

from nightrake.learning import mannkendall, seasonalkendall, theilsen
from nightrake.learning.kendallsum import tied

# US EPA, Statistical Analysis of Groundwater Monitoring Data at RCRA Facilities: Unified Guidance, EPA 530/R-09-007,
# March 2009, Example 17-6 (sulfate, ppm; times written YY.M and used as plain numbers, as in the example); values with
# more digits than the document prints are those of the R package EnvStats, which reproduces its examples.
SULFATE_AT = [89.6, 89.8, 90.1, 90.3, 90.6, 90.8, 91.1, 91.3, 91.6, 91.8, 92.1, 92.6]
SULFATE_AT += [93.1, 93.6, 94.1, 94.6, 95.1, 95.6, 95.8, 96.1, 96.3, 96.6, 96.8]
SULFATE = [480.0, 450.0, 490.0, 520.0, 485.0, 510.0, 510.0, 530.0, 510.0, 560.0, 560.0, 540.0]
SULFATE += [590.0, 550.0, 600.0, 700.0, 570.0, 610.0, 650.0, 620.0, 830.0, 720.0, 590.0]
# The same, Example 17-7 (sodium, ppm, ten samples).
SODIUM_AT = [89.6, 90.1, 90.8, 91.1, 92.1, 93.1, 94.1, 95.6, 96.1, 96.3]
SODIUM = [56.0, 53.0, 51.0, 55.0, 52.0, 60.0, 62.0, 59.0, 61.0, 63.0]
# The same, Examples 14-8 and 14-10: monthly values of 1983 to 1985.
MONTHLY = [1.99, 2.10, 2.12, 2.12, 2.11, 2.15, 2.19, 2.18, 2.16, 2.08, 2.05, 2.08]
MONTHLY += [2.01, 2.10, 2.17, 2.13, 2.13, 2.18, 2.25, 2.24, 2.22, 2.13, 2.08, 2.16]
MONTHLY += [2.15, 2.17, 2.27, 2.23, 2.24, 2.26, 2.31, 2.32, 2.28, 2.22, 2.19, 2.22]
MONTH = [*range(12)] * 3
YEAR = [year for year in (1983, 1984, 1985) for _ in range(12)]


def test_sulfate_with_ties() -> None:
    """EPA Example 17-6: S, its variance with three groups of ties, z, p and tau."""
    found = mannkendall.test(SULFATE, SULFATE_AT)

    assert (found.s, found.variance, found.n, found.method) == (194, 1428.0, 23, "normal")
    assert found.z == pytest.approx(5.107322, abs=1e-6)
    assert found.p == pytest.approx(3.267574e-07, rel=1e-5)
    assert found.tau == pytest.approx(0.7667984, abs=1e-7)


def test_slope_of_sulfate() -> None:
    """EPA Example 17-6: Sen's slope over true times, and its interpolated 95 % limits."""
    line = theilsen.slopes(SULFATE_AT, SULFATE, limits="interpolated")

    assert line.slope == pytest.approx(26.6666667, abs=1e-6)
    assert line.intercept == pytest.approx(-1909.3333333, abs=1e-6)
    assert (line.low, line.high) == pytest.approx((20.0, 35.71182), abs=1e-4)


def test_sodium() -> None:
    """EPA Example 17-7: ten values without ties by the normal distribution, as the document does it."""
    found = mannkendall.test(SODIUM, SODIUM_AT, exact_up_to=0)
    line = theilsen.slopes(SODIUM_AT, SODIUM, limits="interpolated")

    assert (found.s, found.variance) == (25, 125.0)
    assert found.z == pytest.approx(2.146625, abs=1e-6)
    assert found.p == pytest.approx(0.03182313, rel=1e-6)
    assert (line.slope, line.intercept) == pytest.approx((1.3333333, -65.9666667), abs=1e-6)
    assert (line.low, line.high) == pytest.approx((0.3992083, 2.3333333), abs=1e-6)


def test_sodium_is_small_enough_for_the_exact_chance() -> None:
    """EPA Example 17-7 again: the exact chance differs from the normal one, and is what is given by default."""
    found = mannkendall.test(SODIUM, SODIUM_AT)

    assert found.method == "exact"
    assert found.p == pytest.approx(2 * 0.014, abs=0.001)  # Gilbert 1987, Table A18: P(S >= 25) = 0.014 (from memory)


@pytest.mark.parametrize(
    ("n", "s", "one_sided"),
    [(4, 4, 0.16666667), (5, 6, 0.11666667), (5, 8, 0.04166667), (8, 16, 0.03050595), (9, 18, 0.03758818)],
)
def test_exact_chance(n: int, s: int, one_sided: float) -> None:
    """Gilbert 1987, Table A18, as EPA QA/G-9S Table A-11 prints it (0.167, 0.117, 0.042, 0.031, 0.038; from memory)."""
    assert mannkendall.exact_p(s, n) / 2 == pytest.approx(one_sided, abs=1e-7)
    assert mannkendall.exact_p(-s, n) == mannkendall.exact_p(s, n)


def test_monthly_with_a_season() -> None:
    """EPA Examples 14-8 and 14-10: seasonal Kendall test of three years of months, one pair of ties."""
    found = seasonalkendall.test(MONTHLY, MONTH)

    assert (found.s, found.seasons, found.n) == (35, 12, 36)
    assert found.variance == pytest.approx(43.0, abs=1e-9)
    assert found.z == pytest.approx(5.1849514, abs=1e-6)
    assert found.p == pytest.approx(2.160712e-07, rel=1e-5)
    assert found.tau == pytest.approx(0.9722222, abs=1e-7)
    assert (found.chi2, found.freedom) == pytest.approx((0.1071882, 11), abs=1e-6)
    assert found.p_unlike > 0.999


def test_slope_beside_a_season() -> None:
    """EPA Examples 14-8 and 14-10: median of the slopes within months, a year, and its interpolated limits."""
    line = seasonalkendall.slope(MONTHLY, MONTH, YEAR, limits="interpolated")

    assert line.slope == pytest.approx(0.06, abs=1e-9)
    assert (line.low, line.high) == pytest.approx((0.05786914, 0.07213086), abs=1e-7)
    assert line.pairs == 36


def test_ties_of_sulfate() -> None:
    """EPA Example 17-6: one group of three, two of two."""
    assert tied(np.array(SULFATE)).third == 3 * 2 * 11 + 2 * (2 * 1 * 9)
