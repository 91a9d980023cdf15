"""The parts of the judgement, each against a plain way to the same thing."""

from __future__ import annotations

from collections.abc import Sequence
from math import inf

import numpy as np
import pytest

from creepdays import FIRST_MS, days_of, noise, side_of
from nightrake.learning import words
from nightrake.learning.days import DAY_MS, MONTH_DAYS, YEAR_DAYS, Floats
from nightrake.learning.forecast import Past, Paths, reached
from nightrake.learning.knots import Knot, Penalties, knots, level_line
from nightrake.learning.noise import first_guess, from_residuals
from nightrake.learning.pairs import Candidates, Mixture, moment
from nightrake.learning.recent import Prior, candidates, chance_of_fall, chance_of_rise, stories
from nightrake.learning.season import clean, hours_apart, running_median
from nightrake.learning.series import series_of
from nightrake.learning.trend import Forecast, Span
from nightrake.learning.white import BEND, STEP, White

N = 200


def series(seed: int = 1, gap: bool = True) -> tuple[Floats, Floats]:
    """Days with a gap, and noise on them."""
    t = np.arange(float(N))
    if gap:
        t[120:] += 25.0
    return t, noise(N, seed)


def plain_column(t: Floats, kind: int, at: int) -> Floats:
    """A step or bend before whitening."""
    column = np.arange(len(t)) >= at if kind == STEP else np.maximum(t - t[at], 0.0)
    return np.asarray(column, dtype=np.float64)


def whitened(column: Floats, t: Floats, sigma: float, rho: float) -> Floats:
    """By the Cholesky factor of the whole covariance."""
    covariance = sigma**2 * rho ** np.abs(t[:, None] - t)
    return np.asarray(np.linalg.solve(np.linalg.cholesky(covariance), column), dtype=np.float64)


@pytest.mark.parametrize("kind", [STEP, BEND])
@pytest.mark.parametrize("at", [1, 60, 119, 120, 195])
def test_whitened_columns_are_those_of_the_whole_covariance(kind: int, at: int) -> None:
    """Each column, over the gap too, is what the Cholesky factor of the AR(1) covariance makes of it."""
    t, y = series()
    white = White(t, y, 1.3, 0.4)

    assert white.w == pytest.approx(whitened(y, t, 1.3, 0.4), abs=1e-9)
    assert white.column(kind, at) == pytest.approx(whitened(plain_column(t, kind, at), t, 1.3, 0.4), abs=1e-8)


def test_products_are_inner_products() -> None:
    """Running sums give what a column times the series, and every step and bend times any other, gives."""
    t, y = series()
    white = White(t, y, 1.0, 0.4)
    kind, at = np.repeat([STEP, BEND], N), np.tile(np.arange(N), 2)
    columns = np.stack([white.column(k, i) for k, i in zip(kind, at, strict=True)], axis=1)
    whole = columns.T @ columns

    assert white.onto(white.w) == pytest.approx(columns.T @ white.w, rel=1e-9, abs=1e-6)
    assert white.gram(kind, at) == pytest.approx(whole, rel=1e-9, abs=1e-6)
    for k in (0, 1, 119, 120, N - 1, N, N + 60, 2 * N - 1):
        assert white.against(int(kind[k]), int(at[k])) == pytest.approx(whole[k], rel=1e-9, abs=1e-6)
    assert white.step_norm == pytest.approx([white.step(i) @ white.step(i) for i in range(N)])
    assert white.bend_norm[:-1] == pytest.approx(
        [white.bend(i) @ white.bend(i) for i in range(N - 1)], rel=1e-6, abs=1e-6
    )


@pytest.mark.parametrize("seed", [2, 4, 5, 7, 11])
def test_planted_knots_are_found(seed: int) -> None:
    """A step, a bend and a step back: found in kind and place; in noise alone nothing is."""
    t, y = series(seed, gap=False)
    level = 5.0 * (t >= 50) + 3.0 / MONTH_DAYS * np.maximum(t - 90, 0) - 6.0 * (t >= 150)
    bar = Penalties(np.full(N, 22.0), np.full(N, 22.0))
    found = knots(White(t, y + level, 1.0, 0.4), bar)

    assert [k.kind for k in found] == [STEP, BEND, STEP]
    assert [k.at for k in found] == pytest.approx([50, 90, 150], abs=12)
    assert all(k.gain > 22.0 for k in found)
    assert knots(White(t, y, 1.0, 0.4), bar) == []


