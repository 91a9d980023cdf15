"""The trend of a torque: the slope of its last minutes."""

from __future__ import annotations

import pytest

from nightrake.messages.trend import EVERY_S, KEEP_S, Trends


def test_slope_of_a_straight_rise() -> None:
    """200 N.m every ten seconds are 1200 N.m a minute."""
    trends = Trends()
    for n in range(20):
        trends.note("GT1", n * 10.0, 40_000.0 + 200.0 * n)

    assert trends.nm_per_min("GT1", 190.0) == pytest.approx(1200.0)


def test_only_the_last_minutes_count() -> None:
    """A rise an hour ago is no trend now."""
    trends = Trends()
    for n in range(10):
        trends.note("GT1", n * 10.0, 1000.0 * n)
    for n in range(200):
        trends.note("GT1", 3600.0 + n * EVERY_S, 9000.0)

    assert trends.nm_per_min("GT1", 3600.0 + 199 * EVERY_S) == pytest.approx(0.0)


@pytest.mark.parametrize("gap", [None, 0.0])
def test_too_short_a_record_says_nothing(gap: float | None) -> None:
    """Less than a minute, or a reading that was missing in between."""
    trends = Trends()
    for n in range(12):
        trends.note("GT1", n * 5.0, 1000.0 if n != 6 or gap is not None else None)

    assert trends.nm_per_min("GT1", 55.0) is None
    assert trends.nm_per_min("PC1", 55.0) is None


def test_memory_is_bounded() -> None:
    """Ten readings a second for an hour keep five minutes' worth."""
    trends = Trends()
    for n in range(36_000):
        trends.note("GT1", n / 10, float(n))

    assert len(trends._kept["GT1"]) == KEEP_S / EVERY_S
