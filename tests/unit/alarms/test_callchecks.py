"""Test calls: each person on their own, at the site's times and at shift start; a dead way is told to the next."""

from __future__ import annotations

import pytest
from pydantic import TypeAdapter

from nightrake.alarms.callchecks import CallChecks, after_restart, on_call_answered, on_tick
from nightrake.alarms.rota import CheckTimes, Rota
from nightrake.domain.rows import Entry
from unit.alarms.rotas import LONDON, MINUTE, OPERATORS, SECOND, URGENT, local, rota

WEDNESDAY = CheckTimes(days=(2,), at_s=36_000, zone=LONDON, answer_ns=15 * MINUTE)
SHIFTS = OPERATORS._replace(check_at_shift_start=True)


class Site:
    """Checks with two clocks; the watch ticks every second."""

    def __init__(self, crew: Rota, at: str) -> None:
        self.crew = crew
        self.state = CallChecks()
        self.now_ns = 100 * SECOND
        self.utc_ms = local(at) * 1000
        self.tick()

    def tick(self) -> list[tuple[str, object]]:
        self.state, told = on_tick(self.state, self.crew, self.now_ns, self.utc_ms)
        return [_short(e) for e in told]

    def after(self, seconds: int, step_s: int = 1) -> list[tuple[str, object]]:
        news = []
        for _ in range(0, seconds, step_s):
            self.now_ns += step_s * SECOND
            self.utc_ms += step_s * 1000
            news += self.tick()
        return news

    def answer(self, person: str) -> bool:
        self.state, told, answer = on_call_answered(self.state, person, self.now_ns)
        assert bool(told) is answer.ok
        return answer.ok


def _short(entry: Entry) -> tuple[str, object]:
    return (entry.event, entry.data.get("person") or entry.data["people"])


def test_every_step_is_called_once_at_the_sites_time() -> None:
    """On Wednesday at ten: the steps' people on duty, each once; nobody is called for the step 'everybody'."""
    site = Site(rota(checks=WEDNESDAY), "2026-06-03 09:59:30")

    assert site.after(29) == []
    assert site.after(31) == [("check_called", ["day1", "eng1", "super1"])]
    assert all(site.answer(p) for p in ("day1", "eng1", "super1"))
    assert site.after(86_000, 60) == []


@pytest.mark.parametrize("at", ["2026-06-02 09:59:30", "2026-06-03 10:00:00", "2026-06-03 08:00:00"])
def test_no_test_call_at_another_time(at: str) -> None:
    """Another day, just after, or hours before."""
    assert Site(rota(checks=WEDNESDAY), at).after(60) == []


def test_unanswered_call_is_told_to_the_next_person() -> None:
    """The one of the next step; who answered is not blamed."""
    site = Site(rota(checks=WEDNESDAY), "2026-06-03 09:59:59")
    site.after(1)
    site.answer("eng1")
    site.answer("super1")
    site.state, told = on_tick(site.state, site.crew, site.now_ns + 15 * MINUTE, site.utc_ms + 900_000)

    assert [(e.event, e.data) for e in told] == [
        ("check_unanswered", {"person": "day1", "why": "check time", "people": ["eng1"]})
    ]
    assert not site.state.open


def test_dead_are_not_told_of_the_dead() -> None:
    """Two who do not answer: the first one alive is told of both; if nobody is, all the others are."""
    site = Site(rota(checks=WEDNESDAY), "2026-06-03 09:59:59")
    site.after(1)
    site.answer("super1")
    _, told = on_tick(site.state, site.crew, site.now_ns + 15 * MINUTE, site.utc_ms + 900_000)
    alone = rota(checks=WEDNESDAY)
    alone = alone._replace(people={p: alone.people[p] for p in ("day1", "eng1")})
    site = Site(alone, "2026-06-03 09:59:59")
    site.after(1)
    _, of_all = on_tick(site.state, site.crew, site.now_ns + 15 * MINUTE, site.utc_ms + 900_000)

    assert [(e.data["person"], e.data["people"]) for e in told] == [("day1", ["super1"]), ("eng1", ["super1"])]
    assert [(e.data["person"], e.data["people"]) for e in of_all] == [("day1", ["eng1"]), ("eng1", ["day1"])]


def test_who_comes_on_duty_is_called() -> None:
    """At each start of a shift, and only then; the team without it is left alone."""
    site = Site(rota(teams=(SHIFTS,)), "2026-06-02 17:30:00")

    news = site.after(24 * 3600, 10)

    calls = [n for n in news if n[0] == "check_called"]
    assert calls == [("check_called", ["night1"]), ("check_called", ["day1"])]


@pytest.mark.parametrize(("date", "starts"), [("2026-03-28", 2), ("2026-10-24", 2)])
def test_each_shift_start_comes_once_in_the_nights_of_the_change(date: str, starts: int) -> None:
    """23 and 25 hours make neither none nor two."""
    site = Site(rota(teams=(SHIFTS,)), f"{date} 12:00:00")
    calls = [n for n in site.after(22 * 3600, 10) if n[0] == "check_called"]

    assert len(calls) == starts


def test_clock_set_back_calls_nobody_a_second_time() -> None:
    """The hour before the shift comes twice; its start does not."""
    site = Site(rota(teams=(SHIFTS,)), "2026-06-02 17:59:00")
    assert len(site.after(120)) == 1
    site.answer("night1")
    site.utc_ms -= 3_600_000

    assert site.after(3_700, 10) == []


def test_clock_that_was_years_ahead_does_not_silence_for_years() -> None:
    """After more than a day back it starts from the new time."""
    site = Site(rota(teams=(SHIFTS,)), "2036-06-02 12:00:00")
    site.utc_ms = local("2026-06-02 17:59:00") * 1000

    assert site.after(120) == [("check_called", ["night1"])]


def test_service_that_was_away_for_hours_calls_nobody_late() -> None:
    """The shift that began five minutes ago is checked, the one of this morning is not."""
    site = Site(rota(teams=(SHIFTS,)), "2026-06-02 03:00:00")
    kept = TypeAdapter(CallChecks)
    site.state = kept.validate_json(kept.dump_json(site.state))

    assert site.after(15 * 3600 + 300, 15 * 3600 + 300) == [("check_called", ["night1"])]


def test_open_check_is_not_doubled() -> None:
    """A second one while the first waits would need two answers."""
    site = Site(rota(checks=WEDNESDAY._replace(at_s=64_800), teams=(SHIFTS,)), "2026-06-03 17:59:59")
    called = [n[1] for n in site.after(1)]

    assert called == [["night1", "super1"]]
    assert site.answer("night1")
    assert not site.answer("night1")


@pytest.mark.parametrize(("away_min", "left_min"), [(0, 15), (10, 5), (600, 0), (-60, 15)])
def test_start_of_the_machine_keeps_what_is_left_of_the_wait(away_min: int, left_min: int) -> None:
    """By UTC, never longer than the whole."""
    site = Site(rota(checks=WEDNESDAY, urgent=URGENT), "2026-06-03 09:59:59")
    site.after(1)
    utc_ms = site.utc_ms + away_min * 60_000
    state = after_restart(site.state, 7 * SECOND, utc_ms, same_boot=False)
    assert after_restart(site.state, 7 * SECOND, utc_ms, same_boot=True) == site.state

    dues = {c.due_ns - 7 * SECOND for c in state.open.values()}
    assert dues == {max(1, left_min * MINUTE)}