def test_level_line_follows_steps_and_bends() -> None:
    """Without noise the line is the level."""
    t, _ = series()
    level = 40.0 + 5.0 * (np.arange(N) >= 50) + 0.1 * np.maximum(t - t[90], 0)

    assert level_line(White(t, level, 1.0, 0.4), [50], [90]) == pytest.approx(level, abs=1e-6)


def some(every: Candidates, which: Sequence[int]) -> Candidates:
    """A few of the candidates."""
    at = np.array(which, dtype=np.int64)
    return Candidates(every.kind[at], every.at[at], every.log_prior[at], every.variance[at], every.mean[at])


def test_stories_weigh_as_normal_regression_does() -> None:
    """Weight, level and slope of stories with one bend are those of the full normal model, worked out at length."""
    t, y = series(3, gap=False)
    y = y + 2.0 / MONTH_DAYS * np.maximum(t - 170, 0)
    white, prior = White(t, y, 1.0, 0.4), Prior(step=2.5, bend=1.5, bend_order=0)
    every = candidates(t, [], prior)
    bends, steps = np.flatnonzero(every.kind == BEND), np.flatnonzero(every.kind == STEP)
    open_ = some(every, [bends[-18], bends[-20], steps[-30]])
    mixture = stories(white, [Knot(STEP, 80, 30.0)], [], open_, prior)
    base = np.stack([white.step(0), white.step(80)], axis=1)
    first, other = 1, 2

    def alone(k: int) -> tuple[float, Floats, Floats]:
        """Evidence, mean and covariance with a nearly flat prior for the base."""
        x = np.column_stack([base, white.bend(int(open_.at[k])) / MONTH_DAYS])
        precision = np.diag([1e-8, 1e-8, 1 / open_.variance[k]])
        own = x.T @ x + precision
        mean = np.linalg.solve(own, x.T @ white.w)
        log = 0.5 * mean @ own @ mean - 0.5 * np.linalg.slogdet(own)[1] + 0.5 * np.log(1 / open_.variance[k])
        return (
            float(log + open_.log_prior[k]),
            np.asarray(mean, dtype=np.float64),
            np.asarray(np.linalg.inv(own), dtype=np.float64),
        )

    (log_a, mean_a, cov_a), (log_b, _, _) = alone(first - 1), alone(other - 1)
    ahead = np.array([1.0, 1.0, (t[-1] - t[open_.at[first - 1]]) / MONTH_DAYS])
    assert np.log(mixture.weight[first] / mixture.weight[other]) == pytest.approx(log_a - log_b, abs=1e-4)
    assert mixture.slope[first] == pytest.approx(mean_a[2], abs=1e-5)
    assert mixture.level[first] == pytest.approx(ahead @ mean_a, abs=1e-4)
    assert mixture.level_var[first] == pytest.approx(ahead @ cov_a @ ahead, rel=1e-3)
    assert mixture.cov[first] == pytest.approx(ahead @ cov_a[:, 2], rel=1e-3)
    assert mixture.weight.sum() == pytest.approx(1.0)
    assert len(mixture.weight) == 1 + 3 + 3
    assert len(steps) > len(bends) > 20


def test_step_that_was_found_is_as_likely_as_one_that_was_not() -> None:
    """A step in doubt has the prior of an open one: the same story told in both ways has the same level and odds."""
    t, y = series(3, gap=False)
    white = White(t, y + 1.2 * (t >= 150), 1.0, 0.4)
    every = candidates(t, [150])
    (same,) = np.flatnonzero((every.kind == STEP) & (every.at == 150))
    none, only = some(every, []), some(every, [int(same)])
    doubted = stories(white, [], [Knot(STEP, 150, 30.0)], none)
    opened = stories(white, [], [], only)
    width = float(every.log_prior[same]) - np.log(Prior().steps_year / YEAR_DAYS)

    assert doubted.step.tolist() == opened.step.tolist() == [-1, 150]
    assert doubted.level == pytest.approx(opened.level, abs=1e-6)
    assert np.diff(np.log(opened.weight)) - np.diff(np.log(doubted.weight)) == pytest.approx(width, abs=1e-6)


