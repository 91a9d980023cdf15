"""What the warning of creep stands on: steps that are alike, slopes that it is aimed at, noise that is known."""

from __future__ import annotations

import numpy as np
import pytest

from creepdays import days_of, end_ms, noise, side_of
from nightrake.learning.alike import AIMED, alike, chance_that_counts
from nightrake.learning.creep import judge, warning_of
from nightrake.learning.days import MONTH_DAYS, Floats
from nightrake.learning.evidence import Ground, ground_of
from nightrake.learning.noise import from_residuals
from nightrake.learning.series import series_of

N = 420


def ground(percent: Floats) -> Ground:
    """What stories are told on, at the end of these days."""
    days = days_of(percent)
    return ground_of(side_of(days), series_of(side_of(days), 1_100.0))


def test_steps_are_alike_as_far_as_they_were() -> None:
    """Two of one size, up and down, say so; one says less; two that differ say the opposite."""
    one, two, three, unlike = (alike(np.array(sizes)) for sizes in ([3.1], [3.1, -2.9], [4.9, -5.1, 5.0], [2.0, -5.0]))

    assert 0.3 < one[0] < two[0]
    assert unlike[0] < 0.3 < two[0] < three[0]
    assert two[1] == pytest.approx(3.0, abs=0.3)
    assert three[1] == pytest.approx(5.0, abs=0.4)


@pytest.mark.parametrize("sizes", [[], [0.4], [30.0], [-0.1, 45.0]])
def test_some_steps_teach_nothing(sizes: list[float]) -> None:
    """None at all, those that nobody would call a step, and those that were an intervention of their own."""
    assert alike(np.array(sizes)) == (0.0, 0.0)


def test_sign_and_order_of_steps_do_not_matter() -> None:
    """Up or down, sooner or later: the same."""
    assert alike(np.array([3.0, -4.0])) == pytest.approx(alike(np.array([-4.0, -3.0])))


def test_warning_is_aimed_at_one_percent_a_month() -> None:
    """The likeliest slope of its prior."""
    assert AIMED.bend * np.sqrt(2 * AIMED.bend_order) == pytest.approx(1.0, abs=0.05)


def test_steps_seen_before_make_creep_plainer(monkeypatch: pytest.MonkeyPatch) -> None:
    """Seven weeks of creep by 1 % a month: it is less likely a step of another size than those of long before."""
    at = np.arange(N)
    level = 40.0 + np.maximum(at - (N - 50), 0) / MONTH_DAYS + 4.0 * ((at >= 80) & (at < 220))
    grounds = [ground(level + noise(N, seed)) for seed in range(12)]
    learnt = [chance_that_counts(each) for each in grounds]
    monkeypatch.setattr("nightrake.learning.alike.ALIKE_BEFORE", 0.0)
    common = [chance_that_counts(each) for each in grounds]

    assert np.mean(learnt) > np.mean(common) + 0.02


def test_step_seen_before_is_no_creep_when_it_returns() -> None:
    """A third step of the size of two before, five weeks ago: no more likely creep than without them."""
    at = np.arange(N)
    again = 4.0 * ((at >= 80) & (at < 220)) + 4.0 * (at >= N - 35)
    chances = [chance_that_counts(ground(40.0 + again + noise(N, seed))) for seed in range(8)]

    assert max(chances) < 0.25


def test_same_chance_by_either_way() -> None:
    """The verdict stands on the chance that the warning alone has."""
    days = days_of(40.0 + np.maximum(np.arange(N) - 300, 0) / MONTH_DAYS + 4.0 * (np.arange(N) < 150) + noise(N, 3))
    trend = judge(side_of(days), end_ms(days))

    assert warning_of(side_of(days), end_ms(days)) == (trend.chance, trend.warning)


def test_weekly_cycle_fitted_besides_takes_scatter_away() -> None:
    """Nine weeks less their weekdays' means: the scatter is right on average when the seven means are counted."""
    counted, forgotten = [], []
    for seed in range(300):
        left = np.random.default_rng(seed).standard_normal(63)
        left -= np.tile(left.reshape(9, 7).mean(axis=0), 9)
        t = np.arange(63.0)
        counted.append(from_residuals(t, left, 1, 6).sigma ** 2)
        forgotten.append(from_residuals(t, left, 1).sigma ** 2)

    assert np.mean(counted) == pytest.approx(1.0, abs=0.05)
    assert np.mean(forgotten) < 0.93
