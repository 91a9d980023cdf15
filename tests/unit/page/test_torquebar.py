"""The torque bar, its figures, and the line of the last hour."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightrake.page.hours import Hours
from nightrake.page.torquebar import bar_of, hour_path, kilo, number_of
from pagescenes import NOW_MS, drive

MINUTE_MS = 60_000


def test_places_on_the_bar() -> None:
    """The bar ends at 110 % of shutdown: 40 kN.m of 44, 32 of 44, and the value with its band around it."""
    view = drive("PC1", "", "", 32_000.0, 40_000.0, 22_000.0)
    view["torque_nm"]["uncertainty"] = 440.0
    bar = bar_of(view)

    assert (bar.value, bar.alarm, bar.shutdown) == (50.0, 72.73, 90.91)
    assert (bar.from_, bar.width) == (49.0, 2.0)
    assert not bar.over


def test_value_beyond_the_end_is_marked() -> None:
    """More than 110 % fills the bar, and says so."""
    bar = bar_of(drive("PC1", "", "", 32_000.0, 40_000.0, 60_000.0))

    assert (bar.value, bar.over) == (100.0, True)


@pytest.mark.parametrize(("alarm_nm", "shutdown_nm"), [(0.0, 0.0), (None, None)])
def test_no_set_points_no_bar(alarm_nm: float, shutdown_nm: float) -> None:
    """Without set points there is a figure and no bar: nothing is shown against a scale that nobody stated."""
    view = drive("PC1", "", "", 32_000.0, 40_000.0, 22_000.0)
    view |= {"alarm_nm": alarm_nm, "shutdown_nm": shutdown_nm}

    assert bar_of(view).value is None
    assert (number_of(view).value, number_of(view).percent) == ("22.0", None)


def test_no_torque_no_figure() -> None:
    """An absent torque is no zero."""
    view = drive("PC1", "", "", 32_000.0, 40_000.0, None)

    assert bar_of(view).value is None
    assert number_of(view).value == ""


def test_reverse_torque_keeps_its_sign_in_figures_only() -> None:
    """The bar shows how much; the figure shows which way, with a real minus sign."""
    view = drive("GT1", "", "", 90_000.0, 112_500.0, -61_000.0)

    assert number_of(view).value == "\u221261.0"
    assert bar_of(view).value == bar_of(drive("GT1", "", "", 90_000.0, 112_500.0, 61_000.0)).value


def test_uncertainty_that_lacks_a_source_is_marked() -> None:
    """The asterisk of the other displays stands here too."""
    view = drive("SCR1", "", "", 3_200.0, 4_000.0, 1_450.0)

    assert number_of(view).uncertainty == "±0.06*"


@given(st.floats(-1e7, 1e7), st.floats(0, 1e6), st.floats(0, 1e6), st.floats(0, 1e6))
def test_everything_stays_on_the_bar(torque: float, uncertainty: float, alarm_nm: float, shutdown_nm: float) -> None:
    """Whatever is told, every place is between 0 and 100."""
    view = drive("X", "", "", alarm_nm, shutdown_nm, torque)
    view["torque_nm"]["uncertainty"] = uncertainty
    bar = bar_of(view)

    for place in (bar.value, bar.from_, bar.alarm, bar.shutdown, bar.from_ + bar.width):
        assert place is None or 0.0 <= place <= 100.01


def test_set_point_words() -> None:
    """Set points without figures that say nothing."""
    assert (kilo(32_000.0), kilo(112_500.0), kilo(0.0)) == ("32 kN·m", "112.5 kN·m", "")


def test_hour_has_gaps_where_nothing_was_read() -> None:
    """A minute without a reading breaks the line; nothing is drawn across it."""
    path = hour_path([50.0, 60.0, None, 70.0], 100.0)

    assert path == "M56 50L57 40M59 30"


def test_hours_keep_the_highest_of_each_minute_and_sixty_of_them() -> None:
    """Old minutes go; within one the highest stays; a clock that is put back does not run on twice."""
    hours = Hours()
    for minute in range(100):
        hours.note("PC1", NOW_MS + minute * MINUTE_MS, 10.0 + minute)
        hours.note("PC1", NOW_MS + minute * MINUTE_MS + 1, 5.0)
    kept = hours.of("PC1", NOW_MS + 99 * MINUTE_MS)

    assert kept == [float(v) for v in range(50, 110)]

    hours.note("PC1", NOW_MS + 90 * MINUTE_MS, 7.0)

    assert hours.of("PC1", NOW_MS + 90 * MINUTE_MS)[-1] == 100.0
    assert hours.of("PC2", NOW_MS) == []


@given(st.lists(st.one_of(st.none(), st.floats(-500, 500)), max_size=80))
def test_hour_path_draws_every_reading_once(minutes: list[float | None]) -> None:
    """As many points as readings of the last sixty minutes, each inside the box."""
    points = re.findall(r"[ML](\d+) (\d+)", hour_path(minutes, 200.0))

    assert len(points) == sum(m is not None for m in minutes[-60:])
    assert all(0 <= int(x) <= 59 and 0 <= int(y) <= 100 for x, y in points)
