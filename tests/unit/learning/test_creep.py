"""The judgement of creep on made days: what creeps, what steps, what is below preload, what is a load event."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest

from creepdays import FIRST_MS, SHUTDOWN_NM, days_of, end_ms, noise, side_of
from nightrake.learning.creep import Options, State, Trend, judge, warning_of, warns_at
from nightrake.learning.days import DAY_MS, MONTH_DAYS, YEAR_DAYS, Days, Floats, Known, rows

N = 400
ONSET = 280
RATE = 1.5


def ramp(rate: float = RATE, onset: int = ONSET, n: int = N) -> Floats:
    """Creep of so much a month from that day."""
    return np.maximum(np.arange(n) - onset, 0.0) * rate / MONTH_DAYS


def trend_of(percent: Floats, **more: object) -> Trend:
    """The verdict at the end of these days."""
    days = days_of(percent)
    return judge(side_of(days, **more), end_ms(days))  # type: ignore[arg-type]


@pytest.mark.parametrize("seed", range(6))
def test_creep_is_found_measured_and_dated(seed: int) -> None:
    """Four months of creep by 1.5 % a month: warned of, the interval holds the rate, the onset is right to a month."""
    trend = trend_of(40.0 + ramp() + noise(N, seed))
    slope = trend.slope_percent_month

    assert trend.state is State.CREEPING
    assert trend.warning
    assert slope is not None
    assert slope.low - 0.2 < RATE < slope.high + 0.2
    assert slope.high - slope.low < 1.5
    assert abs((trend.since_utc_ms - FIRST_MS) / DAY_MS - ONSET) < 35
    assert trend.p_value is not None
    assert trend.p_value < 0.001
    assert "Creeps upwards by 1." in trend.sentence


@pytest.mark.parametrize("seed", range(6))
def test_level_that_stands_is_steady(seed: int) -> None:
    """Noise alone: no warning, an interval around nought, an alarm that may never come."""
    trend = trend_of(40.0 + noise(N, seed))
    slope, days = trend.slope_percent_month, trend.alarm.days

    assert trend.state is State.STEADY
    assert not trend.warning
    assert slope is not None
    assert slope.low - 0.1 < 0.0 < slope.high + 0.1
    assert days is not None
    assert days.low > 90.0
    assert days.high == np.inf
    assert trend.alarm.within[90] < 0.1


@pytest.mark.parametrize("size", [-3.0, 3.0, 8.0])
def test_step_is_dated_and_is_no_creep(size: float) -> None:
    """A plough replaced: the level steps, by this much, that week, and nothing creeps."""
    step = size * (np.arange(N) >= 300)
    trend = trend_of(40.0 + step + noise(N, 3))

    assert trend.state is State.STEADY
    (shift,) = trend.shifts
    assert shift.why == "found"
    assert abs(shift.utc_ms - FIRST_MS - 300 * DAY_MS) <= 4 * DAY_MS
    assert shift.low_utc_ms <= shift.utc_ms <= shift.high_utc_ms
    assert shift.size_nm.low < size / 100 * SHUTDOWN_NM < shift.size_nm.high
    assert trend.since_utc_ms == shift.utc_ms


def test_creep_goes_on_over_a_step() -> None:
    """A step down amid creep: both are told, and the rate is the creep's."""
    trend = trend_of(40.0 + ramp(1.5, 150) - 4.0 * (np.arange(N) >= 300) + noise(N, 4))

    assert trend.state is State.CREEPING
    assert any(abs(shift.utc_ms - FIRST_MS - 300 * DAY_MS) <= 4 * DAY_MS for shift in trend.shifts)
    assert trend.slope_percent_month is not None
    assert trend.slope_percent_month.mid == pytest.approx(1.5, abs=0.3)


def test_falling_level_is_said_to_fall() -> None:
    """Worn ploughs cut less: no warning, but it is said."""
    trend = trend_of(60.0 - ramp() + noise(N, 5))

    assert trend.state is State.FALLING
    assert not trend.warning
    assert trend.sentence.startswith("Falls by 1.")


