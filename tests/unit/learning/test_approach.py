"""How a trip came: trips of the simulated plant, and what must not change a verdict."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightrake.learning.approach import CRITERIA, Approach, Happened, Kind, Readings, Rows, judge
from nightrake.learning.approachtypes import NO_ROWS
from unit.learning.tripplant import DAY_S, HOUR_S, UTC_MS, creep, cut_wire, jam, load_up

SHUTDOWN_NM = 40_000.0
ORDER = (Kind.JAM, Kind.LOAD_UP, Kind.CREEP)
Shape = Callable[[np.typing.NDArray[np.float64]], np.typing.NDArray[np.float64]]


def ramp(seconds: float, base: float = 0.4) -> Shape:
    """An even rise from a base to the operating point at 0."""
    return lambda t: base + (1.0 - base) * np.clip(1.0 + t / seconds, 0.0, 1.0)


def rows(shape: Shape, row_s: float, span_s: float, gap_s: float, ripple: float) -> Rows:
    at_s = np.arange(-span_s, -gap_s - row_s / 2 + 1e-6, row_s) + row_s / 2
    within = shape(at_s[:, None] + np.linspace(-row_s / 2, row_s / 2, 25)[None, :])
    median = np.median(within, axis=1) + 0.1 * ripple * np.sin(at_s)
    return Rows(at_s, median, within.max(axis=1) + 1.5 * ripple, np.zeros(len(at_s), np.bool_))


def made(
    shape: Shape,
    *,
    noise: float = 0.003,
    ripple: float = 0.02,
    period_s: float = 1.0,
    scale: float = SHUTDOWN_NM,
    seed: int = 1,
) -> Happened:
    """A trip of a torque by shares of its operating point: an hour of readings, ten days of hours, 180 days."""
    chance = np.random.default_rng(seed)
    at_s = np.arange(-HOUR_S, 20.0, period_s)
    torque = shape(np.minimum(at_s, 0.0)) + chance.normal(0.0, noise, len(at_s))
    torque += np.where(at_s < 0.0, ripple * np.sin(2 * np.pi * at_s / 900.0), 0.0)
    torque[at_s >= 0.0] = np.maximum(torque[at_s >= 0.0], 1.0)
    n = len(at_s)
    readings = Readings(at_s, torque, np.full(n, 0.01), np.zeros(n, np.int8), np.ones(n, np.int8))
    hours = rows(shape, HOUR_S, 10 * DAY_S, HOUR_S, ripple)
    days = rows(shape, DAY_S, 180 * DAY_S, 0.0, ripple)
    return scaled(Happened("r", "PC1", "forward", "shutdown", UTC_MS, 1.0, readings, hours, days), scale)


def scaled(given_: Happened, by: float) -> Happened:
    """The same in another unit of torque."""
    r = given_.readings
    return replace(
        given_,
        operating_nm=given_.operating_nm * by,
        readings=r._replace(torque_nm=r.torque_nm * by, uncertainty_nm=r.uncertainty_nm * by),
        hours=given_.hours._replace(median_nm=given_.hours.median_nm * by, high_nm=given_.hours.high_nm * by),
        days=given_.days._replace(median_nm=given_.days.median_nm * by, high_nm=given_.days.high_nm * by),
    )


def without(given_: Happened, from_s: float, to_s: float) -> Happened:
    """With a gap in its readings."""
    at_s = given_.readings.at_s
    return replace(given_, readings=part(given_.readings, (at_s < from_s) | (at_s > to_s)))


def part(r: Readings, keep: np.typing.NDArray[np.bool_] | slice) -> Readings:
    """Some of the readings."""
    return Readings(r.at_s[keep], r.torque_nm[keep], r.uncertainty_nm[keep], r.code[keep], r.running[keep])


# --- the plant --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("drive", ["PC1", "SC2", "GT1", "SCR1"])
def test_plants_jam(drive: str) -> None:
    """Something solid: torque rises by 12 % of shutdown a second."""
    found = judge(jam(drive))

    assert found.kind is Kind.JAM, found.sentence
    assert found.rise is not None
    assert 2.0 <= found.rise.seconds <= 10.0
    assert found.crept is None


@pytest.mark.parametrize("hours", [0.5, 3.0, 12.0])
def test_plants_load_up(hours: float) -> None:
    """Sludge builds up, in half an hour or in twelve."""
    found = judge(load_up("PC1", hours))

    assert found.kind is Kind.LOAD_UP, found.sentence
    assert found.rise is not None
    assert 0.5 * hours * HOUR_S < found.rise.seconds < 1.3 * hours * HOUR_S


@pytest.mark.parametrize("days", [7.0, 60.0, 150.0])
def test_plants_creep(days: float) -> None:
    """The level rises for days or weeks until a ridge trips it."""
    found = judge(creep("GT1", days))

    assert found.kind is Kind.CREEP, found.sentence
    assert found.rise is not None
    assert 0.5 * days < found.rise.seconds / DAY_S < 1.2 * days


def test_plants_cut_wire() -> None:
    """A normally closed contact whose wire is cut reads operated at 40 % of shutdown: the contact, not the load."""
    found = judge(cut_wire())

    assert found.kind is Kind.CONTACT_FAULT
    assert found.rise is None
    assert "look at the contact and its wiring" in found.sentence


def test_plants_jam_on_crept_level() -> None:
    """A jam on top of creep is a jam, and the creep is told."""
    found = judge(jam("PC1", lambda t: 0.4 + 0.3 * min(1.0, max(0.0, 1.0 + t / (40 * DAY_S)))))

    assert found.kind is Kind.JAM
    assert found.crept is not None
    assert 25.0 < found.crept.seconds / DAY_S < 45.0
    assert ", on a level that had crept from 16." in found.sentence


# --- what must not change a verdict -----------------------------------------------------------------------------------


def rank(found: Approach) -> int:
    assert found.kind in ORDER, found.sentence
    return ORDER.index(found.kind)


@settings(max_examples=30)
@given(
    st.lists(st.floats(0.0, 7.1), min_size=2, max_size=6), st.floats(0.1, 0.7), st.floats(0.0, 0.01), st.integers(0, 99)
)
def test_slower_is_never_judged_faster(logs: list[float], base: float, noise: float, seed: int) -> None:
    """From a second to 150 days: the longer the rise, the slower the kind; all three occur, and never 'cannot say'."""
    ranks = [rank(judge(made(ramp(10.0**log, base), noise=noise, seed=seed))) for log in sorted(logs)]

    assert ranks == sorted(ranks)


@pytest.mark.parametrize(
    ("seconds", "kind"),
    [(0.5, Kind.JAM), (60.0, Kind.JAM), (300.0, Kind.LOAD_UP), (36 * HOUR_S, Kind.LOAD_UP), (5 * DAY_S, Kind.CREEP),
     (100 * DAY_S, Kind.CREEP)],
)  # fmt: skip
def test_kinds_by_time(seconds: float, kind: Kind) -> None:
    """Seconds are a jam, minutes to a day a load-up, days to weeks creep."""
    assert judge(made(ramp(seconds))).kind is kind


@settings(max_examples=30)
@given(st.floats(-3.0, 7.0), st.floats(0.0, 7.0), st.integers(0, 20))
def test_unit_of_torque_makes_no_difference(log_scale: float, log_s: float, seed: int) -> None:
    """Torque and operating point in another unit: the same kind, the same time."""
    one = made(ramp(10.0**log_s), seed=seed)
    first, second = judge(one), judge(scaled(one, 10.0**log_scale))

    assert first.kind is second.kind
    if first.rise is not None and second.rise is not None:
        assert second.rise.seconds == first.rise.seconds
        assert second.rise.from_nm == pytest.approx(first.rise.from_nm * 10.0**log_scale)


def test_load_up_on_crept_level() -> None:
    """Two hours of sludge on a level that has crept for weeks."""
    found = judge(made(lambda t: ramp(40 * DAY_S)(t) * 0.7 + 0.3 * np.clip(1 + t / 7_200, 0, 1)))

    assert found.kind is Kind.LOAD_UP
    assert found.crept is not None
    assert found.crept.seconds > 20 * DAY_S


def test_step_is_no_creep() -> None:
    """A level that rose at once, three weeks ago, is told as a step with its day."""
    found = judge(made(lambda t: np.where(t > -20.5 * DAY_S, 0.95, 0.4)))

    assert found.kind is Kind.CANNOT_SAY
    assert "rose in one step about 2026-09-01" in found.sentence


def test_level_beside_the_operating_point_is_no_rise() -> None:
    """Where the ordinary torque reaches the operating point no rise says how it came."""
    found = judge(made(lambda t: 0.97 + 0.0 * t))

    assert found.kind is Kind.CANNOT_SAY
    assert "no rise within seconds, hours or days stands out" in found.sentence


# --- gaps, limits, bad data -------------------------------------------------------------------------------------------


def test_gap_that_hides_the_rise() -> None:
    """Five minutes without a reading before the trip: a jam or a load-up, nobody knows, and it is said."""
    found = judge(without(made(ramp(3.0)), -300.0, -0.5))

    assert found.kind is Kind.CANNOT_SAY
    assert "were not read: how fast it rose is not known" in found.sentence


def test_gap_shorter_than_any_other_kind_is_still_a_jam() -> None:
    """Twenty seconds without a reading hide nothing that matters: the rise is a jam whenever it was."""
    found = judge(without(made(ramp(3.0)), -20.0, -0.5))

    assert found.kind is Kind.JAM
    assert found.rise is not None
    assert 20.0 <= found.rise.seconds <= 23.0


def test_gaps_far_from_the_trip_do_not_matter() -> None:
    """Readings missing half an hour before, and days missing weeks before, change no verdict."""
    one = without(made(ramp(7_200.0)), -2_400.0, -1_200.0)
    days = one.days
    keep = (days.at_s < -60 * DAY_S) | (days.at_s > -30 * DAY_S)
    one = replace(one, days=Rows(days.at_s[keep], days.median_nm[keep], days.high_nm[keep], days.is_below[keep]))

    assert judge(one).kind is Kind.LOAD_UP


@pytest.mark.parametrize("period_s", [0.1, 1.0, 5.0, 10.0])
def test_scan_period_makes_no_difference_to_a_jam(period_s: float) -> None:
    """Ten scans a second or one in ten seconds."""
    assert judge(made(ramp(4.0), period_s=period_s)).kind is Kind.JAM


def test_rise_from_below_the_preload() -> None:
    """Readings that lie below what can be measured begin the rise as a limit, and say so."""
    one = made(ramp(5.0, base=0.1), ripple=0.0)
    limit = 0.2 * SHUTDOWN_NM
    low = one.readings.torque_nm < limit
    readings = one.readings._replace(
        torque_nm=np.maximum(one.readings.torque_nm, limit), code=np.where(low, -1, 0).astype(np.int8)
    )
    found = judge(replace(one, readings=readings))

    assert found.kind is Kind.JAM
    assert found.rise is not None
    assert found.rise.from_is_below
    assert "torque rose from below 8.00 kN.m to" in found.sentence


def test_rise_beyond_the_record() -> None:
    """A torque past the record's end is a limit at the other end, and no contact fault."""
    one = made(ramp(5.0))
    limit = 0.8 * SHUTDOWN_NM
    high = one.readings.torque_nm > limit
    readings = one.readings._replace(
        torque_nm=np.minimum(one.readings.torque_nm, limit), code=np.where(high, 1, 0).astype(np.int8)
    )
    found = judge(replace(one, readings=readings))

    assert found.kind is Kind.JAM
    assert found.rise is not None
    assert found.rise.to_is_beyond
    assert "to beyond 32.0 kN.m" in found.sentence


