"""Who is on duty: nights over midnight, the nights in which the clocks change, exceptions by date, gaps.

When clocks change: last Sunday of March and of October at 01:00 UTC (directive 2000/84/EC; in the United Kingdom the
Summer Time Order 2002): 2026-03-29 and 2026-10-25.
"""

from __future__ import annotations

import pytest

from nightrake.alarms.rota import (
    EVERYBODY,
    Chain,
    Duty,
    ShiftException,
    Step,
    Team,
    chain_of,
    chain_uncovered,
    duties,
    on_duty,
    uncovered,
    whom,
)
from nightrake.alarms.zones import UTC_ZONE, instant, wall_text
from unit.alarms.rotas import ENGINEERS, LONDON, OPERATORS, SUPERVISORS, day, local, rota, shift, utc

HOUR = 3600


def night(team: Team, evening: str) -> Duty:
    """The turn of the night shift that begins on an evening."""
    (turn,) = [d for d in duties(team, local(f"{evening} 20:00"), local(f"{evening} 20:00") + 1) if d.shift == "night"]
    return turn


@pytest.mark.parametrize(("evening", "hours"), [("2026-03-28", 11), ("2026-10-24", 13), ("2026-06-01", 12)])
def test_night_shift_is_as_long_as_its_night(evening: str, hours: int) -> None:
    """18:00 to 06:00 on the wall is an hour shorter in March and an hour longer in October."""
    turn = night(OPERATORS, evening)

    assert turn.to_utc_s - turn.from_utc_s == hours * HOUR


@pytest.mark.parametrize(("date", "hours"), [("2026-03-29", 23), ("2026-10-25", 25), ("2026-10-26", 24)])
def test_shift_of_a_whole_day_has_the_hours_of_that_day(date: str, hours: int) -> None:
    """From midnight to midnight is 23 or 25 hours when the clocks change."""
    team = Team("t", "T", (), (shift("day", 0, 0, "day1"),))
    (turn,) = duties(team, local(f"{date} 12:00"), local(f"{date} 12:00") + 1)

    assert (turn.from_utc_s, turn.to_utc_s - turn.from_utc_s) == (local(f"{date} 00:00"), hours * HOUR)


@pytest.mark.parametrize("date", ["2026-03-29", "2026-10-25"])
@pytest.mark.parametrize("begins_h", [0.5, 1.0, 1.5, 2.0, 2.5])
def test_handover_in_the_changed_hour_leaves_no_gap_and_no_doubling(date: str, begins_h: float) -> None:
    """At each second of the night exactly one of two shifts is on duty, wherever the handover lies."""
    team = Team("t", "T", (), (shift("a", 12, begins_h, "day1"), shift("b", begins_h, 12, "night1")))
    first, last = local(f"{date} 00:00") - 6 * HOUR, local(f"{date} 12:00")

    assert all(len(on_duty(team, at)) == 1 for at in range(first, last, 300))
    assert uncovered(team, first, last) == ()
    assert len(duties(team, first, last)) == 2


def test_time_that_occurs_twice_is_the_first_one() -> None:
    """01:30 of the October night: the British Summer Time one."""
    assert instant(LONDON, day("2026-10-25"), 5400) == utc("2026-10-25 00:30") == local("2026-10-25 01:30", fold=0)


def test_time_that_is_left_out_is_counted_on() -> None:
    """01:30 of the March night does not exist; it is 02:30 on the new clock."""
    assert instant(LONDON, day("2026-03-29"), 5400) == local("2026-03-29 02:30")


def test_handover_is_sharp() -> None:
    """The last second of one is followed by the first of the next."""
    at = local("2026-06-01 18:00")

    assert (on_duty(OPERATORS, at - 1), on_duty(OPERATORS, at)) == (("day1",), ("night1",))


def test_early_morning_belongs_to_the_night_before() -> None:
    """A night shift of Friday covers Saturday morning, though Saturday has none."""
    team = Team("t", "T", (), (shift("night", 22, 6, "night1", days=(4,)),))

    assert on_duty(team, local("2026-06-06 05:59")) == ("night1",)
    assert on_duty(team, local("2026-06-05 05:59")) == ()
    assert on_duty(team, local("2026-06-06 22:00")) == ()


