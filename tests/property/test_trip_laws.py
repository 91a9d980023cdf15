"""Laws of trip records: whatever comes in whatever order, each trip is in one record, however often rows are read."""

from __future__ import annotations

from collections import Counter

from hypothesis import given
from hypothesis import strategies as st

from nightrake.domain.rows import Row
from nightrake.history.trips import Rules, between_ms
from triprows import MINUTE_MS, UTC_MS, Follower, alarm, at, row

RULES = Rules(most_ms=200 * MINUTE_MS, least_ms=10 * MINUTE_MS)
DRIVES = ("PC1", "PC2")
happenings = st.lists(
    st.tuples(
        st.sampled_from(
            ("alarm", "alarm over", "shutdown", "shutdown over", "opened", "released", "cancelled", "look")
        ),
        st.sampled_from(DRIVES),
        st.sampled_from((0, 1, 3, 9, 11, 70, 190, 210)),
    ),
    max_size=40,
)


def rows_of(given_: list[tuple[str, str, int]]) -> tuple[list[Row], list[float]]:
    """Rows as the watch would tell them, one each, and when somebody looks."""
    rows: list[Row] = []
    looks, minutes = list[float](), 0.0
    numbers: Counter[tuple[str, str]] = Counter()
    for what, drive, wait in given_:
        minutes += wait
        seq = len(rows) + 1
        if what in ("alarm", "shutdown"):
            numbers[drive, what] += 1
            rows.append(alarm(seq, minutes, what, numbers[drive, what], drive=drive))
        elif what.endswith(" over"):
            stage = what.partition(" ")[0]
            if numbers[drive, stage]:
                rows.append(alarm(seq, minutes, stage, numbers[drive, stage], "reset", "normal", drive=drive))
        elif what == "look":
            looks.append(minutes)
        else:
            rows.append(row(seq, minutes, "lockout", what, drive))
    return rows, looks


def play(rows: list[Row], looks: list[float], again: int) -> Follower:
    """Follow the rows; at each look records end, and the last rows are read once more, as after a kill."""
    follower = Follower(RULES)
    done = 0
    for minutes in [*looks, 10.0**6]:
        until_ms = UTC_MS + minutes * MINUTE_MS
        new = [one for one in rows[done:] if one.utc_ms <= until_ms]
        follower.take(rows[max(0, done - again) : done])
        follower.take(new)
        follower.take(rows[max(0, done + len(new) - again) : done + len(new)])
        done += len(new)
        follower.look(at(minutes))
    return follower


@given(happenings, st.integers(0, 5))
def test_each_occurrence_is_in_one_record(given_: list[tuple[str, str, int]], again: int) -> None:
    """None is missing or there twice; a shutdown is alone in its record; none is too short or too long."""
    rows, looks = rows_of(given_)
    follower = play(rows, looks, again)
    assert follower.open == {}
    found = Counter(key for trip, _, _ in follower.ended.values() for key in set(trip.keys()))
    begun = [one for one in rows if one.event == "raised"]
    assert set(found.values()) <= {1}
    assert len(found) == len(begun)
    for trip, after, _ in follower.ended.values():
        assert trip.stage == "alarm" or len(trip.occurrences) == 1
        assert RULES.least_ms <= after <= RULES.most_ms


@given(happenings, st.integers(0, 5))
def test_when_the_worker_looks_changes_no_record(given_: list[tuple[str, str, int]], again: int) -> None:
    """One that looks all the time, and one that was away until the end, make the same records."""
    rows, looks = rows_of(given_)
    live = play(rows, sorted({(one.utc_ms - UTC_MS) / MINUTE_MS for one in rows} | set(looks)), again)
    away = play(rows, [], 0)
    assert live.ended.keys() == away.ended.keys()
    for name, (trip, after, why) in live.ended.items():
        assert away.ended[name][1:] == (after, why)
        assert away.ended[name][0].occurrences == trip.occurrences


@given(happenings)
def test_lockout_decides_where_there_is_one(given_: list[tuple[str, str, int]]) -> None:
    """A shutdown's record ends with the first release after its lockout was opened, if within its longest time."""
    rows, _ = rows_of(given_)
    for trip, after, why in play(rows, [], 0).ended.values():
        mine = [r for r in rows if r.drive == trip.drive and r.seq >= trip.row and r.kind == "lockout"]
        within = [r for r in mine if between_ms(trip.at, at((r.utc_ms - UTC_MS) / MINUTE_MS)) < RULES.most_ms]
        if trip.stage == "shutdown" and why.startswith("the lockout"):
            opened = next(i for i, r in enumerate(within) if r.event == "opened")
            ends = next(r for r in within[opened:] if r.event != "opened")
            assert after == max(RULES.least_ms, ends.utc_ms - trip.at.utc_ms)
