"""A period finds every recorded input whose stamp lies in it, however far the clock was set, sealed or not."""

from __future__ import annotations

import tempfile
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from nightrake.domain.inputs import Tick
from nightrake.longterm.reading import History
from shell.longterm.histories import NOON_MS, Past, forget_tail, seal

MIN_MS = 60_000
DAY_MS = 86_400_000
steps_ms = st.one_of(
    st.sampled_from([-NOON_MS, -41 * DAY_MS, -30 * MIN_MS, 0, 5 * MIN_MS, 400 * DAY_MS, 400_000 * DAY_MS]),
    st.integers(-90 * MIN_MS, 90 * MIN_MS),
)
segments = st.lists(st.tuples(steps_ms, st.integers(1, 12)), min_size=1, max_size=6)


def recorded(courses: list[tuple[int, int]]) -> Past:
    """Ticks ten minutes apart, a clock that is set before each of some stretches; back to the right time at times."""
    past = Past()
    past.snapshot()
    right_ms = past.utc_ms
    for number, (step_ms, count) in enumerate(courses):
        if number % 2 == 0:
            past.utc_ms = right_ms
        past.utc_ms = max(0, past.utc_ms + step_ms)
        for _ in range(count):
            past.put(Tick(past.mono_ns, past.utc_ms))
            past.pass_time(10 * MIN_MS * 1_000_000)
            right_ms += 10 * MIN_MS
    return past


@settings(max_examples=25)
@given(courses=segments, sealed=st.sampled_from(["nothing", "some", "all"]), data=st.data())
def test_period_finds_every_record_whose_stamp_lies_in_it(
    courses: list[tuple[int, int]], sealed: str, data: st.DataObject
) -> None:
    """The first and the last of them, to the record: those of every clock segment are in between."""
    past = recorded(courses)
    stamps = st.sampled_from(sorted({record.utc_ms for record in past.records}))
    asked = st.tuples(stamps, st.integers(-MIN_MS, MIN_MS), st.integers(1, 180 * MIN_MS))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        past.store(folder)
        if sealed != "nothing":
            seal(folder, everything=sealed == "all")
        with History(folder) as history:
            forget_tail(folder, history.sealed_seq())
            for begin_ms, off_ms, long_ms in [*data.draw(st.lists(asked, min_size=3, max_size=6)), (0, 0, 2**60)]:
                low, high = begin_ms + off_ms, begin_ms + off_ms + long_ms
                mine = [record.seq for record in past.records if low <= record.utc_ms < high]

                assert history.stretch(low, high) == ((min(mine), max(mine)) if mine else None)
