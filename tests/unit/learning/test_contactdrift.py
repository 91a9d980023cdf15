"""Whether a contact operates where it was set: a simulated arm and contact, bounds, robustness, and what is said."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightrake.learning.contactdrift import (
    SCANS,
    UNSET,
    Operation,
    SetPoint,
    Span,
    Track,
    drift,
    placed,
    rank,
    seen_late,
)
from nightrake.plant.device import Arm, Contact

SINCE_MS = 1_777_766_400_000  # 2026-05-03
HOUR_MS = 3_600_000
CONTACT = "PC1/forward/alarm/A"
AT_15 = SetPoint(15.0, 14.6, "proved at 15.00 mm, record PC1-forward-2026-05-03", SINCE_MS, 1_600.0, 40_000.0)


def seen(
    operating_mm: float, nm_per_s: Sequence[float], period_s: float = 1.0, differential_mm: float = 0.4, seed: int = 1
) -> list[Operation]:
    """Rises and falls of the torque, each with a rate, as scans of the plant's own arm and contact place them."""
    chance = np.random.default_rng(seed)
    found: list[Operation] = []
    for number, rate in enumerate(nm_per_s):
        arm, contact = Arm(8_000.0, 1_600.0, 80.0), Contact("alarm", 1, operating_mm, False, differential_mm)
        seconds = 8_000.0 / rate
        step_s, time_s, next_s = min(0.02, period_s / 20), 0.0, float(chance.uniform(0.0, period_s))
        stamps, mm, bits = list[int](), list[float](), list[float]()
        while time_s < 2.2 * seconds:
            rise = time_s if time_s < seconds else 2 * seconds - time_s
            position_mm = arm.follow(29_000.0 + rate * rise)
            contact.follow(position_mm, time_s)
            if time_s >= next_s:
                stamps.append(SINCE_MS + (number + 1) * HOUR_MS * 24 + round(1_000 * time_s))
                mm.append(position_mm)
                bits.append(float(contact.operated))
                next_s += period_s
            time_s += step_s
        track = np.array(stamps, np.int64)
        found += placed(Track(track, np.array(bits)), Track(track, np.array(mm)), 30_000)
    return found


def one(mid_mm: float, number: int, half_mm: float = 0.02, *, operated: bool = True, left_out: str = "") -> Operation:
    """An operation on a day of its own."""
    at_ms = SINCE_MS + (number + 1) * 24 * HOUR_MS
    return Operation(at_ms, operated, mid_mm - half_mm, mid_mm, mid_mm + half_mm, 0.01, SCANS, left_out)


@pytest.mark.parametrize("operating_mm", [14.6, 15.0, 15.4])
@pytest.mark.parametrize("period_s", [0.2, 1.0, 5.0])
def test_simulated_contact_is_placed_within_its_bounds(operating_mm: float, period_s: float) -> None:
    """Every operation and release lies within the bounds that scan period and rate leave; the drift comes out."""
    found = seen(operating_mm, (20.0, 30.0, 40.0, 60.0, 80.0, 25.0, 50.0), period_s)

    assert [o.operated for o in found] == [True, False] * 7
    for operation in found:
        truth = operating_mm if operation.operated else operating_mm - 0.4
        assert operation.low_mm - 1e-3 <= truth <= operation.high_mm + 1e-3
        assert operation.high_mm - operation.low_mm <= 1.2 * period_s * abs(operation.rate_mm_s) + 1e-6
    judged = drift(CONTACT, found, AT_15)
    assert judged.n == 7
    assert judged.drift_mm is not None
    assert judged.drift_mm.low - 1e-3 <= operating_mm - 15.0 <= judged.drift_mm.high + 1e-3
    assert judged.drift_mm.mid == pytest.approx(operating_mm - 15.0, abs=0.05 * period_s + 0.01)
    assert judged.is_off == (operating_mm != 15.0)
    assert judged.differential_mm is not None
    assert judged.differential_mm.mid == pytest.approx(0.4, abs=0.1 * period_s + 0.02)