def test_fast_rise_between_two_readings_is_no_contact_fault() -> None:
    """The last reading before was at 80 % and rising by 12 % a second: the torque may well have been there."""
    one = made(lambda t: 0.4 + 0.0 * t, ripple=0.0, noise=0.0)
    torque_nm = one.readings.torque_nm.copy()
    first = int(np.flatnonzero(one.readings.at_s >= 0.0)[0])
    torque_nm[first - 4 : first] = SHUTDOWN_NM * np.array([0.44, 0.56, 0.68, 0.80])
    torque_nm[first:] = 0.8 * SHUTDOWN_NM

    assert judge(replace(one, readings=one.readings._replace(torque_nm=torque_nm))).kind is Kind.JAM


def test_uncertainty_decides_for_the_contact() -> None:
    """At 88 % of the operating point: a fault where the torque is known to 1 %, not where it is known to 5 %."""
    one = made(lambda t: 0.88 + 0.0 * t, ripple=0.0, noise=0.0)
    flat = one.readings._replace(torque_nm=np.full(len(one.readings.at_s), 0.88 * SHUTDOWN_NM))
    vague = flat._replace(uncertainty_nm=np.full(len(flat.at_s), 0.05 * SHUTDOWN_NM))

    assert judge(replace(one, readings=flat)).kind is Kind.CONTACT_FAULT
    assert judge(replace(one, readings=vague)).kind is Kind.CANNOT_SAY


