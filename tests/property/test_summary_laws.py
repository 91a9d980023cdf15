"""An hour's summary against one made a reading at a time; any order, pieces and repetitions; hours to a day."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightrake.domain.site import Direction, DriveSpec, ValueType
from nightrake.history.dayrows import day_of, from_counts, merged
from nightrake.history.rows import GROUPS, STAGES, Grain, Table, blank
from nightrake.history.summaries import Hour, Share, summarise
from nightrake.history.timeline import Track
from summarydrives import HOUR_MS, HOUR_UTC_MS, SECOND_NS, make_drive, slowly


@st.composite
def readings(draw: st.DrawFn, *, two: bool | None = None) -> tuple[DriveSpec, dict[str, Track]]:
    """A drive, and what was read of it around an hour: gaps, bad readings, starts of the machine, clock steps."""
    drive = make_drive(
        two=draw(st.booleans()) if two is None else two,
        kind=draw(st.sampled_from([ValueType.UINT16, ValueType.FLOAT32])),
    )
    tracks = {}
    for role in drive.points():
        if draw(st.integers(0, 9)) == 0:
            continue
        tracks[role] = _readings(draw, is_bit=role != "position")
    return drive, tracks


def _readings(draw: st.DrawFn, *, is_bit: bool) -> Track:
    # Steps in quarter seconds, mostly a second; a few long ones, so that an hour and its ends are covered by few.
    steps = draw(st.lists(st.sampled_from([1, 4, 4, 4, 12, 30, 240, 2400]), min_size=0, max_size=25))
    at = np.cumsum(np.array([draw(st.integers(-40, 14_500)), *steps], np.int64)) * (SECOND_NS // 4)
    n = len(at)
    boot = np.full(n, 1, np.int64)
    shift_ms = np.zeros(n, np.int64)
    if draw(st.integers(0, 3)) == 0:  # the clock is set, back or on, by up to a quarter of an hour
        shift_ms[draw(st.integers(0, n)) :] = draw(st.integers(-900_000, 900_000))
    if draw(st.integers(0, 3)) == 0:
        boot[draw(st.integers(0, n)) :] = 2
    values = st.sampled_from([0.0, 1.0]) if is_bit else st.integers(650, 4_300).map(float)
    value = np.array(draw(st.lists(values, min_size=n, max_size=n)))
    good = np.array(draw(st.lists(st.sampled_from([True] * 7 + [False]), min_size=n, max_size=n)), np.bool_)
    utc_ms = HOUR_UTC_MS + at // 1_000_000 + shift_ms
    return Track(boot, at + 10**15, utc_ms, value, good)


def made(drive: DriveSpec, tracks: Mapping[str, Track]) -> Hour:
    """The summary under test."""
    return summarise(HOUR_UTC_MS, [Share(drive, tracks)])


def same(a: Table, b: Table) -> None:
    """Equal to the last bit, NaN among that."""
    assert list(a) == list(b)
    for name in a:
        assert a[name].tobytes() == b[name].tobytes(), name


@given(given_=readings())
@settings(max_examples=150)
def test_hour_is_that_of_one_reading_at_a_time(given_: tuple[DriveSpec, dict[str, Track]]) -> None:
    """Times, codes and statistics of every minute are those of the watch's scalar conversions and plain loops."""
    drive, tracks = given_
    tracks = _one_stamp_a_moment(tracks)
    hour, slow = made(drive, tracks), slowly(drive, tracks)

    for minute in range(60):
        for name, column in hour.minutes.items():
            if name.endswith("_ns"):
                assert column[minute] == slow.ns.get((minute, name), 0), (minute, name)
        for side in drive.directions:
            for group in GROUPS:
                torques = [
                    t
                    for (m, s, running), found in slow.torques.items()
                    if (m, s) == (minute, side) and (group == "all" or running == 1)
                    for t in found
                ]
                _same_statistics(hour.minutes, f"{side}.{group}", minute, torques, 2e-7)
    for (minute, name), count in slow.codes.items():
        assert hour.minutes[name][minute] == count
    for side in drive.directions:
        torques = [t for (_, s, _), found in slow.torques.items() if s == side for t in found]
        _same_statistics(hour.hour, f"{side}.all", 0, torques, 1e-12)


def _one_stamp_a_moment(tracks: Mapping[str, Track]) -> dict[str, Track]:
    """Two points read at one moment were stamped by one clock: the first stamp of each moment, for all."""
    stamps: dict[tuple[int, int], int] = {}
    out = {}
    for role, t in tracks.items():
        utc = [stamps.setdefault((int(b), int(m)), int(u)) for b, m, u in zip(t.boot, t.mono_ns, t.utc_ms, strict=True)]
        out[role] = t._replace(utc_ms=np.array(utc, np.int64))
    return out


def _same_statistics(table: Table, part: str, at: int, torques: list[float], rel: float) -> None:
    assert table[f"{part}.n"][at] == len(torques)
    if not torques:
        assert np.isnan(table[f"{part}.mean_nm"][at])
        return
    expected = {
        "min_nm": min(torques),
        "max_nm": max(torques),
        "mean_nm": np.mean(torques),
        "median_nm": np.median(torques),
        "p95_nm": np.quantile(torques, 0.95),
    }
    for name, value in expected.items():
        assert table[f"{part}.{name}"][at] == pytest.approx(value, rel=rel), (part, name)
    if len(torques) > 1:
        assert table[f"{part}.std_nm"][at] == pytest.approx(np.std(torques, ddof=1), rel=max(rel, 1e-9), abs=1e-6)