def test_drift_in_words() -> None:
    """The sentence has mm, share of shutdown, interval, number and since when."""
    judged = drift(CONTACT, [one(15.4 + 0.01 * (i - 3), i) for i in range(7)], AT_15)

    assert judged.sentence == (
        "The alarm contact A operates 0.40 mm (1.6 % of shutdown) later than set (98% interval +0.35 to +0.45 mm; "
        "proved at 15.00 mm, record PC1-forward-2026-05-03), over 7 operations since 2026-05-03."
    )
    assert judged.drift_nm == pytest.approx(640.0)


def test_contact_that_operates_where_it_was_set() -> None:
    """An interval that holds nought is told as such."""
    judged = drift(CONTACT, [one(15.0 + 0.05 * (i - 3), i) for i in range(7)], AT_15)

    assert not judged.is_off
    assert "operates where it was set, as far as can be told: 0.00 mm" in judged.sentence


def test_earlier_is_told_as_earlier() -> None:
    """A drift towards less torque."""
    judged = drift(CONTACT, [one(14.7, i) for i in range(6)], AT_15)

    assert "operates 0.30 mm (1.2 % of shutdown) earlier than set" in judged.sentence


@pytest.mark.parametrize("n", [0, 1, 2])
def test_fewer_than_three_operations_are_too_few(n: int) -> None:
    """Two operations are no drift."""
    judged = drift(CONTACT, [one(16.0, i) for i in range(n)], AT_15)

    assert judged.drift_mm is None
    assert math.isnan(judged.drift_percent)
    expected = f"{n} operation{'s' if n != 1 else ''} since 2026-05-03 can be placed, and 3 are needed"
    assert (expected if n else "did not operate since 2026-05-03") in judged.sentence


def test_operations_before_the_record_do_not_count() -> None:
    """What was before the contact was set says nothing of it."""
    old = [one(17.0, -i - 3) for i in range(5)]
    judged = drift(CONTACT, [*old, *(one(15.2, i) for i in range(3))], AT_15)

    assert (judged.n, len(judged.operations)) == (3, 3)


def test_some_strange_operations_move_nothing() -> None:
    """A hand on the contact, a fast jam and a bounce are left out and counted; one odd place moves no median."""
    plain = [one(15.2, i) for i in range(6)]
    bounce = plain[0]._replace(utc_ms=plain[0].utc_ms + 5_000, mid_mm=14.0)
    strange = [one(2.0, 10), one(15.0, 11, half_mm=1.5), bounce, one(16.4, 12)]
    judged = drift(CONTACT, [*plain, *strange], AT_15)

    assert judged.n == 7
    assert judged.drift_mm is not None
    assert judged.drift_mm.mid == pytest.approx(0.2)
    assert sorted(judged.remarks) == [
        "1 operation left out: the arm moved too fast to say where.",
        "1 operation left out: the arm was far from where it is set.",
        "1 operation left out: within a minute of the one before.",
    ]


def test_unknown_set_point_tells_where_it_operates() -> None:
    """Without a record there is a place, and no drift."""
    judged = drift(CONTACT, [one(15.2, i) for i in range(6)], UNSET)

    assert judged.drift_mm is None
    assert judged.place_mm == pytest.approx(Span(15.18, 15.2, 15.22))
    assert judged.sentence.startswith("The alarm contact A operates at 15.20 mm (97% interval 15.18 to 15.22)")


def test_bounds_widen_the_interval() -> None:
    """What scans leave open goes into the interval, whatever the places."""
    narrow, wide = (drift(CONTACT, [one(15.2, i, half) for i in range(9)], AT_15) for half in (0.01, 0.5))

    assert narrow.drift_mm is not None
    assert wide.drift_mm is not None
    assert wide.drift_mm.low == pytest.approx(-0.3)
    assert narrow.drift_mm.low == pytest.approx(0.19)
    assert not wide.is_off


@pytest.mark.parametrize(
    ("n", "expected"),
    [(3, (1, 0.75)), (5, (1, 0.9375)), (6, (1, 0.96875)), (9, (2, 0.9609375)), (20, (6, 0.958610535))],
)
def test_ranks_of_the_sign_test(n: int, expected: tuple[int, float]) -> None:
    """Order statistics that bound a median: binomial tails by hand; n = 20 gives the 6th and 15th with 95.9 %.

    Tables of the sign test have the same, for instance Hollander and Wolfe (from memory).
    """
    k, confidence = rank(n)

    assert k == expected[0]
    assert confidence == pytest.approx(expected[1], abs=1e-9)