def test_bad_data_is_a_reason() -> None:
    """No readings, none with a torque, a motor that stood, no operating point, no weeks before: each says so."""
    one = made(ramp(5.0))
    n = len(one.readings.at_s)
    nothing = one.readings._replace(torque_nm=np.full(n, np.nan))
    stood = one.readings._replace(running=np.zeros(n, np.int8))
    flat = made(lambda t: 0.97 + 0.0 * t)
    said = [
        judge(replace(one, readings=part(one.readings, slice(0, 0)))),
        judge(replace(one, readings=nothing)),
        judge(without(one, -500.0, 100.0)),
        judge(replace(one, readings=stood)),
        judge(replace(flat, days=NO_ROWS)),
    ]

    assert {found.kind for found in said} == {Kind.CANNOT_SAY}
    assert [found.why for found in said] == [
        "no torque was read before it",
        "no torque was read before it",
        "no torque was read in the 501 s before it",
        "the motor stood, or no torque was read while it ran, before it",
        "no rise within seconds or hours stands out, and for creep 0 days with torque before it are too few",
    ]


def test_start_shortly_before_is_told() -> None:
    """A rake that is started into a settled bed trips within seconds: a jam by its time, and the start is told."""
    one = made(ramp(5.0))
    standing = (one.readings.at_s < -40.0) & (one.readings.at_s > -3_000.0)
    readings = one.readings._replace(running=np.where(standing, 0, 1).astype(np.int8))
    found = judge(replace(one, readings=readings))

    assert found.kind is Kind.JAM
    assert "The motor had started 41 s before." in found.remarks
    assert not any("had started" in remark for remark in judge(one).remarks)