@given(given_=readings(), data=st.data())
@settings(max_examples=80)
def test_pieces_in_any_order_and_twice_make_the_same_hour(
    given_: tuple[DriveSpec, dict[str, Track]], data: st.DataObject
) -> None:
    """However the readings were cut, late or repeated, the summary is the same to the last bit."""
    drive, tracks = given_
    shuffled = {}
    for role, t in tracks.items():
        n = len(t.boot)
        order = np.array(data.draw(st.permutations(range(n))), np.int64)
        again = np.array(data.draw(st.lists(st.integers(0, max(n - 1, 0)), max_size=3 if n else 0)), np.int64)
        shuffled[role] = t.at(np.concatenate([order, again]))
    whole, pieces = made(drive, tracks), made(drive, shuffled)

    same(whole.minutes, pieces.minutes)
    same(whole.hour, pieces.hour)
    assert repr(whole.entries) == repr(pieces.entries)


@given(given_=readings())
@settings(max_examples=80)
def test_stages_add_up_to_the_covered_time(given_: tuple[DriveSpec, dict[str, Track]]) -> None:
    """Every covered ns is in one stage of each direction, none in two; good and running time are parts of it."""
    drive, tracks = given_
    rows = made(drive, tracks).minutes
    covered = rows["drive.covered_ns"]

    for side in drive.directions:
        assert np.array_equal(np.sum([rows[f"{side}.time.{stage}_ns"] for stage in STAGES], axis=0), covered)
    assert (rows["drive.good_ns"] <= covered).all()
    assert (rows["drive.running_ns"] + rows["drive.stopped_ns"] <= covered).all()
    moments = {(b, m) for t in tracks.values() for b, m in zip(t.boot.tolist(), t.mono_ns.tolist(), strict=True)}
    assert covered.sum() <= len(moments) * drive.stale_ns


@given(hours=st.lists(readings(two=True), min_size=1, max_size=4), data=st.data())
@settings(max_examples=40)
def test_day_of_hours_is_that_of_all_readings(
    hours: list[tuple[DriveSpec, dict[str, Track]]], data: st.DataObject
) -> None:
    """Mean and spread merged from the hours, quantiles from the merged counts: those of all readings."""
    drive = make_drive(two=True)
    # float counts of integers are integer counts too, so one drive fits all
    found = [made(drive, tracks) for _, tracks in hours]
    table = blank(list(found[0].hour), Grain.HOUR, 24)
    for at, hour in enumerate(found):
        for name, column in hour.hour.items():
            table[name][at] = column[0]
    parts = data.draw(st.permutations([e for hour in found for e in hour.entries]))
    entries, bases = merged(parts), {digest: basis for hour in found for digest, basis in hour.bases.items()}
    day = day_of(table, list(table), entries, bases)
    again = from_counts(day, Grain.DAY, 0, entries, bases)

    slow = [slowly(drive, tracks) for _, tracks in hours]
    for side in drive.directions:
        for group in GROUPS:
            torques = [
                t
                for one in slow
                for (_, s, running), some in one.torques.items()
                if s == side and (group == "all" or running == 1)
                for t in some
            ]
            _same_statistics(day, f"{side}.{group}", 0, torques, 1e-9)
            _same_statistics(again, f"{side}.{group}", 0, torques, 1e-9)
    for name in ("drive.absent", *(f"{side}.time.{code}" for side in drive.directions for code in ("exact", "below"))):
        assert again[name][0] == day[name][0] == sum(int(hour.hour[name][0]) for hour in found)


def test_hour_long_clock_set_back_counts_nothing_twice() -> None:
    """A clock set back ten minutes: the minutes read twice hold both, and all together is the time that passed."""
    drive = make_drive()
    n = 1_800
    at = np.arange(n, dtype=np.int64) * SECOND_NS
    utc = HOUR_UTC_MS + at // 1_000_000 - np.where(np.arange(n) >= 1_200, 600_000, 0)
    one = Track(np.ones(n, np.int64), at, utc, np.full(n, 2_000.0), np.ones(n, np.bool_))
    hour = summarise(HOUR_UTC_MS, [Share(drive, {"position": one})])

    covered_s = hour.minutes["drive.covered_ns"] // SECOND_NS
    assert covered_s[:10].tolist() == [60] * 10
    assert covered_s[10:20].tolist() == [120] * 10
    assert covered_s.sum() == n - 1 + 5  # the last reading holds until it is stale
    assert hour.hour["forward.all.n"][0] == n


def test_reading_holds_over_the_end_of_its_hour_only_once() -> None:
    """What is read in one hour and holds into the next is cut at the hour, and both together are the whole."""
    drive = make_drive()
    at = np.array([3_590.0, 3_594.5, 3_599.0, 3_603.0]) * SECOND_NS
    one = Track(
        np.ones(4, np.int64),
        at.astype(np.int64),
        HOUR_UTC_MS + (at // 1e6).astype(np.int64),
        np.full(4, 2_000.0),
        np.ones(4, np.bool_),
    )
    first = summarise(HOUR_UTC_MS, [Share(drive, {"position": one})])
    second = summarise(HOUR_UTC_MS + HOUR_MS, [Share(drive, {"position": one})])

    assert first.hour["drive.covered_ns"][0] == 10 * SECOND_NS
    assert second.hour["drive.covered_ns"][0] == 8 * SECOND_NS
    assert first.hour["forward.all.n"][0] == 3
    assert second.hour["forward.all.n"][0] == 1
    assert Direction.REVERSE not in drive.directions