def test_storms_are_load_events() -> None:
    """Days of +10 % are named as load events and move neither level nor slope."""
    storms = np.zeros(N)
    for begin in (40, 120, 200, 310, 396):
        storms[begin : begin + 2] = 10.0
    calm = trend_of(40.0 + noise(N, 6))
    trend = trend_of(40.0 + storms + noise(N, 6))

    assert set(trend.outliers) == {FIRST_MS + int(day) * DAY_MS for day in np.flatnonzero(storms)}
    assert trend.state is State.STEADY
    assert trend.level_nm == pytest.approx(calm.level_nm, rel=0.01)
    assert trend.fitted.is_outlier.sum() == 10


def test_weekly_cycle_is_removed_and_told() -> None:
    """Less sludge at the weekend: seven offsets, Monday first, and no creep from it."""
    week = np.where(np.arange(N) % 7 >= 5, -2.5, 1.0)
    trend = trend_of(40.0 + week + noise(N, 7))
    offsets = np.array(trend.season["weekday"]) / SHUTDOWN_NM * 100

    assert trend.state is State.STEADY
    assert offsets == pytest.approx([1.0] * 5 + [-2.5] * 2, abs=0.4)


def test_hours_of_the_day_are_told() -> None:
    """Medians by hour give 24 offsets; too few days give none."""
    days = days_of(40.0 + noise(N, 8))
    shape = 2_000.0 * np.sin(2 * np.pi * np.arange(24) / 24)
    side = side_of(days)._replace(by_hour_nm=days.median_nm[:, None] + shape)

    assert judge(side, end_ms(days)).season["hour"] == pytest.approx(shape.tolist(), abs=1.0)
    assert "hour" not in judge(side, FIRST_MS + 20 * DAY_MS).season
    assert "hour" not in judge(side_of(days), end_ms(days)).season


def yearly(n: int, height: float = 2.5) -> Floats:
    """A swing of so much % of shutdown, highest at the end of March."""
    return np.asarray(height * np.sin(2 * np.pi * np.arange(n) / YEAR_DAYS))


@pytest.mark.parametrize("seed", range(3))
def test_season_of_the_year_is_no_creep_once_it_was_seen(seed: int) -> None:
    """In the second winter the level rises as it did in the first: no warning; the months are told, and taken off."""
    trend = trend_of(40.0 + yearly(790) + noise(790, seed))
    months = np.array(trend.season["month"]) / SHUTDOWN_NM * 100
    spring = np.arange(790) % YEAR_DAYS < 90

    assert not trend.warning
    assert trend.state is State.STEADY
    assert any(text.startswith("The level swings by ") for text in trend.remarks)
    assert months == pytest.approx(2.5 * np.sin(2 * np.pi * (np.arange(12) + 0.5) / 12), abs=0.6)
    assert np.mean(trend.fitted.adjusted_nm[spring]) == pytest.approx(np.mean(trend.fitted.adjusted_nm), rel=0.02)


def test_creep_beside_a_season_is_found() -> None:
    """Of a level that swings by the year and creeps besides, the creep alone is told."""
    trend = trend_of(40.0 + yearly(790) + ramp(1.5, 680, 790) + noise(790, 4))

    assert trend.warning
    assert trend.slope_percent_month is not None
    assert trend.slope_percent_month.low < 1.5 < trend.slope_percent_month.high


@pytest.mark.parametrize("n", [N, 900])
def test_no_season_is_told_where_none_is(n: int) -> None:
    """A level that stands, or steps once a year, has no month."""
    assert "month" not in trend_of(40.0 + noise(n, 20)).season
    assert "month" not in trend_of(40.0 + 3.0 * (np.arange(n) >= n - 200) + noise(n, 21)).season


def test_warning_alone_is_the_verdicts() -> None:
    """The short way to the warning gives what the verdict gives, or nothing where nothing can be said."""
    days = days_of(40.0 + ramp(1.0, 300) + noise(N, 22))
    side = side_of(days)
    for day in range(5, N + 1, 15):
        trend = judge(side, FIRST_MS + day * DAY_MS)
        alone = warning_of(side, FIRST_MS + day * DAY_MS)

        assert (trend.chance is None) == (alone is None)
        assert alone is None or alone == (trend.chance, trend.warning)
    assert warning_of(side._replace(shutdown_nm=np.nan), end_ms(days)) is None