def test_step_of_usual_size_weighs_as_normal_regression_does() -> None:
    """Known to be about 3 %, downwards here: a normal prior about that, worked out at length."""
    t, y = series(3, gap=False)
    y = y - 2.6 * (t >= 170) + 0.8 / MONTH_DAYS * np.maximum(t - 150, 0)
    white, prior = White(t, y, 1.0, 0.4), Prior(step=0.3, order=0, usual=3.0, bend_order=0)
    every = candidates(t, [170], prior)
    (step,) = np.flatnonzero((every.kind == STEP) & (every.at == 170) & (every.mean == -3.0))
    bend = np.flatnonzero(every.kind == BEND)[8]
    open_ = some(every, [int(step), int(bend)])
    mixture = stories(white, [], [], open_, prior)

    def plain(count: int) -> tuple[float, Floats]:
        """Evidence and sizes of so many beside the base, with a nearly flat prior for that."""
        columns = [white.step(0), white.step(170), white.bend(int(open_.at[1])) / MONTH_DAYS][: count + 1]
        about = np.array([0.0, -3.0, 0.0][: count + 1])
        precision = np.diag([1e-8, *(1 / open_.variance[:count])])
        design = np.column_stack(columns)
        own = design.T @ design + precision
        size = np.linalg.solve(own, design.T @ white.w + precision @ about)
        log = 0.5 * size @ own @ size - 0.5 * about @ precision @ about - 0.5 * np.linalg.slogdet(own)[1]
        log += 0.5 * np.linalg.slogdet(precision)[1] + open_.log_prior[:count].sum()
        return float(log), np.asarray(size, dtype=np.float64)

    (both,), (alone,) = (np.flatnonzero((mixture.step == 170) & (mixture.creeps == creeps)) for creeps in (True, False))
    (log_both, size), (log_alone, _) = plain(2), plain(1)
    assert np.log(mixture.weight[both] / mixture.weight[alone]) == pytest.approx(log_both - log_alone, abs=1e-4)
    assert mixture.slope[both] == pytest.approx(size[2], abs=1e-5)
    assert size[1] == pytest.approx(-3.0, abs=0.5)


@pytest.mark.parametrize("way", [1.0, -1.0])
def test_found_step_of_usual_size_is_as_likely_as_an_open_one(way: float) -> None:
    """Told in doubt, or on the grid in the direction that it has: the same level, and odds that differ by the dates."""
    t, y = series(3, gap=False)
    white, prior = White(t, y + way * 2.7 * (t >= 150), 2.0, 0.6), Prior(step=0.3, order=0, usual=3.0)
    every = candidates(t, [150], prior)
    (same,) = np.flatnonzero((every.kind == STEP) & (every.at == 150) & (every.mean == 3.0 * way))
    doubted = stories(white, [], [Knot(STEP, 150, 30.0)], some(every, []), prior)
    opened = stories(white, [], [], some(every, [int(same)]), prior)
    width = float(every.log_prior[same]) - np.log(prior.steps_year / YEAR_DAYS / 2.0)

    assert doubted.step.tolist() == opened.step.tolist() == [-1, 150]
    assert doubted.level == pytest.approx(opened.level, abs=1e-6)
    assert np.diff(np.log(opened.weight)) - np.diff(np.log(doubted.weight)) == pytest.approx(width, abs=1e-6)


@pytest.mark.parametrize("order", [1, 2, 4])
def test_moment_is_the_mean_power(order: int) -> None:
    """By numbers: the mean of a normal deviate's power, over the same of the prior; 1 where the data say nothing."""
    at = np.linspace(-30.0, 30.0, 60_001)
    density = np.exp(-0.5 * ((at - 1.3) / 0.8) ** 2) / 0.8 / np.sqrt(2 * np.pi)
    prior = np.exp(-0.5 * (at / 1.7) ** 2) / 1.7 / np.sqrt(2 * np.pi)
    plain = np.sum(density * at ** (2 * order)) / np.sum(prior * at ** (2 * order))

    assert moment(np.array([1.3]), np.array([0.64]), 1.7**2, order) == pytest.approx([plain], rel=1e-6)
    assert moment(np.zeros(1), np.full(1, 1.7**2), 1.7**2, order) == pytest.approx([1.0])


