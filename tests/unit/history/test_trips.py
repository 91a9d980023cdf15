"""Which rows begin a trip record, what ends it, and how long it is."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from nightrake.history.trips import RULES, Rules, after_ms, before_ms, inside, is_due, take
from triprows import MINUTE_MS, Follower, alarm, at, row


def following(*rows: object) -> Follower:
    """After some rows."""
    follower = Follower()
    follower.take(rows)  # type: ignore[arg-type]
    return follower


def test_lockout_holds_a_shutdown_open_until_released() -> None:
    """Not the contact's release, nor the reset; a cancelled lockout ends it too, and says so."""
    shut = [
        alarm(5, 0, "shutdown", 3),
        row(6, 0, "lockout", "opened"),
        alarm(7, 20, "shutdown", 3, "reset", "normal"),
    ]
    follower = following(*shut)
    follower.look(at(600))
    assert list(follower.open) == ["PC1-forward-shutdown-3-e1"]
    follower.take([row(8, 700, "lockout", "released")])
    follower.look(at(700))
    (ended,) = follower.ended.values()
    assert ended[1:] == (700 * MINUTE_MS, "the lockout was released")
    cancelled = following(*shut, row(8, 50, "lockout", "cancelled"))
    cancelled.look(at(50))
    assert [one[2] for one in cancelled.ended.values()] == ["the lockout was cancelled"]


def test_without_a_lockout_the_alarm_s_end_counts() -> None:
    """A site where nobody could release one; and never less than ten minutes after."""
    follower = following(alarm(5, 0, "shutdown", 1), alarm(6, 2, "shutdown", 1, "reset", "normal"))
    follower.look(at(9.9))
    assert follower.ended == {}
    follower.look(at(30))
    assert [one[1:] for one in follower.ended.values()] == [(10 * MINUTE_MS, "the alarm was over")]


def test_lockouts_of_others_and_before_the_trip_say_nothing() -> None:
    """Another drive's release, and one that came before."""
    follower = following(
        row(3, -5, "lockout", "released"),
        alarm(5, 0, "shutdown", 1),
        row(6, 0, "lockout", "opened"),
        row(7, 30, "lockout", "released", "PC2"),
        row(8, 31, "lockout", "cause"),
    )
    follower.look(at(120))
    assert follower.ended == {}


def test_no_record_is_longer_than_a_day() -> None:
    """Also where its release came later, and the worker was away meanwhile."""
    shut = (alarm(5, 0, "shutdown", 1), row(6, 0, "lockout", "opened"))
    late = following(*shut, row(7, 1_500, "lockout", "released"))
    late.look(at(1_600))
    assert [one[1:] for one in late.ended.values()] == [(RULES.most_ms, "that is as long as a record may be")]
    away = following(*shut, alarm(7, 1_441, "shutdown", 2, "raised_again"), row(8, 1_441, "lockout", "shutdown_again"))
    away.look(at(1_450))
    assert [t.occurrences for t in away.open.values()] == [(2,)]


def test_alarm_goes_on_in_its_open_record_only() -> None:
    """Within ten minutes it is the same record; after that it is another, whenever the worker looks."""
    rows = [
        alarm(1, 0, "alarm", 1),
        alarm(2, 1, "alarm", 1, "cleared", "normal"),
        alarm(3, 8, "alarm", 2),
        alarm(4, 9, "alarm", 2, "cleared", "normal"),
        alarm(5, 30, "alarm", 3),
    ]
    late = following(*rows)
    assert [t.occurrences for t in late.open.values()] == [(1, 2), (3,)]
    live = Follower()
    for one in rows:
        live.look(at((one.utc_ms - rows[0].utc_ms) / MINUTE_MS))
        live.take([one])
    assert [t.occurrences for t, _, _ in live.ended.values()] == [(1, 2)]
    assert [t.occurrences for t in live.open.values()] == [(3,)]


@pytest.mark.parametrize(
    "one",
    [
        alarm(1, 0, "torque", 1),
        alarm(1, 0, "shutdown", 1, "acknowledged"),
        alarm(1, 0, "shutdown", 1, "worsened"),
        row(1, 0, "drive", "shutdown_operated", alarm="PC1/forward/shutdown_contact", occurrence=1),
        row(1, 0, "alarm", "raised", alarm="PC1/forward/shutdown_contact", occurrence="1"),
        row(1, 0, "alarm", "raised", alarm=7, occurrence=1),
        row(1, 0, "alarm", "raised", "PC2", alarm="PC1/forward/shutdown_contact", occurrence=1),
        row(1, 0, "alarm", "raised", alarm="PC1/forward/shutdown_contact/../../x", occurrence=1),
        row(1, 0, "alarm", "raised")._replace(payload=b"[1"),
        row(1, 0, "alarm", "raised", "..", alarm="../forward/shutdown_contact", occurrence=1),
        row(1, 0, "alarm", "raised", alarm="PC1/sideways/shutdown_contact", occurrence=1),
    ],
    ids=lambda one: f"{one.kind} {one.event} {one.payload[:60]!r}",
)
def test_other_rows_begin_nothing(one: object) -> None:
    """Other alarms and transitions, and rows that were damaged or tampered with."""
    assert take(one, (), ()) == []  # type: ignore[arg-type]


def test_begin_is_an_hour_or_two_turns_before() -> None:
    """The longer of both, a day at most; an unknown turn counts nothing."""
    turns = {0: 60, 20: 60, 45: 90, 100_000: 1_440}
    found = {turn: before_ms(RULES, turn * 60 * 10**9) // MINUTE_MS for turn in turns}
    assert found == turns


def test_record_grows_ever_more_seldom() -> None:
    """At once, then when its time has doubled, but at least each half hour; and when it ends."""
    (trip,) = take(alarm(5, 0, "shutdown", 1), (), ())
    covered, moments = at(0), []
    assert is_due(trip, None, at(0))
    for second in range(0, 4 * 3_600, 5):
        if is_due(trip, covered, at(second / 60)):
            covered = at(second / 60)
            moments.append(second / 60)
    assert moments[:6] == [1, 2, 4, 8, 16, 32]
    assert all(b - a == 30 for a, b in pairwise(moments[6:]))
    short = Rules(most_ms=5 * MINUTE_MS)
    assert is_due(trip, at(4.9), at(5), short)
    assert after_ms(trip, at(4.9), short) is None


def test_time_is_the_machine_s_own_within_one_start() -> None:
    """UTC set ten years ahead moves nothing; readings of another start of the machine go by UTC."""
    (trip,) = take(alarm(5, 0, "shutdown", 1), (), ())
    mono_ns = np.array([-61, -60, 0, 5, 6]) * 60 * 10**9 + trip.at.mono_ns
    utc_ms = np.array([-61, -60, 0, 5, 6]) * MINUTE_MS + trip.at.utc_ms
    ahead_ms = utc_ms + 10 * 365 * 86_400_000
    expected = [False, True, True, True, False]
    assert inside(trip, "boot", mono_ns, ahead_ms, 3_600_000, 300_000).tolist() == expected
    assert inside(trip, "other", mono_ns * 0, utc_ms, 3_600_000, 300_000).tolist() == expected
    assert inside(trip, "boot", mono_ns, utc_ms, 3_600_000, None).tolist() == [False, True, True, True, True]
    ends = at(30)._replace(utc_ms=0)
    assert after_ms(trip, ends, Rules(most_ms=29 * MINUTE_MS)) is not None