def test_every_other_week() -> None:
    """Counted in whole weeks from Monday, from the week that holds the given day, backwards too."""
    one = shift("night", 22, 6, "night1", days=(0, 6))._replace(every_weeks=2, first_week=day("2026-06-03"))
    team = Team("t", "T", (), (one,))
    asked = ["2026-05-18", "2026-05-25", "2026-06-01", "2026-06-07", "2026-06-08", "2026-06-14", "2026-06-15"]

    assert [bool(on_duty(team, local(f"{d} 23:00"))) for d in asked] == [True, False, True, True, False, False, True]


def test_exception_changes_who_and_when() -> None:
    """It counts for the day on which the shift begins, to the end of that night."""
    other = ShiftException("night", day("2026-12-24"), day("2026-12-25"), ("eng1",), from_s=17 * HOUR)
    team = OPERATORS._replace(exceptions=(other,))

    assert on_duty(team, local("2026-12-24 05:00")) == ("night1",)
    assert on_duty(team, local("2026-12-24 17:30")) == ("day1", "eng1")
    assert on_duty(team, local("2026-12-26 05:59")) == ("eng1",)
    assert on_duty(team, local("2026-12-26 18:00")) == ("night1",)


def test_exception_without_people_leaves_the_shift_out() -> None:
    """It does not take place, and that is a gap."""
    team = OPERATORS._replace(exceptions=(ShiftException("day", day("2026-12-25"), day("2026-12-25"), ()),))
    gap = (local("2026-12-25 06:00"), local("2026-12-25 18:00"))

    assert uncovered(team, local("2026-12-20 00:00"), local("2026-12-30 00:00")) == (gap,)


def test_exception_can_add_a_shift_on_a_day_without_one() -> None:
    """A Saturday on which the office is manned."""
    team = ENGINEERS._replace(exceptions=(ShiftException("office", day("2026-06-06"), day("2026-06-06"), ("eng1",)),))

    assert on_duty(ENGINEERS, local("2026-06-06 10:00")) == ()
    assert on_duty(team, local("2026-06-06 10:00")) == ("eng1",)


def test_gaps_of_a_team_and_of_a_chain() -> None:
    """A team's gap is none of the chain while another step has somebody."""
    crew, first, last = rota(), local("2026-06-05 00:00"), local("2026-06-09 00:00")
    both = Chain((Step(teams=("engineers",)), Step(teams=("operators",))))

    assert uncovered(ENGINEERS, first, last)[1] == (local("2026-06-05 16:00"), local("2026-06-08 08:00"))
    assert chain_uncovered(crew, Chain((Step(teams=("engineers",)),)), first, last) == uncovered(ENGINEERS, first, last)
    assert chain_uncovered(crew, both, first, last) == ()
    assert uncovered(SUPERVISORS, first, last) == ()
    assert chain_uncovered(crew, EVERYBODY, first, last) == ()


def test_step_calls_people_and_teams_once_each() -> None:
    """Named people whether on duty or not; who stands in two teams is called once; strangers are left out."""
    step = Step(people=("eng1", "gone"), teams=("operators", "supervisors", "nosuch"))
    double = Team("supervisors", "S", ("super1", "night1"))

    assert whom(rota(teams=(double,)), step, local("2026-06-01 23:00")) == ("eng1", "night1", "super1")


def test_priority_without_steps() -> None:
    """What must reach somebody calls everybody; a low one calls nobody."""
    crew = rota()

    assert chain_of(crew, "high") is EVERYBODY
    assert chain_of(crew, "urgent") is crew.chains["urgent"]
    assert chain_of(crew, "low") is None
    assert chain_of(crew, "notice") is None


def test_wall_text() -> None:
    """As people at the site write a time."""
    assert wall_text(LONDON, utc("2026-06-30 23:12")) == "2026-07-01 00:12"
    assert wall_text(UTC_ZONE, utc("2026-06-30 23:12")) == "2026-06-30 23:12"