def test_unknown_operating_point_is_said() -> None:
    """Without a set point the rise is still judged, the contact is not."""
    found = judge(replace(made(ramp(5.0)), operating_nm=math.nan))

    assert found.kind is Kind.JAM
    assert any("operating point is not known" in remark for remark in found.remarks)


def test_without_summaries_the_record_alone_tells() -> None:
    """A jam and a load-up within the hour need nothing else; the second says what it rests on."""
    bare = [replace(made(ramp(s)), hours=NO_ROWS, days=NO_ROWS) for s in (4.0, 1_500.0)]
    fast, slow = (judge(one) for one in bare)

    assert (fast.kind, slow.kind) == (Kind.JAM, Kind.LOAD_UP)
    assert any("record's first quarter" in remark for remark in slow.remarks)


VALUE = st.floats(-1e6, 1e6) | st.just(math.nan)


@given(
    st.lists(st.tuples(st.floats(-4_000, 60), VALUE, VALUE, st.integers(-1, 2), st.integers(0, 2)), max_size=40),
    st.lists(st.tuples(st.floats(1.0, 180.0), st.floats(0, 1e6), st.floats(0, 1e6)), max_size=40),
    VALUE,
)
def test_whatever_comes_is_judged(
    readings: list[tuple[float, float, float, int, int]], days: list[tuple[float, float, float]], operating: float
) -> None:
    """Any readings and rows, rising in time, give a verdict with a sentence and never an error."""
    by_time = np.array(sorted(readings, key=lambda r: r[0]), np.float64).reshape(-1, 5)
    codes, running = by_time[:, 3].astype(np.int8), by_time[:, 4].astype(np.int8)
    some = Readings(by_time[:, 0], by_time[:, 1], by_time[:, 2], codes, running)
    table = np.array(sorted(days, reverse=True), np.float64).reshape(-1, 3)
    before = Rows(-DAY_S * table[:, 0], table[:, 1], table[:, 2], np.zeros(len(table), np.bool_))
    found = judge(Happened("r", "PC1", "reverse", "alarm", UTC_MS, operating, some, before, before))

    assert found.sentence.startswith("Alarm of PC1 (reverse) at 2026-09-21")
    assert found.why


def test_table_of_criteria_names_every_kind_with_a_source() -> None:
    """The rules that decide can be read, each with where it is from."""
    assert {c.kind for c in CRITERIA} == set(Kind)
    assert all(c.rule and c.source for c in CRITERIA)
