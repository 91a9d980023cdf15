"""Seasonal Kendall: a season is no trend, gaps and single values are met, seasons that hang together are said."""

from __future__ import annotations

import numpy as np
import pytest

from nightrake.errors import LearningError
from nightrake.learning import mannkendall, seasonalkendall, theilsen

WEEKS = 30
WEEKDAY = np.tile(np.arange(7), WEEKS)
WEEK = np.repeat(np.arange(WEEKS), 7)
SWING = np.array([5.0, 3.0, 0.0, -1.0, -4.0, -9.0, 6.0])[WEEKDAY]
DAY = np.arange(7.0 * WEEKS)


@pytest.fixture
def noise() -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """The same each time."""
    return np.random.default_rng(6).normal(size=len(DAY))


def test_a_week_that_swings_hides_no_creep(noise: np.ndarray[tuple[int], np.dtype[np.float64]]) -> None:
    """Creep that is lost in the weekly swing for the plain test is found within weekdays, with its size."""
    y = SWING + noise + 0.008 * DAY

    found, line = seasonalkendall.test(y, WEEKDAY), seasonalkendall.slope(y, WEEKDAY, DAY)

    assert found.p < 1e-6 < mannkendall.test(y).p
    assert line.low < 0.008 < line.high
    assert line.high - line.low < 0.5 * (theilsen.slopes(DAY, y).high - theilsen.slopes(DAY, y).low)


def test_one_season_is_the_plain_test(noise: np.ndarray[tuple[int], np.dtype[np.float64]]) -> None:
    """Same S, variance, z; same slope and limits."""
    plain, found = mannkendall.test(noise), seasonalkendall.test(noise, np.zeros(len(noise)))

    assert (found.s, found.variance, found.z, found.p, found.tau) == plain[:5]
    assert (found.freedom, found.p_unlike) == (0, 1.0)
    assert seasonalkendall.slope(noise, np.zeros(len(noise)), DAY) == theilsen.slopes(DAY, noise)


def test_order_and_labels_do_not_matter(noise: np.ndarray[tuple[int], np.dtype[np.float64]]) -> None:
    """Names for weekdays, rows in any order and rows without a value give the same."""
    names = np.array(["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"])[WEEKDAY]
    order = np.random.default_rng(1).permutation(len(DAY) + 1)
    y, label = np.append(noise, np.nan)[order], np.append(names, "Bank holiday")[order]
    day, week = np.append(DAY, 999.0)[order], np.append(WEEK, 0)[order]

    found = seasonalkendall.test(y, label, day, week)

    expected = seasonalkendall.test(noise, WEEKDAY, DAY, WEEK)
    assert found[:3] == pytest.approx(expected[:3])
    assert seasonalkendall.slope(y, label, day)[:5] == seasonalkendall.slope(noise, WEEKDAY, DAY)[:5]


def test_unlike_trends_are_said() -> None:
    """Mondays that rise while Fridays fall give no common trend, and the chance that they are alike is small."""
    y = np.where(WEEKDAY < 4, DAY, -DAY) + np.random.default_rng(2).normal(0, 5, len(DAY))

    found = seasonalkendall.test(y, WEEKDAY)

    assert found.freedom == 6
    assert found.p_unlike < 1e-6


def test_seasons_that_hang_together_widen() -> None:
    """Weeks that are high or low as a whole: what was seven values is little more than one."""
    y = np.repeat(np.random.default_rng(3).normal(size=WEEKS), 7) + 0.1 * np.random.default_rng(4).normal(size=len(DAY))

    plain, found = seasonalkendall.test(y, WEEKDAY), seasonalkendall.test(y, WEEKDAY, cycle=WEEK)

    assert found.s == plain.s
    assert 5.0 < found.variance / plain.variance < 7.0
    assert found.p > plain.p
    assert found.method == "covariance of seasons"


def test_seasons_that_go_against_each_other_do_not_narrow() -> None:
    """A variance below that of independent seasons is not used, and it is said."""
    y = np.where(WEEKDAY % 2 == 0, 1.0, -1.0) * np.repeat(np.random.default_rng(5).normal(size=WEEKS), 7)

    plain, found = seasonalkendall.test(y, WEEKDAY % 2), seasonalkendall.test(y[::7], np.zeros(WEEKS), cycle=WEEK[::7])
    against = seasonalkendall.test(y[WEEKDAY < 2], WEEKDAY[WEEKDAY < 2], cycle=WEEK[WEEKDAY < 2])

    assert against.method.endswith("was not used")
    assert against.variance == seasonalkendall.test(y[WEEKDAY < 2], WEEKDAY[WEEKDAY < 2]).variance
    assert plain.method == "seasons independent"
    assert found.variance == mannkendall.test(y[::7]).variance


def test_a_season_with_one_value_adds_nothing() -> None:
    """It counts as a value, but there is nothing to compare it with."""
    found = seasonalkendall.test([1.0, 2.0, 3.0, 9.0], ["a", "a", "a", "b"])

    assert (found.s, found.seasons, found.n) == (3, 1, 4)


def test_constant_seasons() -> None:
    """Each season at a level of its own, without change: no trend, slope and limits nought."""
    found, line = seasonalkendall.test(SWING, WEEKDAY), seasonalkendall.slope(SWING, WEEKDAY, DAY)

    assert (found.s, found.p, found.variance) == (0, 1.0, 0.0)
    assert (line.slope, line.low, line.high) == (0.0, 0.0, 0.0)


@pytest.mark.parametrize(
    ("y", "season", "cycle", "why"),
    [
        ([], [], None, "trend: 0;"),
        ([1.0, 2.0], [0, 0], None, "trend: 2;"),
        ([1.0, 2.0, 3.0], [0, 1, 2], None, "no season has two values"),
        ([1.0, 2.0, 3.0], [0, 1], None, "2 seasons and 3 values"),
        ([1.0, 2.0, 3.0], [0, 0, 0], [1, 1, 2], "two values of one cycle"),
        ([1.0, 2.0, 3.0], [0, 0, 0], [1, 2], "2 cycles and 3 values"),
    ],
)
def test_what_carries_no_test_is_refused(y: list[float], season: list[int], cycle: list[int] | None, why: str) -> None:
    """One sentence that says why."""
    with pytest.raises(LearningError, match=why):
        seasonalkendall.test(y, season, cycle=cycle)


def test_no_slope_without_two_values_of_a_season() -> None:
    """The slope is refused like the test."""
    with pytest.raises(LearningError, match="can be compared"):
        seasonalkendall.slope([1.0, 2.0, 3.0], [0, 1, 2])
