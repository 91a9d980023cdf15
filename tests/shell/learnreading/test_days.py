"""A drive's days out of history.db: what learning gets is what was counted, and what was met is said."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import apsw
import numpy as np
import pytest

from nightrake.domain.site import Direction, DriveSpec
from nightrake.history.basis import FORWARD, REVERSE, Basis, basis_of
from nightrake.history.histogram import histogram
from nightrake.history.kept import HourBytes
from nightrake.history.period import Period
from nightrake.history.rows import DAY_MS, HOUR_MS, PARTS, Grain, Table, blank, columns_of
from nightrake.history.summaries import NOT_KNOWN, RUNNING, STOPPED, Entry
from nightrake.learning.days import MIXED, Side
from nightrake.learnreading.days import DayReading
from nightrake.learnreading.told import NOTHING, Event, Told
from nightrake.longterm.blocks import Blocks
from nightrake.longterm.summaries import SummaryWriting, day_key
from nightrake.longterm.summaryreading import SummaryReading
from nightrake.longterm.writing import Writing
from summarydrives import FORWARD_CURVE, STEEPER, make_drive

FIRST = 20_000
NOW_MS = (FIRST + 400) * DAY_MS
H = 3_600_000_000_000
HOURLY_NM = 20_000.0
"""Median of each hour, as its row has it."""
ALWAYS = Period(0, NOW_MS)
SPEC = make_drive()


def certain(basis: Basis | None) -> Basis:
    """A basis that is there."""
    assert basis is not None
    return basis


ONE = certain(basis_of(SPEC))
Counted = tuple[int, int, list[int]]
"""Side, what run feedback said, raw steps."""


def hour_of(
    spec: DriveSpec, basis: Basis, counted: Iterable[Counted], *, running_ns: int = H, good_ns: int = H
) -> HourBytes:
    """An hour with these counts."""
    table: Table = blank(columns_of(list(spec.directions)), Grain.HOUR, 1)
    entries = [Entry(basis.digest, side, said, histogram(np.array(steps))) for side, said, steps in counted]
    table["drive.covered_ns"][0], table["drive.good_ns"][0], table["drive.running_ns"][0] = H, good_ns, running_ns
    table["forward.running.median_nm"][0] = HOURLY_NM
    table["drive.readings"][0] = sum(e.steps.n for e in entries)
    return HourBytes({}, table, tuple(entries))


class Store:
    """A history with days that a test puts in.

    Args:
        folder: Its place. spec: The drive.
    """

    def __init__(self, folder: Path, spec: DriveSpec = SPEC) -> None:
        self.folder, self.spec = folder, spec
        self._writing = Writing(folder, NOW_MS)
        self._writing.db.execute("pragma synchronous = off")  # nobody pulls this plug
        self._summaries = SummaryWriting(self._writing.db)

    def put(self, day: int, hours: Mapping[int, tuple[Basis, HourBytes]]) -> None:
        """A day, counted from the first."""
        self._writing.db.execute("begin immediate")
        bases = {basis.digest: basis for basis, _ in hours.values()}
        self._summaries.put_day(self.spec.id, FIRST + day, {at: one for at, (_, one) in hours.items()}, bases)
        self._writing.db.execute("commit")

    def close(self) -> None:
        """No more is put in."""
        self._writing.close()

    def steady(self, days: Iterable[int], steps: list[int], basis: Basis = ONE, hours: int = 24) -> None:
        """Days of equal hours."""
        for day in days:
            hour = hour_of(self.spec, basis, [(FORWARD, RUNNING, steps)])
            self.put(day, dict.fromkeys(range(hours), (basis, hour)))

    def sides(
        self, told: Told = NOTHING, period: Period = ALWAYS, now_ms: int = NOW_MS, spec: DriveSpec | None = None
    ) -> list[Side]:
        """What reading gives."""
        self._writing.close()
        with closing(Blocks(self.folder)) as blocks:
            return DayReading(SummaryReading(blocks), spec or self.spec, told, now_ms).sides(period)


@pytest.fixture
def store(tmp_path: Path) -> Store:
    """An empty one."""
    return Store(tmp_path)


def torques(steps: list[int], basis: Basis = ONE) -> list[float]:
    """What the steps say, N.m."""
    found: list[float] = basis.convert(np.array(steps)).torque_nm.tolist()
    return found


def test_day_is_its_readings(store: Store) -> None:
    """Median, upper quantile, spread, hours and shares of one day, by numpy of the readings themselves."""
    steps = [[2_000 + 7 * hour + i * i for i in range(20)] for hour in range(24)]
    store.put(0, {at: (ONE, hour_of(SPEC, ONE, [(FORWARD, RUNNING, steps[at])], good_ns=H // 4)) for at in range(24)})
    (side,) = store.sides()
    days, all_nm = side.days, torques([s for some in steps for s in some])
    assert days.utc_ms.tolist() == [FIRST * DAY_MS]
    assert days.median_nm[0] == pytest.approx(np.median(all_nm))
    assert days.upper_nm[0] == pytest.approx(np.quantile(all_nm, 0.95))
    assert days.spread_nm[0] == pytest.approx(np.quantile(all_nm, 0.84) / 2 - np.quantile(all_nm, 0.16) / 2)
    assert (days.running_h[0], days.uncertain[0], days.below[0], days.beyond[0]) == (24.0, 0.75, 0.0, 0.0)
    assert days.below_nm[0] == FORWARD_CURVE.torque_nm[0]
    assert side.by_hour_nm is not None
    assert side.by_hour_nm.tolist() == [[HOURLY_NM] * 24]
    assert (side.alarm_nm, side.shutdown_nm) == (SPEC.alarm_nm, SPEC.shutdown_nm)
    assert [r.name for r in side.records] == ["R1"]


def test_standstill_does_not_count_and_no_feedback_is_said(store: Store) -> None:
    """Readings at standstill stay out; of a day without run feedback all count, and a sentence says so."""
    both = [(FORWARD, RUNNING, [3_000] * 5), (FORWARD, STOPPED, [820] * 500)]
    store.put(0, {at: (ONE, hour_of(SPEC, ONE, both)) for at in range(24)})
    lost = [(FORWARD, NOT_KNOWN, [3_100] * 5)]
    store.put(1, {at: (ONE, hour_of(SPEC, ONE, lost, running_ns=0)) for at in range(24)})
    (side,) = store.sides()
    assert side.days.median_nm.tolist() == torques([3_000, 3_100])
    assert any("Whether the motor ran is not known of 1 day" in text for text in side.sentences)
    without = replace(SPEC, running=None)
    (side,) = Store(store.folder).sides(spec=without)
    assert "There is no run feedback: readings at standstill are among those used." in side.sentences


def test_median_below_the_preload_is_censored(store: Store) -> None:
    """Its share is kept, and no number stands for it."""
    store.steady([0], [1_040] * 7 + [3_000] * 3)
    (side,) = store.sides()
    assert side.days.below[0] == pytest.approx(0.7)
    assert np.isnan(side.days.median_nm[0])
    assert np.isnan(side.days.spread_nm[0])
    assert side.days.upper_nm[0] == pytest.approx(torques([3_000])[0])


def test_function_check_is_left_out_by_the_hour(store: Store) -> None:
    """The hours that it touches, and the day stays."""
    calm, pulled = ([(FORWARD, RUNNING, [steps] * 10)] for steps in (2_000, 3_900))
    hours = {at: (ONE, hour_of(SPEC, ONE, pulled if at in (9, 10) else calm)) for at in range(24)}
    store.put(0, hours)
    begin = FIRST * DAY_MS + 9 * HOUR_MS + 1_800_000
    (side,) = store.sides(Told(left_out=((begin, begin + HOUR_MS),)))
    assert side.days.upper_nm.tolist() == torques([2_000])
    assert side.days.running_h.tolist() == [22.0]
    assert side.by_hour_nm is not None
    assert np.flatnonzero(np.isnan(side.by_hour_nm[0])).tolist() == [9, 10]
    assert any(text.startswith("2 h of function checks") for text in side.sentences)


def test_record_that_changes_within_a_day(store: Store) -> None:
    """Each hour by its own record; the day is mixed, and the moment is a known shift."""
    other = ONE.with_curve(STEEPER)
    store.steady([0, 1], [2_000])
    hours = {at: ONE if at < 7 else other for at in range(24)}
    counted = [(FORWARD, RUNNING, [2_000])]
    store.put(2, {at: (basis, hour_of(SPEC, basis, counted)) for at, basis in hours.items()})
    store.steady([3], [2_000], other)
    (side,) = store.sides(Told(events=(Event(FIRST * DAY_MS, "lockout released"),)))
    assert side.days.record.tolist() == [0, 0, MIXED, 1]
    assert [(r.name, r.digest) for r in side.records] == [("R1", "a" * 64), ("R9", "c" * 64)]
    changed_ms = (FIRST + 2) * DAY_MS + 7 * HOUR_MS
    assert side.records[1].since_utc_ms == changed_ms
    assert [(k.utc_ms, k.why) for k in side.known] == [
        (FIRST * DAY_MS, "lockout released"),
        (changed_ms, "calibration record changed to R9"),
    ]
    assert side.days.median_nm[3] == pytest.approx(torques([2_000], other)[0])


def test_changed_scale_is_said_and_converted(store: Store) -> None:
    """Units changed in the PLC: each day by the settings of that day, a sentence and a known shift."""
    assert SPEC.position is not None
    scaled = replace(
        SPEC.position, point=SPEC.position.point._replace(scale=0.1), lo=80.0, hi=400.0, counts_per_ma=20.0
    )
    other = certain(basis_of(replace(SPEC, position=scaled)))
    store.steady([0], [2_000])
    store.steady([1], [2_000], other)
    (side,) = store.sides()
    assert side.days.median_nm.tolist() == pytest.approx(torques([2_000]) * 2)
    assert any("Scale, span or address of the position signal was changed" in text for text in side.sentences)
    assert [k.why for k in side.known] == ["settings of the position signal changed"]


def test_damaged_day_costs_that_day(store: Store) -> None:
    """The others are read, whatever the slice; a sentence names the first."""
    store.steady(range(300), [2_000])
    db = apsw.Connection(str(store.folder / "history.db"))
    for day in (70, 71, 200):
        key = day_key(1, Grain.DAY, PARTS.index("histogram"), FIRST + day)
        db.execute("update summary_day set data = x'00112233' where id = ?", (key,))
    db.close()
    (side,) = store.sides()
    read = ((side.days.utc_ms // DAY_MS) - FIRST).tolist()
    assert read == [day for day in range(300) if day not in (70, 71, 200)]
    assert any(
        text.startswith("3 days cannot be read and are left out, the first 2024-12-13") for text in side.sentences
    )
    assert not any(text.startswith("Nothing was read") for text in side.sentences)


def test_gaps_short_days_and_days_ahead_are_said(store: Store) -> None:
    """A sentence each."""
    store.steady([0, 1, 20, 21], [2_000])
    some = [(FORWARD, RUNNING, [2_000])]
    store.put(22, {8: (ONE, hour_of(SPEC, ONE, some, running_ns=H // 10))})
    store.steady([500], [2_000])
    (side,) = store.sides(period=Period(0, 2**45))
    text = " ".join(side.sentences)
    assert len(side.days.utc_ms) == 4
    assert "Nothing was read on 18 days of 23, among them 2024-10-06 to 2024-10-23." in text
    assert "1 day with less than 0.25 h of running in this direction is left out." in text
    assert "behind now" in text


def test_slow_rake_has_whole_turns(tmp_path: Path) -> None:
    """Ten turns at the least make a period."""
    slow = replace(SPEC, turn_ns=6 * H)
    store = Store(tmp_path, slow)
    store.steady(range(12), [2_000])
    (side,) = store.sides()
    assert side.days.span_ms.tolist() == [3 * DAY_MS] * len(side.days.utc_ms)
    assert (side.days.utc_ms // DAY_MS % 3).tolist() == [0] * len(side.days.utc_ms)
    assert side.days.running_h.max() == 72.0
    assert "The rake turns so slowly that 3 days are taken together." in side.sentences


def test_two_directions_share_the_day(tmp_path: Path) -> None:
    """Hours by the readings of each; a direction without readings has no days."""
    spec = make_drive(two=True)
    basis = certain(basis_of(spec))
    store = Store(tmp_path, spec)
    counted = [(FORWARD, RUNNING, [3_500] * 3), (REVERSE, RUNNING, [900])]
    store.put(0, {at: (basis, hour_of(spec, basis, counted)) for at in range(24)})
    forward, reverse = store.sides()
    assert (forward.direction, reverse.direction) == (Direction.FORWARD, Direction.REVERSE)
    assert (forward.days.running_h[0], reverse.days.running_h[0]) == (18.0, 6.0)


def test_without_a_record_there_is_no_torque(tmp_path: Path) -> None:
    """Days are there, torque is not, and that is said."""
    bare = replace(SPEC, calibrations={})
    basis = certain(basis_of(bare))
    store = Store(tmp_path, bare)
    store.steady([0, 1], [2_000], basis)
    (side,) = store.sides()
    assert len(side.days.utc_ms) == 0
    assert "No calibration record was in force on 2 days; they give no torque." in side.sentences


def test_drive_of_which_nothing_was_read(store: Store) -> None:
    """An empty side and a sentence."""
    store.steady([0], [2_000])
    (side,) = store.sides(period=Period(0, FIRST * DAY_MS - 5))
    assert len(side.days.utc_ms) == 0
    assert side.sentences == ("Nothing was read of PC1 in this time.",)


def test_period_bounds_the_days(store: Store) -> None:
    """Days that it touches, whole."""
    store.steady(range(10), [2_000])
    (side,) = store.sides(period=Period((FIRST + 3) * DAY_MS, (FIRST + 6) * DAY_MS))
    assert ((side.days.utc_ms // DAY_MS) - FIRST).tolist() == [3, 4, 5]
