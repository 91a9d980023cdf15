"""What is drawn of a trip record hides no extreme, draws over no hole, and claims nothing that was not read."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from nightrake.history.trippicture import OFF, ON, UNKNOWN, Drawing, spans_of
from summarydrives import make_drive

STALE_MS = 5_000
FROM_MS, TO_MS = 0, 60_000
readings = st.lists(
    st.tuples(st.integers(-8_000, 70_000), st.sampled_from((OFF, ON, UNKNOWN))), max_size=30, unique_by=lambda r: r[0]
).map(sorted)


def slowly(utc_ms: int, some: list[tuple[int, int]]) -> int:
    """What a bit was at one moment: the last reading says it, as long as it is fresh."""
    before = [r for r in some if r[0] <= utc_ms]
    return before[-1][1] if before and utc_ms - before[-1][0] < STALE_MS else UNKNOWN


@given(readings)
def test_lane_is_what_the_last_fresh_reading_said(some: list[tuple[int, int]]) -> None:
    """At every moment, and the pieces cover the time once."""
    times, state = np.array([r[0] for r in some], np.int64), np.array([r[1] for r in some], np.int8)
    spans = spans_of(times, state, STALE_MS, FROM_MS, TO_MS)
    pieces = sorted((begin, end, what) for what, some_spans in spans.items() for begin, end in some_spans)
    assert [p[0] for p in pieces] == [FROM_MS, *(p[1] for p in pieces[:-1])]
    assert pieces[-1][1] == TO_MS
    assert all(a[2] != b[2] for a, b in pairwise(pieces))
    for begin, end, what in pieces:
        for moment in {int(begin), int(end) - 1, (int(begin) + int(end)) // 2}:
            assert slowly(moment, some) == what


def drawing(columns: int = 60) -> Drawing:
    """Of a drive with an alarm contact, two shutdown channels and a running feedback; no power."""
    return Drawing(replace(make_drive(), stale_ns=STALE_MS * 1_000_000), FROM_MS, TO_MS, columns)


def test_curve_has_holes_and_keeps_extremes() -> None:
    """Ten seconds without a reading are a hole; one high reading among a hundred is seen."""
    utc_ms = np.array([*range(0, 20_000, 100), *range(40_000, 60_000, 100)], np.int64)
    torque = np.full(len(utc_ms), 20_000.0)
    torque[57] = 41_000.0
    values = {"torque_nm": torque, "torque_uncertainty_nm": np.full(len(utc_ms), 300.0)}
    made = drawing()
    for part in (slice(200, None), slice(0, 200)):
        taken = {name: column[part] for name, column in values.items()}
        made.add(utc_ms[part], taken, ["exact"] * len(utc_ms[part]), [""] * len(utc_ms[part]))
    curve = made.drawn().torque
    assert np.nanmax(curve.high) == 41_000.0
    (hole,) = np.flatnonzero(np.isnan(curve.mean))
    assert 19_000 <= curve.utc_ms[hole - 1] < curve.utc_ms[hole] < curve.utc_ms[hole + 1] == 40_000.0
    assert np.nanmin(curve.uncertainty) == np.nanmax(curve.uncertainty) == 300.0
    assert made.drawn().power is None


def test_bad_reading_of_a_contact_is_not_known_and_one_not_asked_for_says_nothing() -> None:
    """The text beside tells them apart."""
    role = "contact:forward/shutdown/A"
    utc_ms = np.arange(0, 12_000, 1_000, dtype=np.int64)
    value = np.array([0, np.nan, np.nan, 0, np.nan, 1, 1, 1, 1, 1, 1, 1], np.float64)
    notes = ["", f"{role}=no_reply", *[""] * 10]
    made = drawing()
    made.add(utc_ms, {role: value}, [], notes)
    lanes = {lane.name: lane for lane in made.drawn().lanes}
    assert list(lanes) == ["alarm", "shutdown A", "shutdown B", "motor runs"]
    assert lanes["shutdown A"].on == ((5_000.0, 11_000.0 + STALE_MS),)
    assert lanes["shutdown A"].unknown == ((1_000.0, 3_000.0), (16_000.0, 60_000.0))
    assert lanes["motor runs"].unknown == ((0.0, 60_000.0),)


def test_reading_outside_the_calibrated_span_is_marked() -> None:
    """As a limit, not as a value."""
    utc_ms = np.arange(0, 60_000, 1_000, dtype=np.int64)
    values = {"torque_nm": np.full(60, 8_000.0), "torque_uncertainty_nm": np.full(60, np.nan)}
    made = drawing()
    made.add(utc_ms, values, ["below"] * 30 + ["exact"] * 30, [""] * 60)
    curve = made.drawn().torque
    assert curve.limit.tolist() == [1.0] * 30 + [0.0] * 30
    assert curve.uncertainty.tolist() == [0.0] * 60