def test_changed_calibration_record_is_a_shift_and_no_creep() -> None:
    """Another record, another scale: the shift carries the plant's reason whatever its size."""
    days = days_of(40.0 + 2.0 * (np.arange(N) >= 350) + noise(N, 9))
    days = days._replace(record=(np.arange(N) >= 350).astype(np.int64))
    known = (Known(FIRST_MS + 350 * DAY_MS, "calibration record changed to record 1"),)
    trend = judge(side_of(days, known=known, records=2), end_ms(days))

    assert trend.state is State.STEADY
    (shift,) = trend.shifts
    assert shift.why == known[0].why
    assert shift.utc_ms == known[0].utc_ms
    assert any("calibration records" in text for text in trend.remarks)


def test_record_that_changed_nothing_is_still_a_shift() -> None:
    """A small shift that no data would show is taken on the plant's word, with its interval."""
    days = days_of(40.0 + noise(N, 10))._replace(record=(np.arange(N) >= 200).astype(np.int64))
    trend = judge(side_of(days, records=2), end_ms(days))

    (shift,) = trend.shifts
    assert shift.size_nm.low < 0.0 < shift.size_nm.high


def test_level_below_preload_gets_no_slope() -> None:
    """Two thirds of the readings below preload: 'below X', no slope, no forecast, with the reason."""
    days = below_preload(noise(N, 11))
    trend = judge(side_of(days), end_ms(days))

    assert trend.state is State.CANNOT_SAY
    assert trend.level_is_below
    assert trend.level_nm == pytest.approx(42.0 / 100 * SHUTDOWN_NM)
    assert trend.slope_nm_month is None
    assert trend.slope_percent_month is None
    assert trend.alarm.days is None
    assert "preload" in trend.alarm.why_not
    assert "preload" in trend.sentence


def test_creep_below_preload_still_warns() -> None:
    """The share of readings below preload falls month by month: a warning, without a rate."""
    days = below_preload(ramp(1.5, 320) + noise(N, 12))
    trend = judge(side_of(days), end_ms(days))

    assert trend.warning
    assert trend.state is State.CREEPING
    assert trend.slope_percent_month is None
    assert "nan" not in trend.sentence


def below_preload(percent: Floats) -> Days:
    """Days about 40.7 % of shutdown with the preload at 42 %; readings spread by 3 %."""
    level = 40.7 + percent
    days = days_of(level)
    share = 0.5 * (1 + np.tanh((42.0 - level) / 3.0 * 0.8))  # near enough to a normal distribution
    nm = SHUTDOWN_NM / 100.0
    return days._replace(
        median_nm=np.where(share > 0.5, np.nan, days.median_nm),
        spread_nm=np.where(share > 0.16, np.nan, days.spread_nm),
        below_nm=np.full(len(level), 42.0 * nm),
        below=share,
    )


def test_nothing_later_is_looked_at() -> None:
    """The same verdict, to the last bit, whether the future is there, otherwise or not at all."""
    days = days_of(40.0 + ramp() + noise(N, 13))
    now = FIRST_MS + 350 * DAY_MS
    otherwise = days._replace(median_nm=np.where(np.arange(N) < 350, days.median_nm, 1.0))
    short = rows(days, slice(350))

    assert same(judge(side_of(days), now), judge(side_of(otherwise), now))
    assert same(judge(side_of(days), now), judge(side_of(short), now))


def test_unit_and_date_do_not_matter() -> None:
    """A drive ten times as large, four weeks later, has the same verdict in percent and days."""
    percent = 40.0 + ramp() + noise(N, 14)
    days = days_of(percent)
    large = days_of(percent, SHUTDOWN_NM / 10)._replace(utc_ms=days.utc_ms + 28 * DAY_MS)
    small = judge(side_of(days), end_ms(days))
    other = judge(side_of(large, shutdown_nm=10 * SHUTDOWN_NM), end_ms(large))

    assert other.slope_percent_month == pytest.approx(small.slope_percent_month, rel=1e-3)
    assert other.chance == pytest.approx(small.chance, rel=1e-3)
    assert other.alarm.days == pytest.approx(small.alarm.days, rel=1e-2)
    assert other.level_nm == pytest.approx(10 * small.level_nm, rel=1e-6)