def test_rise_and_fall_share_the_weight() -> None:
    """A sure rise is no fall; what has no slope is neither."""
    both = Mixture(
        np.array([0.3, 0.7]), np.zeros(2), np.array([0.0, 2.0]), np.ones(2), np.full(2, 1e-6), np.zeros(2),
        np.array([False, True]), np.array([-1, -1]), np.array([-1, 5]), np.array([-1, 5]),
    )  # fmt: skip

    assert chance_of_rise(both, 0.1) == pytest.approx(0.7)
    assert chance_of_fall(both, 0.1) == pytest.approx(0.0)


@pytest.mark.parametrize(("sigma", "rho"), [(1.0, 0.4), (2.5, 0.0), (0.3, 0.7)])
def test_noise_is_measured(sigma: float, rho: float) -> None:
    """Both ways give the scatter within a tenth and the correlation within 0.12, a step and a slope notwithstanding."""
    t = np.arange(1_000.0)
    y = noise(1_000, 4, sigma, rho)
    guess = first_guess(y + 3.0 * (t > 400) * sigma + t / 1_000.0 * sigma)
    known = from_residuals(t, y - y.mean(), 1)

    assert guess.sigma == pytest.approx(sigma, rel=0.12)
    assert known.sigma == pytest.approx(sigma, rel=0.1)
    assert guess.rho == pytest.approx(rho, abs=0.12)
    assert known.rho == pytest.approx(rho, abs=0.12)


def test_running_median_passes_by_storms_and_keeps_steps() -> None:
    """Two days of storm at the very end move nothing; a step stays where it is."""
    value = np.where(np.arange(60) >= 30, 3.0, 0.0)
    value[-2:] = 13.0

    assert running_median(value, 10) == pytest.approx(np.where(np.arange(60) >= 30, 3.0, 0.0))


def test_no_weekday_is_known_of_long_periods() -> None:
    """Periods of three days have no weekday: nothing is taken off, nothing is claimed."""
    cleaned = clean(noise(100, 5), np.full(100, -1))

    assert not cleaned.known
    assert not cleaned.weekday.any()


def test_running_at_other_hours_is_no_other_level() -> None:
    """Days on which the drive ran only in the loaded hours have another median; the hours explain it."""
    shape = np.where(np.arange(24) < 12, -4_000.0, 4_000.0)
    days = days_of(40.0 + noise(N, 6))
    hours = days.median_nm[:, None] + shape
    hours[150:, :12] = np.nan
    busy = days._replace(median_nm=np.where(np.arange(N) >= 150, days.median_nm + 4_000.0, days.median_nm))
    side = side_of(busy)._replace(by_hour_nm=hours)

    assert hours_apart(hours) == pytest.approx(np.where(np.arange(N) >= 150, 4_000.0, 0.0), abs=1.0)
    assert series_of(side, 1_000.0).value == pytest.approx(series_of(side_of(days), 1_000.0).value, abs=1e-3)


PAST = Past(np.arange(N - 1.0, -1.0, -1.0), 2.3)


def certain(level: float, slope: float, bend: int = -1, began: int = -1) -> Mixture:
    """One story without doubt; its slope is as old as the drive, or since these periods."""
    one, none, no_step = np.ones(1), np.zeros(1), np.array([-1])
    since = np.array([bend]), np.array([began])
    return Mixture(one, one * level, one * slope, none, none, none, np.array([slope != 0]), no_step, *since)


def test_certain_creep_reaches_the_alarm_on_its_day() -> None:
    """No doubt and no future steps: the day is the distance over the rate, in all draws."""
    quiet = Prior(steps_year=0.0, bends_year=0.0)
    forecast = reached(Paths(certain(40.0, 2.0), PAST, quiet, 0.0), 50.0)

    assert forecast.days is not None
    assert forecast.days == pytest.approx([5 * MONTH_DAYS] * 3, rel=0.01)
    assert forecast.within == {7: 0.0, 30: 0.0, 90: 0.0}
    assert reached(Paths(certain(40.0, 2.0), PAST, quiet, 0.0), 40.1).within[7] == 1.0


def test_certain_steadiness_never_reaches_the_alarm() -> None:
    """A level that neither steps nor creeps stays below for ever."""
    quiet = Prior(steps_year=0.0, bends_year=0.0)

    assert reached(Paths(certain(40.0, 0.0), PAST, quiet, 0.0), 50.0).days == (inf, inf, inf)


