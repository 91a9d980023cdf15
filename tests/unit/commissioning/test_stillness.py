"""When the arm stands still, and where it stood when a contact changed."""

from __future__ import annotations

import pytest

from nightrake.commissioning.stillness import Sample, place_of_edge, stillness

MS = 1_000_000
SECOND = 1_000 * MS


def ramp(speed_mm_s: float, seconds: float, period_s: float = 0.5, start_mm: float = 5.0) -> list[Sample]:
    """An arm that moves at a speed."""
    count = int(seconds / period_s) + 1
    return [Sample(int(i * period_s * SECOND), start_mm + speed_mm_s * i * period_s) for i in range(count)]


def test_arm_at_rest_is_still_with_its_mean() -> None:
    """The mean over the window, the spread and how many readings."""
    samples = [Sample(i * 500 * MS, 10.0 + 0.01 * (i % 2)) for i in range(20)]

    found = stillness(samples, samples[-1].mono_ns)

    assert found.still
    assert found.position_mm == pytest.approx(10.005, abs=0.001)
    assert found.spread_mm == pytest.approx(0.01)
    assert found.readings == 7


def test_creeping_arm_is_refused_though_two_readings_are_alike() -> None:
    """A hand pump that creeps: 0.03 mm a second is nothing from one reading to the next."""
    samples = ramp(0.03, 10.0)

    found = stillness(samples, samples[-1].mono_ns)

    assert not found.still
    assert "still moves: 0.09 mm in 3 s" in found.why


def test_readings_before_the_torque_was_applied_do_not_count() -> None:
    """The arm stood still before; that says nothing of the new torque."""
    samples = [Sample(i * 500 * MS, 10.0) for i in range(20)]

    found = stillness(samples, samples[-1].mono_ns, since_ns=samples[-3].mono_ns)

    assert not found.still
    assert "wait" in found.why


def test_old_positions_are_no_rest() -> None:
    """A PLC that is away leaves the last position standing; it is not still, it is unknown."""
    samples = [Sample(i * 500 * MS, 10.0) for i in range(20)]

    assert "is 60 s old" in stillness(samples, samples[-1].mono_ns + 60 * SECOND).why
    assert "no position" in stillness([], 5).why


def test_slow_scan_needs_as_many_readings() -> None:
    """At two seconds a reading, three seconds would be one or two of them."""
    samples = [Sample(i * 2 * SECOND, 10.0) for i in range(3)]
    more = [Sample(i * 2 * SECOND, 10.0) for i in range(6)]

    assert not stillness(samples, samples[-1].mono_ns).still
    assert stillness(more, more[-1].mono_ns).still


def test_edge_lies_between_the_scan_that_showed_it_and_the_one_before() -> None:
    """Position at 0.5 mm/s, contact scanned every 250 ms: 0.125 mm is all that can be known."""
    samples = ramp(0.5, 10.0, 1.0, 0.0)

    place = place_of_edge(samples, 4_300 * MS, 250 * MS)

    assert place.known
    assert place.position_mm == pytest.approx((4.3 + 4.05) * 0.5 / 2)
    assert place.half_width_mm == pytest.approx(0.0625)


@pytest.mark.parametrize("edge_ns", [100 * MS, 10_500 * MS])
def test_edge_outside_what_was_seen_has_no_place(edge_ns: int) -> None:
    """Before the first position or after the last one."""
    assert not place_of_edge(ramp(0.5, 10.0), edge_ns, 250 * MS).known


def test_edge_in_a_gap_has_no_place() -> None:
    """Nobody knows what the arm did while the PLC was away."""
    samples = [Sample(0, 1.0), Sample(20 * SECOND, 9.0)]

    assert not place_of_edge(samples, 10 * SECOND, 250 * MS).known
    assert place_of_edge([], 5, 1, rest_mm=3.0) == (3.0, 0.0, False)
