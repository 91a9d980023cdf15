"""The trend of a torque: what its last minute was, and nothing made up from a jump."""

from __future__ import annotations

import pytest

from nightrake.messages.about import About
from nightrake.messages.trend import EVERY_S, KEEP_S, Trends

FULL_NM = 100_000.0


def noted(values: list[float], *, running: bool = True) -> Trends:
    """Values of GT1, `EVERY_S` apart, the last one now."""
    trends = Trends()
    for n, value in enumerate(values):
        trends.note("GT1", n * EVERY_S, value, running)
    return trends


def words(values: list[float]) -> str:
    """What is said of them."""
    trend = noted(values).trend("GT1", (len(values) - 1) * EVERY_S, values[-1])
    return About(
        "Fennmark", "GT1/forward/alarm_contact", 1, "", "", 0, now={"shutdown_nm": FULL_NM}, trend=trend
    ).trend_words


def test_slope_of_a_straight_rise() -> None:
    """100 N.m every five seconds are 1200 N.m a minute."""
    trend = noted([40_000.0 + 100.0 * n for n in range(20)]).trend("GT1", 95.0, 41_900.0)

    assert trend is not None
    assert trend.is_straight
    assert trend.nm_per_min == pytest.approx(1200.0)


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ([40_000.0 + 100.0 * n for n in range(13)], "rising 1.2 kN.m/min"),
        ([40_000.0 - 40.0 * n for n in range(13)], "falling 0.48 kN.m/min"),
        ([40_000.0] * 13, "steady"),
        ([40_000.0 + (300.0 if n % 2 else 0.0) for n in range(13)], "steady"),
        ([57_000.0] * 12 + [94_000.0], "up from 57.0 within a minute"),
        ([57_000.0] * 6 + [94_000.0] * 7, "up from 57.0 within a minute"),
        ([57_000.0] * 2 + [94_000.0] * 11, "up from 57.0 within a minute"),
        ([94_000.0] * 13, "steady"),
        ([94_000.0] * 7 + [57_000.0] * 6, "down from 94.0 within a minute"),
        ([57_000.0 + (9000.0 if n % 3 else 0.0) for n in range(13)], "between 57.0 and 66.0 in the last minute"),
        ([57_000.0] * 4, "trend not known"),
    ],
)
def test_jump_is_not_called_a_rise(values: list[float], said: str) -> None:
    """A torque that has jumped and stands still is said to have jumped; a minute later it is steady."""
    assert words(values) == said


def test_only_the_last_minute_counts() -> None:
    """A rise before it is no trend now."""
    trends = noted([1000.0 * n for n in range(10)] + [9000.0] * 13)

    trend = trends.trend("GT1", 22 * EVERY_S, 9000.0)
    assert trend is not None
    assert (trend.least_nm, trend.most_nm) == (9000.0, 9000.0)


def test_newest_value_counts_though_it_is_not_kept() -> None:
    """A jump of this very second."""
    trend = noted([57_000.0] * 13).trend("GT1", 12 * EVERY_S + 0.2, 94_000.0)

    assert trend is not None
    assert trend.last_nm == 94_000.0


def test_stop_and_start_begin_anew() -> None:
    """What was while it ran says nothing of a drive that stands."""
    trends = noted([30_000.0 + 500.0 * n for n in range(13)])
    trends.note("GT1", 65.0, 40_000.0, False)
    assert trends.trend("GT1", 65.0, 40_000.0) is None
    for n in range(1, 7):
        trends.note("GT1", 65.0 + n * EVERY_S, 40_000.0, False)

    trend = trends.trend("GT1", 95.0, 40_000.0)
    assert trend is not None
    assert trend.nm_per_min == 0.0


@pytest.mark.parametrize("gap", [True, False])
def test_too_short_a_record_says_nothing(gap: bool) -> None:
    """Less than half a minute, or a reading that was missing in between."""
    trends = Trends()
    for n in range(10 if gap else 5):
        trends.note("GT1", n * EVERY_S, 1000.0 if n != 6 or not gap else None, True)

    assert trends.trend("GT1", (9 if gap else 4) * EVERY_S, 1000.0) is None
    assert trends.trend("PC1", 55.0, 1000.0) is None


def test_memory_is_bounded() -> None:
    """Ten readings a second for an hour keep a minute's worth, of the site's drives only."""
    trends = Trends()
    for n in range(36_000):
        trends.note("GT1", n / 10, float(n), True)
    assert len(trends._kept["GT1"]) == KEEP_S / EVERY_S + 1

    trends.note("SC1", 1.0, 1.0)
    trends.keep_drives({"PC1"})
    assert not trends._kept
    assert not trends._running
