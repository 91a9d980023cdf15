"""Two courses side by side: what belongs together, what comes in one only, and laws that hold of any two courses."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from nightrake.domain.rows import Entry
from nightrake.history.compare import NEAR_MS, Course, Crossings, Occurrence, Pair, counts, paired

MINUTE = 60_000


def occurrence(came_min: float, went_min: float | None = None, alarm: str = "PC1/forward/torque_high") -> Occurrence:
    """One that came and went at these minutes."""
    came, went = int(came_min * MINUTE), None if went_min is None else int(went_min * MINUTE)
    return Occurrence(alarm, "high", came, went, 1_790_000_000_000 + came)


def texts(pairs: list[Pair]) -> list[tuple[float | None, float | None]]:
    """Minutes at which each pair's two came."""
    return [
        (None if p.was is None else p.was.came_ms / MINUTE, None if p.now is None else p.now.came_ms / MINUTE)
        for p in pairs
    ]


def test_earlier_later_gone_and_new_are_told_apart() -> None:
    """One of each kind, and the count of them."""
    was = [occurrence(0, 5), occurrence(60, 65), occurrence(120, 125), occurrence(180, 185)]
    now = [occurrence(0, 6), occurrence(58, 65), occurrence(121, 126), occurrence(240, 250)]
    pairs = paired(was, now)
    assert texts(pairs) == [(0, 0), (60, 58), (120, 121), (180, None), (None, 240)]
    assert [p.later_ms for p in pairs] == [0, -2 * MINUTE, MINUTE, 0, 0]
    (count,) = counts(pairs)
    assert count[2:] == (4, 4, 1, 1, 1, 1, 1)


def test_long_one_is_paired_with_what_begins_within_it() -> None:
    """An alarm that stood for hours is the same alarm though it comes an hour later."""
    assert texts(paired([occurrence(0, 300)], [occurrence(61, 300)])) == [(0, 61)]
    assert texts(paired([occurrence(0, 30)], [occurrence(61, 300)])) == [(0, None), (None, 61)]
    assert texts(paired([occurrence(0)], [occurrence(500)])) == [(0, 500)]


def test_nearer_one_is_preferred() -> None:
    """A new one shortly before does not take the place of that which is at the very time."""
    assert texts(paired([occurrence(10, 11)], [occurrence(2, 3), occurrence(10, 11)])) == [(None, 2), (10, 10)]
    assert texts(paired([occurrence(2, 3), occurrence(10, 11)], [occurrence(10, 11)])) == [(2, None), (10, 10)]


def test_alarms_are_never_mixed() -> None:
    """Another kind, drive or direction at the same time is another alarm."""
    pairs = paired([occurrence(0, 1)], [occurrence(0, 1, "PC1/reverse/torque_high")])
    assert texts(pairs) == [(0, None), (None, 0)]


def test_course_reads_entries() -> None:
    """What comes opens an occurrence, what goes or comes again ends it; calls and facts are none."""
    course, data = Course(), {"alarm": "PC1/forward/shutdown_contact", "priority": "urgent"}
    course.take([Entry("alarm", "raised", "PC1", "forward", data)], 1_000, 5)
    course.take([Entry("call", "called", "PC1", "forward", data)], 1_500, 6)
    course.take([Entry("alarm", "raised_again", "PC1", "forward", data)], 2_000, 7)
    course.take([Entry("alarm", "acknowledged", "PC1", "forward", data)], 2_500, 8)
    course.take([Entry("alarm", "latched", "PC1", "forward", data)], 3_000, 9)
    course.take([Entry("alarm", "flood_began", "", "", {**data, "alarm": ""})], 4_000, 10)
    assert [(o.came_ms, o.went_ms, o.utc_ms) for o in course.occurrences] == [(1_000, 2_000, 5), (2_000, 3_000, 7)]


def test_torque_reaches_a_limit_once_until_it_is_well_below() -> None:
    """Noise about the limit is one time; what is not known leaves it as it was."""
    crossings = Crossings()
    for at, torque_nm in enumerate((10.0, 100.0, 99.5, 100.1, None, 99.0, 97.9, 99.9, 100.0, 50.0)):
        crossings.take("D/forward alarm point", torque_nm, 100.0, at, at)
    assert [(o.came_ms, o.went_ms) for o in crossings.occurrences] == [(1, 6), (8, 9)]


times = st.lists(st.tuples(st.integers(0, 600), st.integers(0, 90), st.sampled_from("ab")), max_size=12)


def course_of(times: list[tuple[int, int, str]]) -> list[Occurrence]:
    """Occurrences of two alarms that do not overlap themselves."""
    found: list[Occurrence] = []
    ends = {"a": -1, "b": -1}
    for came, length, alarm in sorted(times):
        if came > ends[alarm]:
            found.append(occurrence(came, came + length, alarm))
            ends[alarm] = came + length
    return found


@given(times)
def test_same_course_pairs_whole(some: list[tuple[int, int, str]]) -> None:
    """Whatever came, beside itself it is all the same."""
    course = course_of(some)
    assert sorted((p.was, p.now) for p in paired(course, course)) == sorted((o, o) for o in course)


@given(times, times)
def test_pairs_keep_every_occurrence_once_and_in_order(
    some: list[tuple[int, int, str]], others: list[tuple[int, int, str]]
) -> None:
    """Nothing is lost or doubled; what is paired belongs together; turned round it counts the same."""
    was, now = course_of(some), course_of(others)
    pairs = paired(was, now)
    assert sorted(p.was for p in pairs if p.was is not None) == sorted(was)
    assert sorted(p.now for p in pairs if p.now is not None) == sorted(now)
    for alarm in "ab":
        both = [(p.was, p.now) for p in pairs if p.was is not None and p.now is not None and p.alarm == alarm]
        assert [b.came_ms for _, b in both] == sorted(b.came_ms for _, b in both)
        assert all(a.alarm == b.alarm for a, b in both)
        for a, b in both:
            first, second = sorted((a, b), key=lambda o: o.came_ms)
            assert second.came_ms - first.came_ms <= NEAR_MS or (first.went_ms or 0) > second.came_ms
    turned = paired(now, was)
    assert sorted(map(str, ((p.was, p.now) for p in pairs))) == sorted(map(str, ((p.now, p.was) for p in turned)))
