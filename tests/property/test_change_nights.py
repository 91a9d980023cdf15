"""The nights in which the clocks change, walked from evening to morning: calls come by the time that has passed, people
are on duty by the clock on the wall, and the hour that is there twice, or not at all, neither doubles nor drops a call.

What the wall shows is asked of the standard library; the rest of the laws are written down here on their own. When
clocks change: in London 2026-03-29 and 2026-10-25 (see tests/unit/alarms/test_rota.py), in St. John's on the second
Sunday of March and the first of November (Newfoundland and Labrador, Standard Time Act), by the time zone database.
"""

from __future__ import annotations

from datetime import date, datetime
from functools import cache
from itertools import pairwise
from typing import NamedTuple
from zoneinfo import ZoneInfo

import pytest

from callnights import MINUTE, TWO, Night
from nightrake.alarms.lockout import LockoutRules
from nightrake.alarms.response import Response
from nightrake.alarms.rota import Chain, CheckTimes, Person, Rota, Shift, Step, Team
from nightrake.domain.inputs import Input, LinkHealth
from nightrake.domain.rows import Entry
from nightrake.domain.state import Outcome, new_site
from nightrake.settings.zones import zone_table
from works import SECOND

EVERY_DAY = (0, 1, 2, 3, 4, 5, 6)
EACH_S = 30.0
"""A scan and a tick so often; nothing may be later than that."""
HOUR = 3_600
SHUTDOWN, OTHER = "D/forward/shutdown_contact", "E/forward/shutdown_contact"
CHANGE = 1.5
"""Hour on the wall of a handover and of the daily test call: it is there twice in autumn, and not at all in spring."""
PEOPLE = ("day1", "late1", "early1", "super1", "eng1")
WAITS_S = (300, 600, 900)
REMIND_S = 120
RESPOND_S = 3_600


Shifts = tuple[tuple[str, float, float], ...]
"""Person, from, to: hours on the wall."""


class Change(NamedTuple):
    """A night: zone, date of its evening, how many hours it has from 18:00 to 06:00."""

    zone: str
    evening: str
    hours: int

    def __str__(self) -> str:
        return f"{self.zone} {self.evening}"


NIGHTS = (
    Change("Europe/London", "2026-03-28", 11),
    Change("Europe/London", "2026-10-24", 13),
    Change("America/St_Johns", "2026-03-07", 11),
    Change("America/St_Johns", "2026-10-31", 13),
)


def wall_s(change: Change, text: str, days: int = 0) -> int:
    """UTC seconds of a time on the wall of the evening, or a day after, by the standard library; of two the first."""
    hour, minute = map(int, text.split(":"))
    return _end(change, hour + minute / 60, days)


def response_of(change: Change, shifts: Shifts) -> Response:
    """A site whose operators have these shifts (person, from, to on the wall), with test calls."""
    zone = zone_table(change.zone, date(2026, 6, 1))
    assert zone is not None
    made = tuple(Shift(p, (p,), EVERY_DAY, int(a * HOUR), int(b * HOUR), zone) for p, a, b in shifts)
    chain = Chain(
        (
            Step(teams=("ops",), wait_ns=WAITS_S[0] * SECOND, remind_ns=REMIND_S * SECOND),
            Step(people=("super1",), wait_ns=WAITS_S[1] * SECOND),
            Step(everybody=True, wait_ns=WAITS_S[2] * SECOND, checked=False),
        )
    )
    rota = Rota(
        people={p: Person(p, p, "operator") for p in PEOPLE},
        teams={"ops": Team("ops", "Operators", (), made, check_at_shift_start=True)},
        chains={"urgent": chain},
        checks=CheckTimes(EVERY_DAY, int(CHANGE * HOUR), zone, 15 * MINUTE),
        zone=zone,
    )
    return Response("Works", rota=rota, lockout=LockoutRules(after_shutdown=False))


ONE_NIGHT: Shifts = (("day1", 6, 18), ("late1", 18, 6))
HANDOVER: Shifts = (("day1", 6, 18), ("late1", 18, CHANGE), ("early1", CHANGE, 6))


