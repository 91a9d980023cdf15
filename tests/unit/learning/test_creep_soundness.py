"""Bad data: a sentence each, never a wrong number, never an exception."""

from __future__ import annotations

from collections.abc import Callable
from math import isnan, nan

import numpy as np
import pytest

from creepdays import FIRST_MS, SHUTDOWN_NM, days_of, end_ms, noise, side_of
from nightrake.learning.creep import State, Trend, judge
from nightrake.learning.days import DAY_MS, MIXED, Days, rows

N = 300


def good() -> Days:
    """Three hundred ordinary days."""
    return days_of(40.0 + noise(N, 1))


def verdict(days: Days) -> Trend:
    """At the end of these days."""
    return judge(side_of(days), end_ms(days))


CANNOT: dict[str, tuple[Callable[[], Days], str]] = {
    "none": (lambda: rows(good(), slice(0, 0)), "0 periods with a torque"),
    "one": (lambda: rows(good(), slice(0, 1)), "1 period with a torque"),
    "few": (lambda: rows(good(), slice(0, 29)), "29 periods with a torque"),
    "constant": (lambda: days_of(np.full(N, 40.0)), "the same torque or one of two"),
    "two values": (lambda: days_of(40.0 + np.arange(float(N)) % 2), "the same torque or one of two"),
    "stands still": (lambda: days_of(np.where(np.arange(N) < 280, 40.0 + noise(N, 1), 41.0)), "may stand still"),
    "all NaN": (lambda: good()._replace(median_nm=np.full(N, nan)), "no period has a torque that can be followed"),
    "all below": (
        lambda: good()._replace(median_nm=np.full(N, nan), spread_nm=np.full(N, nan), below=np.ones(N)),
        "below preload",
    ),
}


@pytest.mark.parametrize("case", CANNOT)
def test_data_that_carry_nothing_say_why(case: str) -> None:
    """Cannot say, in a sentence, with no number in its place."""
    make, why = CANNOT[case]
    trend = verdict(make())

    assert trend.state is State.CANNOT_SAY
    assert why in trend.sentence
    assert trend.slope_nm_month is None
    assert trend.slope_percent_month is None
    assert trend.alarm.days is None
    assert not trend.alarm.within
    assert trend.alarm.why_not
    assert not trend.warning
    assert trend.p_value is None
    assert trend.level_is_below or isnan(trend.level_nm)


@pytest.mark.parametrize("shutdown_nm", [nan, 0.0, -5.0])
def test_no_shutdown_torque_is_said(shutdown_nm: float) -> None:
    """Percent of nothing is nothing."""
    days = good()
    trend = judge(side_of(days)._replace(shutdown_nm=shutdown_nm), end_ms(days))

    assert trend.state is State.CANNOT_SAY
    assert "no shutdown torque is stated" in trend.sentence


def test_stale_data_say_so() -> None:
    """Two months without a day: the level of then is not the level of now."""
    days = good()
    trend = judge(side_of(days), end_ms(days) + 60 * DAY_MS)

    assert trend.state is State.CANNOT_SAY
    assert "60 days ago" in trend.sentence


def test_clock_set_back_leaves_out_what_does_not_rise() -> None:
    """Days that came again are left out, named, and the verdict is that of the others."""
    days = good()
    again = Days(*(np.concatenate([c[:200], c[180:200], c[200:]]) for c in days))
    trend = verdict(again)

    assert any("20 periods with a time not after the one before left out" in text for text in trend.remarks)
    assert trend.level_nm == verdict(days).level_nm


def test_gaps_are_named_and_survived() -> None:
    """Two months without a day amid the record: named with its days; the verdict stands."""
    trend = verdict(rows(good(), np.r_[0:100, 160:N]))

    assert trend.state is State.STEADY
    assert any("Nothing between 9 April 2024 and 9 June 2024 (61 days)" in text for text in trend.remarks)


def test_single_missing_values_change_little() -> None:
    """NaN in one of ten days: left out and counted."""
    days = good()
    holes = days._replace(median_nm=np.where(np.arange(N) % 10 == 3, nan, days.median_nm))
    trend = verdict(holes)

    assert trend.level_nm == pytest.approx(verdict(days).level_nm, rel=0.01)
    assert any("30 periods left out that have no torque to follow" in text for text in trend.remarks)


def test_infinite_values_are_no_torque() -> None:
    """An infinity from a broken conversion is left out like a missing value."""
    days = good()
    trend = verdict(days._replace(median_nm=np.where(np.arange(N) == 50, np.inf, days.median_nm)))

    assert trend.level_nm == pytest.approx(verdict(days).level_nm, rel=0.01)


def test_period_of_two_records_is_left_out() -> None:
    """The day on which the record changed mixes two scales."""
    days = good()
    record = np.where(np.arange(N) < 150, 0, 1)
    record[150] = MIXED
    trend = judge(side_of(days._replace(record=record), records=2), end_ms(days))

    assert any("1 period left out in which the calibration record changed" in text for text in trend.remarks)
    assert FIRST_MS + 150 * DAY_MS not in trend.fitted.utc_ms


def test_units_changed_make_a_shift_and_no_creep() -> None:
    """Somebody sets the transducer to another unit: a step of the level by a tenth, dated, and nothing creeps."""
    days = good()
    trend = verdict(days._replace(median_nm=days.median_nm * np.where(np.arange(N) < 200, 1.0, 0.1)))

    assert trend.state is State.STEADY
    assert not trend.warning
    assert any(abs(shift.utc_ms - FIRST_MS - 200 * DAY_MS) <= DAY_MS for shift in trend.shifts)
    assert trend.level_nm == pytest.approx(0.04 * SHUTDOWN_NM, rel=0.05)


def test_readings_beyond_or_uncertain_are_counted() -> None:
    """What the record does not reach, and what the transducer doubts, is said."""
    share = np.where(np.arange(N) % 3 == 0, 0.5, 0.0)
    trend = verdict(good()._replace(beyond=share, uncertain=share))

    assert any("100 periods more than a fifth of the readings lie beyond" in text for text in trend.remarks)
    assert any("100 periods more than a fifth of the readings are flagged uncertain" in text for text in trend.remarks)


def test_reading_remarks_come_first() -> None:
    """What reading met is handed on, before what the judgement adds, each once."""
    days = good()
    side = side_of(days)._replace(sentences=("Damaged on 3 May.", "Damaged on 3 May."))

    assert judge(side, end_ms(days)).remarks[0] == "Damaged on 3 May."
    assert judge(side, end_ms(days)).remarks.count("Damaged on 3 May.") == 1


def test_record_that_changes_daily_is_survived() -> None:
    """A reader that names another record each day: a verdict or a reason, in time, and no exception."""
    days = good()
    trend = judge(side_of(days._replace(record=np.arange(N) % 2), records=2), end_ms(days))

    assert len(trend.shifts) <= 20
    assert not trend.warning


def test_drive_loaded_in_two_ways_is_remarked() -> None:
    """Every fourth day at another level: no creep of it, and a word that one level does not describe it."""
    trend = verdict(days_of(40.0 + 9.0 * (np.arange(N) % 4 == 0) + noise(N, 2)))

    assert not trend.warning
    assert any("loaded in two ways" in text for text in trend.remarks)


def test_few_weeks_have_no_weekly_cycle() -> None:
    """Before four of each weekday no offset is stated."""
    trend = judge(side_of(good()), FIRST_MS + 31 * DAY_MS - DAY_MS + 1 + DAY_MS)

    assert "weekday" in trend.season or any("weekly cycle" in text for text in trend.remarks)