def test_creep_that_may_stop_leaves_the_interval_open() -> None:
    """If creep ends with a tenth's chance each month, an alarm a year away may never come."""
    quiet = Prior(steps_year=0.0, bends_year=0.0)
    forecast = reached(Paths(certain(40.0, 1.0), PAST, quiet, 0.1), 52.0)

    assert forecast.days is not None
    assert forecast.days.low == pytest.approx(12 * MONTH_DAYS, rel=0.02)
    assert forecast.days.high == inf


def test_creep_that_became_steeper_may_go_on_so() -> None:
    """After two bends the same way the alarm may come sooner than on a straight line, and need not; after one, seldom.

    By 2 % a month since 100 days, of a rise that began 160 days ago: 40 % away are 20 months on a straight line.
    """
    quiet = Prior(steps_year=0.0, bends_year=0.0)
    straight = 20 * MONTH_DAYS
    twice, once = (reached(Paths(certain(40.0, 2.0, 99, began), PAST, quiet, 0.0), 80.0).days for began in (39, 99))

    assert twice is not None
    assert once is not None
    assert twice.low < 0.7 * straight
    assert twice.high == pytest.approx(straight, rel=0.01)
    assert once.mid == pytest.approx(straight, rel=0.01)


def test_straight_rise_of_long_is_no_parabola() -> None:
    """A rise by 20 % in half a year that one straight line fits does not grow: its misfit would have shown."""
    quiet = Prior(steps_year=0.0, bends_year=0.0)
    forecast = reached(Paths(certain(40.0, 3.3, 10, 10), PAST, quiet, 0.0), 80.0)

    assert forecast.days is not None
    assert forecast.days.low == pytest.approx(forecast.days.high, rel=0.01)


def test_future_steps_come_as_often_as_the_prior_says() -> None:
    """Without creep a level three steps below the alarm gets there seldom within a year."""
    paths = Paths(certain(40.0, 0.0), PAST, Prior(steps_year=1.0, bends_year=0.0), 0.0)
    spread = float(np.std(paths.level[:, -1]))
    horizon = 120.0 * 1.12**30 / YEAR_DAYS

    assert spread == pytest.approx(3.0 * np.sqrt(horizon), rel=0.15)


@pytest.mark.parametrize(
    ("days", "text"),
    [
        (Span(40.2, 60.0, 90.4), "the alarm point is reached in 40 to 90 days"),
        (Span(400.0, 700.0, inf), "the alarm point is not reached within 400 days, and may never be"),
        (Span(0.0, 0.0, 0.0), "the level has reached the alarm point"),
        (Span(inf, inf, inf), "the alarm point is years away"),
        (None, "when the level reaches alarm cannot be said"),
    ],
)
def test_forecasts_in_words(days: Span | None, text: str) -> None:
    """Closed, open, reached, far away and unknown."""
    assert words.reached(Forecast(days, {}, ""), "alarm") == text


def test_creep_that_is_not_sure_is_said_to_be_possible() -> None:
    """A warning on a chance of one in three says so, and claims no rate below nought."""
    alarm = Forecast(Span(100.0, 200.0, inf), {}, "")
    unsure = words.creeping(Span(-0.3, -0.1, 1.4), FIRST_MS, alarm, 0.0, 0.33)

    assert unsure.startswith("May creep upwards since about 1 January 2024 (chance 33 %), by up to 1.4 %")
    assert words.creeping(Span(0.4, 0.9, 1.4), FIRST_MS, alarm, 0.0, 0.8).startswith("Creeps upwards by 0.9 %")
    assert "cannot be said" in words.creeping(None, FIRST_MS, alarm, 84_000.0, 0.8)


def test_rates_and_days_in_words() -> None:
    """A falling rate has its interval turned round with it; days are UTC days."""
    assert words.rate(Span(0.7, 1.1, 1.5)) == "1.1 % of shutdown a month (0.7 to 1.5)"
    assert words.rate(Span(-1.5, -1.1, -0.02)) == "1.1 % of shutdown a month (0.0 to 1.5)"
    assert words.day(FIRST_MS + DAY_MS - 1) == "1 January 2024"
    assert words.counted(1, "period") == "1 period"
    assert words.counted(3, "period") == "3 periods"