class Walk(Night):
    """One night, from the evening to 06:30; who is given a test call answers it.

    Attributes:
        seen: (UTC seconds, row), in order.
    """

    def __init__(self, change: Change, shifts: Shifts, begin: str = "17:00") -> None:
        self.seen: list[tuple[int, Entry]] = []
        super().__init__(response_of(change, shifts))
        self.change = change
        self.utc_begin_ms = wall_s(change, begin) * 1000 - self.now_ns // 1_000_000
        self.state = new_site(TWO, self.response)
        self.seen.clear()
        self.run(60, EACH_S)

    def give(self, given: Input) -> Outcome:
        """One input."""
        outcome = super().give(given)
        self.seen += [(given.utc_ms // 1000, entry) for entry in outcome.entries]
        return outcome

    def go(self, until_s: int) -> None:
        """Scans and ticks up to a moment."""
        while self.utc_ms < until_s * 1000:
            self.run(EACH_S, EACH_S)
            rows = tuple(self.entries)
            self.entries.clear()
            for entry in rows:
                if entry.event == "check_called":
                    for person in entry.data["people"]:
                        assert self.ask("answer", "", actor=person, role="operator")[0]

    def morning(self) -> None:
        """To its end."""
        self.go(wall_s(self.change, "06:30", 1))

    def calls_of(self, alarm: str, *events: str) -> list[tuple[int, Entry]]:
        """When rows about calls of an alarm came."""
        return [(s, e) for s, e in self.seen if e.event in events and e.data.get("alarm") == alarm]

    def tests(self, why: str) -> list[tuple[str, int]]:
        """Whom a test call went to, and when, by what it was for."""
        found = [(s, e) for s, e in self.seen if e.event == "check_called" and e.data["why"] == why]
        return [(person, s) for s, e in found for person in e.data["people"]]


@cache
def whole(change: Change, shifts: Shifts) -> Walk:
    """A night whose first hour brings a shutdown that nobody answers."""
    walk = Walk(change, shifts)
    walk.trip()
    walk.morning()
    return walk


def on_duty(change: Change, shifts: Shifts, utc_s: int) -> set[str]:
    """Who is, by the ends of the shifts as the standard library has them."""
    found = set()
    for person, begins, ends in shifts:
        for day in (-1, 0, 1):
            last = day + (ends <= begins)
            if _end(change, begins, day) <= utc_s < _end(change, ends, last):
                found.add(person)
    return found


def _end(change: Change, hour: float, days: int) -> int:
    day = datetime.fromisoformat(change.evening).toordinal() + days
    at = datetime.fromordinal(day).replace(hour=int(hour), minute=int(hour % 1 * 60), tzinfo=ZoneInfo(change.zone))
    return int(at.timestamp())


def named(value: Change | Shifts) -> str:
    """In a test's id."""
    return str(value) if isinstance(value, Change) else "handover" if value is HANDOVER else "overnight"


nights = pytest.mark.parametrize("change", NIGHTS, ids=str)
turns = pytest.mark.parametrize(
    ("change", "shifts"), [*((c, HANDOVER) for c in NIGHTS), *((c, ONE_NIGHT) for c in NIGHTS[:2])], ids=named
)


@turns
def test_somebody_is_called_by_the_time_that_has_passed(change: Change, shifts: Shifts) -> None:
    """Nobody answers all night: each step comes when the one before has waited, and calls who is on duty just then."""
    walk = whole(change, shifts)
    called = walk.calls_of(SHUTDOWN, "called")
    reminded = walk.calls_of(SHUTDOWN, "reminded")

    assert wall_s(change, "06:00", 1) - wall_s(change, "18:00") == change.hours * HOUR
    assert len(called) > 3 * change.hours * HOUR // sum(WAITS_S)
    for (before_s, before), (at_s, entry) in pairwise(called):
        assert before.data["step"] % len(WAITS_S) + 1 == entry.data["step"]
        assert 0 <= at_s - before_s - WAITS_S[before.data["step"] - 1] <= EACH_S
    for at_s, entry in (*called, *reminded):
        if entry.data["step"] == 1:
            assert set(entry.data["people"]) == on_duty(change, shifts, at_s)
    firsts = [at_s for at_s, entry in called if entry.data["step"] == 1]
    in_time = [[s for s, _ in reminded if first <= s < first + WAITS_S[0]] for first in firsts[:-1]]
    assert {len(found) for found in in_time} == {2}


@turns
def test_each_test_call_comes_once(change: Change, shifts: Shifts) -> None:
    """At the start of each shift and at the time of day, though that is there twice or not at all."""
    walk = whole(change, shifts)
    starts = {p: [s for one, s in walk.tests("shift start") if one == p] for p, _, _ in shifts}
    due = {"day1": _end(change, 6, 1), "late1": _end(change, 18, 0), "early1": _end(change, CHANGE, 1)}
    at_time = walk.tests("check time")
    handed_over = len(shifts) > 2

    for person, found in starts.items():
        want = [] if person == "early1" else [due[person]]  # who is tried at the time of day is not tried twice
        assert [round((s - due[person]) // (EACH_S + 1)) for s in found] == [0] * len(want), person
    assert sorted(p for p, _ in at_time) == sorted(["early1" if handed_over else "late1", "super1"])
    assert all(0 <= s - _end(change, CHANGE, 1) <= EACH_S for _, s in at_time)
    assert not [e for _, e in walk.seen if e.event == "check_unanswered"]


@nights
def test_time_to_respond_is_the_time_that_has_passed(change: Change) -> None:
    """Answered half an hour before the change: it calls again an hour later, whatever the wall shows then."""
    walk = Walk(change, ONE_NIGHT, "23:30")
    walk.go(_end(change, CHANGE, 1) - HOUR)
    walk.trip("E")
    assert walk.answer(OTHER, who="late1")
    answered_s = walk.utc_ms // 1000
    walk.go(answered_s + RESPOND_S + 600)
    first_s, first = walk.calls_of(OTHER, "called")[1]

    assert (first.data["why"], first.data["people"]) == ("still active", ["late1"])
    assert 0 <= first_s - answered_s - RESPOND_S <= 2 * EACH_S


@nights
def test_restart_over_the_change_doubles_and_drops_nothing(change: Change) -> None:
    """Ten minutes without a watch, over the handover itself: the next call comes in time, each test call once."""
    walk = Walk(change, HANDOVER, "23:30")
    walk.trip()
    walk.go(_end(change, CHANGE, 1) - 300)
    before_s = walk.calls_of(SHUTDOWN, "called", "reminded")[-1][0]
    assert walk.restart(same_boot=change.zone == "Europe/London", away_s=600.0) == []
    back_s = walk.utc_ms // 1000
    walk.morning()
    called = [s for s, _ in walk.calls_of(SHUTDOWN, "called", "reminded") if s >= back_s]
    tried = [p for why in ("shift start", "check time") for p, s in walk.tests(why) if s >= back_s - 1]

    assert 0 <= called[0] - max(back_s, before_s) <= WAITS_S[2] + EACH_S
    assert all(b - a <= WAITS_S[2] + EACH_S for a, b in pairwise(called))
    assert sorted(tried) == ["day1", "early1", "super1"]


@nights
def test_nobody_to_call_and_a_silent_plc_stand_over_the_change(change: Change) -> None:
    """The last people leave the settings before it and come back after it; a PLC that was silent all the time calls."""
    walk = Walk(change, ONE_NIGHT, "23:30")
    with_people = walk.response
    walk.go(_end(change, CHANGE, 1) - 1_200)
    walk.give(LinkHealth(walk.now_ns, walk.utc_ms, "plc:P", False, "no reply"))
    silent_from = len(walk.seen)
    for _ in range(8):
        walk.tick(10_000)
    walk.reload(with_people._replace(rota=Rota()))
    for _ in range(200):
        walk.tick(10_000)
    walk.restart(same_boot=False, away_s=30.0)
    walk.reload(with_people)
    for _ in range(200):
        walk.tick(10_000)
    rows = [e for _, e in walk.seen[silent_from:] if e.kind == "alarm"]
    left = [e.event for e in rows if e.data["alarm"] == "site/-/nobody_to_call"]
    silent = [e.event for e in rows if e.data["alarm"] == "plc:P/-/plc_silent"]

    assert left == ["raised", "cleared"]
    assert silent == ["raised"]
