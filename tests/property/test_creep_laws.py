"""Whatever days come, the judgement of creep answers with sentences and numbers that make sense, and never raises."""

from __future__ import annotations

from math import inf, isfinite, isnan, nan

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from creepdays import FIRST_MS, SHUTDOWN_NM, days_of, noise, side_of
from nightrake.learning.creep import State, Trend, judge
from nightrake.learning.days import DAY_MS, Days, Known

TORQUES = st.one_of(
    st.sampled_from([nan, inf, -inf, 0.0, -1.0, 1e-300, 1e300, SHUTDOWN_NM]),
    st.floats(-2 * SHUTDOWN_NM, 2 * SHUTDOWN_NM),
)
SHARES = st.one_of(st.sampled_from([0.0, 0.5, 0.995, 1.0, nan]), st.floats(0.0, 1.0))


@st.composite
def wild(draw: st.DrawFn) -> Days:
    """Days with columns of anything, laid over ordinary ones here and there."""
    n = draw(st.integers(0, 120))
    days = days_of(40.0 + noise(max(n, 1), draw(st.integers(0, 9))))
    columns = {name: column[:n].copy() for name, column in zip(Days._fields, days, strict=True)}
    for name in ("median_nm", "upper_nm", "spread_nm", "below_nm"):
        for at, value in draw(st.dictionaries(st.integers(0, max(n - 1, 0)), TORQUES, max_size=8)).items():
            columns[name][at : at + draw(st.integers(1, 40))] = value
    for name in ("below", "beyond", "uncertain"):
        for at, share in draw(st.dictionaries(st.integers(0, max(n - 1, 0)), SHARES, max_size=4)).items():
            columns[name][at : at + draw(st.integers(1, 60))] = share
    for at in draw(st.lists(st.integers(0, max(n - 1, 0)), max_size=3)):
        columns["utc_ms"][at:] += draw(st.integers(-40, 400)) * DAY_MS
    for at in draw(st.lists(st.integers(0, max(n - 1, 0)), max_size=2)):
        columns["record"][at:] = draw(st.integers(-1, 2))
    if n and draw(st.booleans()):
        columns["span_ms"][draw(st.integers(0, n - 1)) :] = draw(st.sampled_from([0, DAY_MS // 3, 3 * DAY_MS]))
    return Days._make(columns[name] for name in Days._fields)


def check(trend: Trend) -> None:
    """What holds of every verdict."""
    assert trend.sentence.endswith(".")
    for text in (trend.sentence, *trend.remarks, trend.alarm.why_not, trend.shutdown.why_not):
        assert "nan" not in text
        assert "inf" not in text
    for span in (trend.slope_nm_month, trend.slope_percent_month):
        if span is not None:
            assert all(map(isfinite, span))
            assert span.low <= span.mid <= span.high
    for forecast in (trend.alarm, trend.shutdown):
        if forecast.days is None:
            assert forecast.why_not
            assert not forecast.within
        else:
            assert 0.0 <= forecast.days.low <= forecast.days.mid <= forecast.days.high
            assert 0.0 <= forecast.within[7] <= forecast.within[30] <= forecast.within[90] <= 1.0
    assert trend.p_value is None or 0.0 <= trend.p_value <= 1.0
    assert trend.chance is None or -1e-9 <= trend.chance <= 1.0 + 1e-9
    assert trend.warning == (trend.state is State.CREEPING)
    assert trend.level_is_below or isnan(trend.level_nm) or isfinite(trend.level_nm)
    assert all(np.isfinite(part).all() for part in trend.fitted[:-1])


@given(wild(), st.integers(-5, 200), st.sampled_from([nan, 0.0, 1e-6, 0.7 * SHUTDOWN_NM, inf]))
@settings(max_examples=150)
def test_no_data_make_it_raise(days: Days, ago: int, alarm_nm: float) -> None:
    """Anything in any column, clocks that jump, spans of nought, alarm torques that are none."""
    now = FIRST_MS + (len(days.utc_ms) + ago) * DAY_MS
    known = (
        Known(FIRST_MS + 30 * DAY_MS, "lockout released"),
        Known(0, "out of service"),
        Known(now, "record changed"),
    )
    check(judge(side_of(days, known=known)._replace(alarm_nm=alarm_nm), now))


@given(st.integers(0, 1_000), st.floats(0.0, 4.0), st.integers(0, 200), st.floats(-6.0, 6.0))
@settings(max_examples=40)
def test_ordinary_drives_get_verdicts_in_order(seed: int, rate: float, onset: int, step: float) -> None:
    """Creep, steps and noise of any size: numbers in order, and an alarm no sooner than the shutdown."""
    n = 240
    at = np.arange(n)
    days = days_of(40.0 + np.maximum(at - onset, 0) * rate / 30.4375 + step * (at > 120) + noise(n, seed))
    trend = judge(side_of(days), FIRST_MS + n * DAY_MS)

    check(trend)
    assert trend.alarm.days is not None
    assert trend.shutdown.days is not None
    assert trend.alarm.days.low <= trend.shutdown.days.low
    assert trend.alarm.within[30] >= trend.shutdown.within[30]