def test_arrays_for_plots_have_one_value_for_each_period() -> None:
    """All arrays are as long, the band holds about 95 % of the days, the charts start anew at a step."""
    trend = trend_of(40.0 + 5.0 * (np.arange(N) >= 200) + noise(N, 15))
    fitted = trend.fitted
    inside = (fitted.adjusted_nm >= fitted.low_nm) & (fitted.adjusted_nm <= fitted.high_nm)

    assert {len(part) for part in fitted[:-1]} == {N}
    assert 0.9 <= inside.mean() <= 0.99
    assert fitted.cusum_high.max() < 2 * fitted.cusum_limit
    assert ((fitted.ewma_nm > fitted.ewma_low_nm) & (fitted.ewma_nm < fitted.ewma_high_nm)).mean() > 0.95


def test_level_above_the_alarm_has_reached_it() -> None:
    """Nothing is left to forecast: nought days, and the sentence says so."""
    trend = trend_of(40.0 + ramp() + noise(N, 16), alarm=42.0)

    assert trend.alarm.days == (0.0, 0.0, 0.0)
    assert trend.alarm.within == {7: 1.0, 30: 1.0, 90: 1.0}
    assert "has reached the alarm point" in trend.sentence


def test_creep_after_a_rest_is_not_taken_to_grow() -> None:
    """Creep, cleaned and at rest for months, then creep again in a straight line: the day lies well inside."""
    at = np.arange(730)
    again = np.maximum(at - 560, 0) * 3.0 / MONTH_DAYS
    level = np.where(at < 392, 40.0 + np.maximum(at - 60, 0) * 2.5 / MONTH_DAYS, 42.0 + again)
    trend = trend_of(level + noise(730, 23, 0.5), alarm=level[-1] + 10.0)

    assert trend.alarm.days is not None
    assert 75.0 < trend.alarm.days.low < 10.0 / 3.0 * MONTH_DAYS < trend.alarm.days.high
    assert trend.alarm.within[30] < 0.05


def test_stage_without_a_torque_has_no_forecast() -> None:
    """No alarm torque stated: a sentence, and the shutdown's forecast all the same."""
    trend = trend_of(40.0 + ramp() + noise(N, 17), alarm=np.nan)

    assert trend.alarm.days is None
    assert trend.alarm.why_not == "No torque is stated for this stage."
    assert trend.shutdown.days is not None


def test_forecast_narrows_as_the_alarm_comes_nearer() -> None:
    """Chances rise towards the alarm, and the interval holds the day on which the level gets there."""
    days = days_of(40.0 + ramp(3.0, 200, 500) + noise(500, 18))
    side = side_of(days, alarm=62.0)
    reached = 200 + 22.0 / 3.0 * MONTH_DAYS
    trends = [(day, judge(side, FIRST_MS + day * DAY_MS)) for day in (280, 340, 400)]
    chances = [trend.alarm.within[90] for _, trend in trends]

    assert chances == sorted(chances)
    assert chances[-1] > 0.9
    for day, trend in trends:
        assert trend.alarm.days is not None
        assert trend.alarm.days.low <= reached - day <= trend.alarm.days.high


@pytest.mark.parametrize("seed", range(3))
def test_fast_rise_is_warned_of_before_it_has_lasted(seed: int) -> None:
    """Three weeks at 30 % a month are no row of steps; three days of it are not yet anything."""
    early, late = (trend_of(35.0 + ramp(30.0, N - ago) + noise(N, seed)) for ago in (3, 21))

    assert late.warning
    assert late.alarm.within[90] > 0.4
    assert not early.warning


def test_fewer_false_warnings_need_a_greater_chance() -> None:
    """The rate that a site asks for sets the chance from which a warning comes, and that alone."""
    asked = [warns_at(rate) for rate in (0.01, 0.05, 0.1, 0.2, 0.5, 1.0, 3.0)]
    days = days_of(40.0 + ramp(1.0, 340) + noise(N, 19))
    strict, easy = (judge(side_of(days), end_ms(days), Options(false_warnings_year=rate)) for rate in (0.05, 1.0))

    assert asked == sorted(asked, reverse=True)
    assert strict.chance == easy.chance
    assert easy.warning >= strict.warning


def same(one: Trend, other: Trend) -> bool:
    """Equal in every field, arrays and NaN included."""
    for field in fields(Trend):
        a, b = getattr(one, field.name), getattr(other, field.name)
        if field.name == "fitted":
            assert all(np.array_equal(x, y, equal_nan=True) for x, y in zip(a[:-1], b[:-1], strict=True))
        else:
            assert repr(a) == repr(b), field.name
    return bool(replace(one, remarks=()).now_utc_ms == other.now_utc_ms)