@settings(max_examples=5)
@given(st.integers(0, 1_000_000))
def test_interval_holds_the_truth_as_often_as_it_says(seed: int) -> None:
    """Of 400 contacts with seven operations each, scattered by 0.1 mm and seen within +-0.05: at least 95 %."""
    chance = np.random.default_rng(seed)
    hits = 0
    for _ in range(400):
        true_mm = 15.3 + 0.1 * chance.standard_t(3, 7)
        mids = true_mm + chance.uniform(-0.05, 0.05, 7)
        judged = drift(CONTACT, [one(float(m), i, 0.05) for i, m in enumerate(mids)], AT_15)
        assert judged.drift_mm is not None
        hits += judged.drift_mm.low <= 0.3 <= judged.drift_mm.high

    assert hits >= 380


def test_gap_in_the_readings_leaves_an_operation_out() -> None:
    """A contact that was not read for a minute, or an arm that was not read, places nothing; the reason is kept."""
    stamps = np.array([0, 1_000, 61_000, 62_000, 63_000], np.int64) + SINCE_MS
    bits = Track(stamps, np.array([0.0, 0.0, 1.0, 1.0, 0.0]))
    mm = Track(stamps[:2], np.array([14.0, 14.1]))
    first, second = placed(bits, mm, 30_000)

    assert first.left_out == "not read for 60 s"
    assert second.left_out == "the arm's position was not read"
    assert math.isnan(first.mid_mm)


def test_position_read_apart_is_taken_between_its_readings() -> None:
    """Contacts read each second and the arm each five: the place lies on the line between its readings."""
    at = np.arange(0, 21_000, 1_000, dtype=np.int64) + SINCE_MS
    bits = Track(at, (np.arange(21) >= 8).astype(np.float64))
    mm = Track(at[::5], np.array([14.0, 14.5, 15.0, 15.5, 16.0]))
    (operation,) = placed(bits, mm, 30_000)

    assert operation.low_mm == pytest.approx(14.7)
    assert operation.high_mm == pytest.approx(14.8)
    assert operation.rate_mm_s == pytest.approx(0.1)


def test_arm_that_went_the_other_way_places_nothing() -> None:
    """The contact operated while the arm fell by more than noise: its way between the scans is not known."""
    at = np.array([0, 1_000], np.int64) + SINCE_MS
    (operation,) = placed(Track(at, np.array([0.0, 1.0])), Track(at, np.array([15.0, 12.0])), 30_000)

    assert operation.left_out == "the arm moved the other way meanwhile"


def test_row_alone_bounds_by_the_minute() -> None:
    """Of a journal's row alone the arm's way in the minutes about it is the bound, the guess near what was seen."""
    operation = seen_late(SINCE_MS, True, 15.3, 14.9, 1.0 / 60.0)
    release = seen_late(SINCE_MS, False, 14.5, 14.8, 1.0 / 60.0)

    assert (operation.low_mm, operation.high_mm) == (14.9, 15.3)
    assert operation.mid_mm == pytest.approx(15.3 - 0.4 / 120)
    assert (release.low_mm, release.high_mm) == (14.5, 14.8)


NUMBER = st.floats(-50, 50) | st.just(math.nan)


@given(
    st.lists(st.tuples(st.integers(0, 10**9), NUMBER), max_size=30),
    st.lists(st.tuples(st.integers(0, 10**9), st.sampled_from([0.0, 1.0, math.nan])), max_size=30),
    NUMBER,
    NUMBER,
)
def test_whatever_comes_is_judged(
    mm: list[tuple[int, float]], bits: list[tuple[int, float]], set_mm: float, release_mm: float
) -> None:
    """Any readings, rising in time, and any set point give a sentence and never an error."""

    def track(some: list[tuple[int, float]]) -> Track:
        some = sorted(some, key=lambda pair: pair[0])
        return Track(np.array([t for t, _ in some], np.int64), np.array([v for _, v in some], np.float64))

    found = drift(
        CONTACT,
        placed(track(bits), track(mm), 30_000),
        AT_15._replace(since_utc_ms=0, operating_mm=abs(set_mm), release_mm=abs(release_mm)),
    )

    assert found.sentence.startswith("The alarm contact A ")
    assert found.drift_mm is None or found.drift_mm.low <= found.drift_mm.mid <= found.drift_mm.high
