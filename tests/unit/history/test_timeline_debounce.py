"""Debounce, trust and holding of readings in arrays: as the watch does one at a time."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightrake.domain.debounce import ContactState, settle
from nightrake.domain.site import BitSignal, DriveSpec, ValueType
from nightrake.history.rows import Table
from nightrake.history.summaries import Share, summarise
from nightrake.history.timeline import Track, held_ns, latest, settled
from summarydrives import HOUR_UTC_MS, SECOND_NS, make_drive, point, track

ALARM = "contact:forward/alarm/A"


@given(
    readings=st.lists(st.tuples(st.integers(1, 600), st.sampled_from([0, 1, 0, 1, None])), min_size=1, max_size=40),
    operate_ms=st.sampled_from([0, 1, 250, 500, 1_000]),
    release_ms=st.sampled_from([0, 250, 1_000]),
)
def test_array_debounces_as_the_watch_does(
    readings: list[tuple[int, int | None]], operate_ms: int, release_ms: int
) -> None:
    """Any readings at any spacing, bad ones between: a change that was settling when one was bad starts anew."""
    times = np.cumsum([ms for ms, _ in readings]).astype(np.int64) * 1_000_000
    good = np.array([v is not None for _, v in readings])
    found = settled(times, np.array([v == 1 for _, v in readings]), good, operate_ms * 10**6, release_ms * 10**6)

    state, bad = ContactState(), False
    for at, (_, value), mine in zip(times.tolist(), readings, found.tolist(), strict=True):
        if value is None:
            bad = True
        elif state.settled < 0:  # the first good one counts at once
            state, bad = ContactState(raw=value, since_ns=at, settled=value), False
        else:
            if bad and state.raw != state.settled:
                state = state._replace(raw=state.settled)
            raw, since_ns, now = settle(state, value, at, operate_ms * 10**6, release_ms * 10**6)
            state, bad = ContactState(raw=raw, since_ns=since_ns, settled=now), False
        if value is not None:
            assert mine == state.settled


def rows_of(drive: DriveSpec, **tracks: Track) -> Table:
    """The minutes, with every contact released unless given otherwise."""
    seconds = [float(s) for s in range(120)]
    given_ = {role: track(seconds, [0.0] * 120) for role in drive.points() if role.startswith("contact:")}
    given_ |= {"position": track(seconds, [2_000.0] * 120), "running": track(seconds, [1.0] * 120)}
    return summarise(HOUR_UTC_MS, [Share(drive, {**given_, **tracks})]).minutes


def seconds_of(rows: Table, column: str) -> list[int]:
    """The first two minutes, whole seconds."""
    return [int(v) for v in rows[column][:2] // SECOND_NS]


def test_sound_drive_is_normal_good_and_running_all_the_time() -> None:
    """Two minutes, and what the last reading holds on."""
    rows = rows_of(make_drive())

    assert seconds_of(rows, "drive.covered_ns") == [60, 60]
    assert [int(rows[c][2] // SECOND_NS) for c in ("drive.covered_ns", "forward.time.normal_ns")] == [4, 4]
    for column in ("forward.time.normal_ns", "drive.good_ns", "drive.running_ns"):
        assert seconds_of(rows, column) == [60, 60]
    assert rows["forward.all.n"][:3].tolist() == [60, 60, 0]


def test_pulse_shorter_than_its_hold_is_no_alarm_time() -> None:
    """One second of 'operated' under a hold of two passes; five seconds count from the second second on."""
    drive = make_drive(hold_ns=2 * SECOND_NS)
    bits = [1.0 if s == 10 or 30 <= s < 35 else 0.0 for s in range(120)]
    alarm = track([float(s) for s in range(120)], bits)
    rows = summarise(HOUR_UTC_MS, [Share(drive, {ALARM: alarm, **released(drive, but=ALARM)})]).minutes

    assert seconds_of(rows, "forward.time.alarm_ns") == [5, 0]  # 32 to 37: late at both ends, as the watch is
    assert seconds_of(rows, "forward.time.normal_ns") == [55, 60]


def released(drive: DriveSpec, *, but: str = "") -> dict[str, Track]:
    """Every other contact, released for two minutes."""
    seconds = [float(s) for s in range(120)]
    return {r: track(seconds, [0.0] * 120) for r in drive.points() if r.startswith("contact:") and r != but}


def test_stage_is_unknown_while_a_contact_reads_badly_but_a_second_channel_decides() -> None:
    """The alarm contact has one channel, the shutdown stage two."""
    drive = make_drive()
    seconds = [float(s) for s in range(120)]
    bad = track(seconds, [None if s < 20 else 0.0 for s in range(120)])

    assert seconds_of(rows_of(drive, **{"contact:forward/alarm/A": bad}), "forward.time.unknown_ns") == [20, 0]
    rows = rows_of(drive, **{"contact:forward/shutdown/A": bad})
    assert seconds_of(rows, "forward.time.unknown_ns") == [0, 0]
    assert seconds_of(rows, "drive.good_ns") == [40, 60]


def test_shutdown_stands_before_alarm() -> None:
    """Both operated is time in shutdown, on either channel."""
    drive = make_drive()
    seconds = [float(s) for s in range(120)]
    on = track(seconds, [1.0 if 10 <= s < 30 else 0.0 for s in range(120)])
    trip = track(seconds, [1.0 if 15 <= s < 25 else 0.0 for s in range(120)])
    rows = rows_of(drive, **{"contact:forward/alarm/A": on, "contact:forward/shutdown/B": trip})

    assert seconds_of(rows, "forward.time.alarm_ns") == [10, 0]
    assert seconds_of(rows, "forward.time.shutdown_ns") == [10, 0]


def test_dead_rack_and_frozen_heartbeat_take_the_trust() -> None:
    """As in the watch: nothing that comes the same way is good or known meanwhile."""
    import dataclasses

    seconds = [float(s) for s in range(120)]
    drive = dataclasses.replace(make_drive(), rack_healthy=BitSignal(point(30)), heartbeat=point(101, ValueType.UINT16))
    beat = track(seconds, [float(s) for s in range(120)])
    frozen = track(seconds, [float(min(s, 70)) for s in range(120)])
    rack = track(seconds, [0.0 if 20 <= s < 50 else 1.0 for s in range(120)])
    sound = track(seconds, [1.0] * 120)

    rows = rows_of(drive, rack_healthy=rack, heartbeat=beat)
    assert seconds_of(rows, "forward.time.unknown_ns") == [30, 0]
    assert seconds_of(rows, "drive.good_ns") == [30, 60]
    assert rows["drive.absent"][:2].tolist() == [30, 0]
    rows = rows_of(drive, rack_healthy=sound, heartbeat=frozen)
    assert seconds_of(rows, "forward.time.unknown_ns") == [0, 44]  # last change at 70 s, limit 5 s


def test_failure_current_is_no_torque_and_no_good_time() -> None:
    """Counts of 3.5 mA: NAMUR NE 43 calls 3.6 mA or less a failure."""
    drive = make_drive()
    seconds = [float(s) for s in range(120)]
    rows = rows_of(drive, position=track(seconds, [700.0 if s < 30 else 2_000.0 for s in range(120)]))

    assert rows["drive.absent"][:2].tolist() == [30, 0]
    assert rows["forward.all.n"][:2].tolist() == [30, 60]
    assert seconds_of(rows, "drive.good_ns") == [30, 60]


@given(
    steps=st.lists(st.integers(1, 20), max_size=30),
    cuts=st.lists(st.integers(0, 400), max_size=4),
    stale=st.integers(1, 12),
)
def test_nothing_is_stretched_and_nothing_counted_twice(steps: list[int], cuts: list[int], stale: int) -> None:
    """A moment lasts until the next, a cut, or until it is stale, whichever comes first."""
    times = np.cumsum(np.array(steps, np.int64))
    found = held_ns(times, np.array(sorted(cuts), np.int64), stale)

    for i, at in enumerate(times.tolist()):
        ends = [at + stale, *times[i + 1 : i + 2].tolist(), *(c for c in cuts if c > at)]
        assert found[i] == min(ends) - at


def test_latest_reading_is_none_before_the_first_and_once_stale() -> None:
    """Age counts up to the limit, no further."""
    times = np.array([100, 200], np.int64)

    assert latest(times, np.array([99, 100, 150, 199, 200, 250, 251]), 50).tolist() == [-1, 0, 0, -1, 1, 1, -1]
    assert latest(np.empty(0, np.int64), np.array([5]), 50).tolist() == [-1]


def test_two_settings_within_an_hour_join_without_overlap() -> None:
    """A reload in the middle: each share keeps its own record, and covered time is what passed."""
    import dataclasses

    from summarydrives import STEEPER

    first = make_drive()
    second = dataclasses.replace(first, calibrations={STEEPER.direction: STEEPER})
    early, late = [float(s) for s in range(60)], [float(s) for s in range(60, 120)]
    shares = [
        Share(first, {"position": track(early, [2_000.0] * 60)}),
        Share(second, {"position": track(late, [2_000.0] * 60)}),
    ]
    hour = summarise(HOUR_UTC_MS, shares)

    assert seconds_of(hour.minutes, "drive.covered_ns") == [60, 60]
    means = hour.minutes["forward.all.mean_nm"]
    assert means[1] > means[0]
    assert len(hour.entries) == len(hour.bases) == 2
    assert hour.hour["forward.all.n"][0] == 120
    assert hour.hour["forward.all.mean_nm"][0] == pytest.approx((means[0] + means[1]) / 2)
