"""Whom to call next: steps, reminders, acknowledgement and its time, worsening, nobody on duty, restarts."""

from __future__ import annotations

import pytest
from pydantic import TypeAdapter

from nightrake.alarms.calls import Escalations, Need, Standing
from nightrake.alarms.escalation import after_restart, on_acknowledge, on_tick, on_transition
from nightrake.alarms.rota import Chain, Rota, Step
from nightrake.domain.rows import Answer, Entry, canonical
from unit.alarms.rotas import MINUTE, SECOND, local, rota, standing

NIGHT = local("2026-06-02 02:00")  # Tuesday; the office is empty
BY = {"actor": "night1", "role": "operator", "known_by": "signature"}


class Calls:
    """A site's escalations with a clock that starts at night."""

    def __init__(self, crew: Rota | None = None, at_s: int = NIGHT) -> None:
        self.crew = crew or rota()
        self.state = Escalations()
        self.now_ns = 1_000 * SECOND
        self.utc_ms = at_s * 1000
        self.entries: list[Entry] = []

    def see(self, now: Standing) -> list[tuple[str, list[str]]]:
        self.state, told = on_transition(self.state, self.crew, now, self.now_ns, self.utc_ms)
        return self._news(told)

    def after(self, minutes: float) -> list[tuple[str, list[str]]]:
        """Pass time in steps of ten seconds; what was said meanwhile."""
        news = []
        for _ in range(round(minutes * 6)):
            self.now_ns += 10 * SECOND
            self.utc_ms += 10_000
            self.state, told = on_tick(self.state, self.crew, self.now_ns, self.utc_ms)
            news += self._news(told)
        return news

    def acknowledge(self, occurrence: int = 1, actor: str = "night1", alarm: str = standing().alarm) -> Answer:
        by = {**BY, "actor": actor}
        self.state, told, answer = on_acknowledge(
            self.state, self.crew, alarm, occurrence, by, self.now_ns, self.utc_ms
        )
        self._news(told)
        return answer

    def _news(self, told: tuple[Entry, ...]) -> list[tuple[str, list[str]]]:
        self.entries += told
        return [(e.event, e.data.get("people", [])) for e in told]


def test_chain_is_gone_through_until_somebody_answers() -> None:
    """Operator with reminders, nobody in the office (said), supervisor, everybody, and again from the first."""
    calls = Calls()
    everybody = ["day1", "night1", "super1", "eng1"]

    assert calls.see(standing()) == [("called", ["night1"])]
    assert calls.after(4.9) == [("reminded", ["night1"])] * 2
    assert calls.after(0.2) == [("nobody_on_duty", []), ("called", ["super1"])]
    assert calls.after(9.8) == []
    assert calls.after(0.2) == [("called", everybody)]
    assert calls.after(10) == [("called", ["night1"])]
    assert [(e.data["step"], e.data["round"]) for e in calls.entries if e.event == "called"] == [
        (1, 1),
        (3, 1),
        (4, 1),
        (1, 2),
    ]


def test_call_says_what_a_journal_needs() -> None:
    """Which alarm and occurrence, whom, why, who was told before; urgent goes first; plain JSON values."""
    calls = Calls()
    calls.see(standing())
    calls.after(5)
    entry = calls.entries[-1]

    assert (entry.kind, entry.drive, entry.direction, entry.urgent) == ("call", "PC1", "forward", True)
    assert entry.data == {
        "alarm": "PC1/forward/shutdown_contact",
        "occurrence": 1,
        "priority": "urgent",
        "people": ["super1"],
        "everybody": False,
        "step": 3,
        "steps": 4,
        "round": 1,
        "why": "nobody answered",
        "told_before": ["night1"],
    }
    assert all(canonical(e.data) for e in calls.entries)


def test_same_again_changes_nothing() -> None:
    """Facts are told over and over; only a change calls."""
    calls = Calls()
    calls.see(standing())
    before = calls.state

    assert calls.see(standing()) == []
    assert calls.state is before


def test_acknowledgement_holds_for_the_time_to_respond_then_it_calls_again() -> None:
    """An hour of silence, then the first step again; that needs an acknowledgement of its own."""
    calls = Calls()
    calls.see(standing())

    assert calls.acknowledge().ok
    assert calls.see(standing(Need.RESPOND)) == []
    assert calls.after(59.8) == []
    assert calls.after(0.4) == [("called", ["night1"])]
    assert calls.entries[-1].data["why"] == "still active"
    assert calls.after(5) == [("reminded", ["night1"])] * 2 + [("nobody_on_duty", []), ("called", ["super1"])]
    assert calls.acknowledge(actor="super1").ok
    assert calls.after(59) == []


def test_two_acknowledge_at_once() -> None:
    """One is accepted; the other is told by whom and when, on the wall of the site."""
    calls = Calls()
    calls.see(standing())

    first, second = calls.acknowledge(actor="night1"), calls.acknowledge(actor="super1")

    assert first == Answer(True, "PC1/forward/shutdown_contact: acknowledged; still active in 60 min, it calls again")
    assert second == Answer(
        False,
        "PC1/forward/shutdown_contact: not acknowledged: Night1 (night1) has acknowledged it already, at "
        "2026-06-02 02:00",
    )
    assert [(e.kind, e.event) for e in calls.entries[-2:]] == [("call", "calls_answered"), ("command", "refused")]


@pytest.mark.parametrize(
    ("alarm", "occurrence", "words"),
    [
        (standing().alarm, 2, "occurrence 2 is over and 3 stands now"),
        (standing().alarm, 4, "there is no occurrence 4 of it yet"),
        ("PC2/forward/shutdown_contact", 3, "no such alarm stands now"),
    ],
)
def test_acknowledgement_of_another_occurrence_silences_nothing(alarm: str, occurrence: int, words: str) -> None:
    """Refused with a plain reason, journalled, and the calls go on as they were."""
    calls = Calls()
    calls.see(standing(occurrence=3))
    before = calls.state

    answer = calls.acknowledge(occurrence, alarm=alarm)

    assert not answer.ok
    assert words in answer.text
    assert calls.state is before
    assert calls.entries[-1].data["reason"] in answer.text


def test_worse_than_before_calls_at_once_in_spite_of_an_acknowledgement() -> None:
    """And from the first step."""
    calls = Calls()
    calls.see(standing(priority="high"))
    calls.acknowledge()
    calls.see(standing(Need.RESPOND, priority="high"))

    assert calls.see(standing(Need.RESPOND, severity=1)) == [("called", ["night1"])]
    assert calls.entries[-1].data["why"] == "worse"
    assert calls.after(2) == [("reminded", ["night1"])]


def test_new_occurrence_after_an_acknowledged_one_begins_anew() -> None:
    """What was said of the last one does not count for this."""
    calls = Calls()
    calls.see(standing())
    calls.acknowledge()
    calls.see(standing(Need.REST))
    calls.after(1)

    assert calls.see(standing(occurrence=2)) == [("called", ["night1"])]
    assert calls.acknowledge(2).ok


def test_alarm_that_comes_and_goes_unanswered_still_reaches_the_next_person() -> None:
    """Each new occurrence calls the step at hand, but the wait for the next one goes on."""
    calls, told = Calls(), []
    for number in range(1, 8):
        told += calls.see(standing(occurrence=number))
        told += calls.after(0.5)
        told += calls.see(standing(Need.REST, occurrence=number))
        told += calls.after(0.5)

    assert ("called", ["super1"]) in told
    assert calls.entries[-1].data["told"][-1] == "super1"


def test_returned_alarm_calls_nobody_and_told_people_are_told() -> None:
    """Silence while it needs nobody; the end says who had been told."""
    calls = Calls()
    calls.see(standing())

    assert calls.see(standing(Need.REST)) == [("calls_stopped", [])]
    assert calls.after(60) == []
    assert calls.see(standing(Need.OVER)) == [("calls_ended", [])]
    assert calls.entries[-1].data["told"] == ["night1"]
    assert calls.state == Escalations()


def test_shelved_alarm_calls_when_its_shelf_ends() -> None:
    """Nobody had been called; the end of the shelf is the beginning of the calls."""
    calls = Calls()

    assert calls.see(standing(Need.REST, priority="high")) == []
    assert calls.after(30) == []
    assert calls.see(standing(priority="high")) == [("called", ["day1", "night1", "super1", "eng1"])]


def test_time_to_respond_that_ran_out_in_between_calls_at_once_when_it_is_active_again() -> None:
    """A contact that releases just when the time is over does not win another hour."""
    calls = Calls()
    calls.see(standing())
    calls.acknowledge()
    calls.after(50)
    calls.see(standing(Need.REST))
    calls.after(20)
    calls.see(standing(Need.RESPOND))

    assert calls.after(0.2) == [("called", ["night1"])]


def test_shift_change_in_the_middle_calls_who_is_on_duty_then() -> None:
    """At six the reminder goes to the day shift."""
    calls = Calls(at_s=local("2026-06-02 05:59"))
    calls.see(standing())

    assert calls.after(2) == [("reminded", ["day1"])]


def test_shift_without_anybody_in_the_middle_goes_on_at_once() -> None:
    """The reminder finds nobody, and the next step does not wait."""
    chain = Chain((Step(teams=("engineers",), wait_ns=30 * MINUTE, remind_ns=MINUTE), Step(teams=("supervisors",))))
    calls = Calls(rota(urgent=chain), at_s=local("2026-06-02 15:59"))
    calls.see(standing())

    assert calls.after(1) == [("nobody_on_duty", []), ("called", ["super1"])]


def test_nobody_on_duty_in_any_step_is_everybody() -> None:
    """And each step that was passed over is said once."""
    chain = Chain((Step(teams=("engineers",)), Step(teams=("engineers",))))
    calls = Calls(rota(urgent=chain))

    assert calls.see(standing()) == [
        ("nobody_on_duty", []),
        ("nobody_on_duty", []),
        ("called", ["day1", "night1", "super1", "eng1"]),
    ]
    assert calls.entries[-1].data["everybody"]
    assert len(calls.after(5)) == 3


def test_site_without_people_keeps_trying() -> None:
    """Nobody can be called, which is said each time; the next call stays due."""
    calls = Calls(Rota())

    assert calls.see(standing()) == [("nobody_on_duty", []), ("called", [])]
    assert len(calls.after(5)) == 2


def test_limited_rounds_end_for_a_low_priority_only() -> None:
    """Twice through the steps, then said; an urgent one goes on though the site had limited it."""
    chain = Chain((Step(teams=("operators",), wait_ns=MINUTE),), rounds=2)
    low, urgent = Calls(rota(low=chain)), Calls(rota(urgent=chain))
    low.see(standing(priority="low"))
    urgent.see(standing())

    assert low.after(10) == [("called", ["night1"]), ("chain_ended", [])]
    assert urgent.after(10) == [("called", ["night1"])] * 10
    assert low.see(standing(priority="low", occurrence=2)) == [("called", ["night1"])]


def test_first_step_of_the_alarm() -> None:
    """An alarm may begin further on, and comes back there."""
    calls = Calls()
    calls.see(standing()._replace(first_step=2))

    assert calls.entries[0].data["people"] == ["super1"]
    assert calls.after(20)[-1] == ("called", ["super1"])


def test_settings_with_fewer_steps_are_taken_as_they_come() -> None:
    """The rota is changed under a running escalation; it goes on with what is there."""
    calls = Calls()
    calls.see(standing())
    calls.after(15)
    calls.crew = rota(urgent=Chain((Step(teams=("operators",)),)))

    assert calls.after(10) == [("called", ["night1"])]
    calls.crew = Rota()
    assert calls.after(5)[-1] == ("called", [])


def test_priority_without_steps_calls_nobody() -> None:
    """A notice is never paged."""
    calls = Calls()

    assert calls.see(standing(priority="notice")) == []
    assert calls.after(600) == []


def test_urgent_ones_are_called_first() -> None:
    """Of all that falls due in one moment."""
    calls = Calls(rota(high=Chain((Step(people=("eng1",)),)), urgent=Chain((Step(people=("super1",)),))))
    for number in range(5):
        calls.see(standing(priority="high")._replace(alarm=f"D{number}/forward/alarm_contact"))
    calls.see(standing())

    assert [people for _, people in calls.after(5)] == [["super1"]] + [["eng1"]] * 5


def test_restart_calls_nothing_twice_and_forgets_nothing() -> None:
    """The same boot goes on to the second; kept states come back from JSON as they were."""
    calls = Calls()
    calls.see(standing())
    adapter = TypeAdapter(Escalations)
    calls.state = after_restart(
        adapter.validate_json(adapter.dump_json(calls.state)), calls.now_ns, calls.utc_ms, same_boot=True
    )

    assert calls.after(1.8) == []
    assert calls.after(0.4) == [("reminded", ["night1"])]


@pytest.mark.parametrize(("away_min", "left_min"), [(0, 4), (3, 1), (60, 0), (-60, 4)])
def test_start_of_the_machine_counts_the_time_that_has_passed(away_min: int, left_min: int) -> None:
    """By UTC, the monotonic clock being another one; never longer than what was left, whatever UTC says."""
    chain = Chain((Step(teams=("operators",), wait_ns=5 * MINUTE), Step(teams=("supervisors",))))
    calls = Calls(rota(urgent=chain))
    calls.see(standing())
    calls.after(1)
    calls.see(standing(severity=-1))  # takes note of the moment
    calls.now_ns = 5 * SECOND
    calls.utc_ms += away_min * 60_000
    calls.state = after_restart(calls.state, calls.now_ns, calls.utc_ms, same_boot=False)

    if left_min:
        assert calls.after(left_min - 0.3) == []
    assert calls.after(0.5) == [("called", ["super1"])]


# --- what comes and goes ---


def test_alarm_that_comes_again_at_once_is_put_off_for_a_minute() -> None:
    """Acknowledged, gone and there again within seconds: called a minute after its last call, and answered like any."""
    calls = Calls()
    calls.see(standing())
    assert calls.acknowledge().ok
    calls.see(standing(Need.OVER))
    calls.after(0.2)

    assert calls.see(standing(occurrence=2)) == []
    assert calls.after(0.5) == []
    assert calls.after(0.5) == [("called", ["night1"])]
    assert calls.entries[-1].data["why"] == "again"
    assert calls.acknowledge(2).ok


def test_alarm_that_was_put_off_and_is_gone_again_disturbs_nobody() -> None:
    """Neither called nor told that it is over."""
    calls = Calls()
    calls.see(standing())
    assert calls.see(standing(Need.OVER)) == [("calls_ended", [])]
    calls.see(standing(occurrence=2))
    assert calls.see(standing(Need.REST, occurrence=2)) == []
    assert calls.see(standing(Need.OVER, occurrence=2)) == []
    assert calls.after(5) == []


def test_worse_than_ever_is_not_put_off() -> None:
    """Once: that it was as bad a moment ago is no news, in another occurrence either."""
    calls = Calls()
    calls.see(standing())
    calls.see(standing(Need.OVER))
    assert calls.see(standing(occurrence=2, severity=1)) == [("called", ["night1"])]
    calls.see(standing(Need.OVER, occurrence=2))
    assert calls.see(standing(occurrence=3)) == []
    assert calls.see(standing(occurrence=3, severity=1)) == []


def test_suppression_that_comes_and_goes_calls_once_a_minute_and_the_next_step_in_time() -> None:
    """The wait for the next step goes on beneath it."""
    calls, told = Calls(rota(urgent=Chain((Step(people=("night1",)), Step(people=("super1",)))))), []
    told += calls.see(standing())
    for _ in range(12):
        told += calls.after(0.5)
        told += calls.see(standing(Need.REST))
        told += calls.see(standing())
    called = [whom[0] for event, whom in told if event in ("called", "reminded")]

    assert called == ["night1"] * 5 + ["super1"] * 2


def test_shorter_steps_are_not_slowed_down() -> None:
    """Where a step waits for less than a minute, so does what comes again."""
    calls = Calls(rota(urgent=Chain((Step(people=("night1",), wait_ns=20 * SECOND),))))
    calls.see(standing())
    calls.acknowledge()
    calls.see(standing(Need.OVER))
    calls.see(standing(occurrence=2))

    assert calls.after(0.4) == [("called", ["night1"])]


@pytest.mark.parametrize("same_boot", [True, False])
def test_reminder_right_before_the_next_step_is_left_out_after_a_restart(same_boot: bool) -> None:
    """What was missed is one call, not a reminder and a call at once."""
    calls = Calls(rota(urgent=Chain((Step(people=("night1",), wait_ns=300 * SECOND, remind_ns=200 * SECOND),))))
    calls.see(standing())
    calls.now_ns += 285 * SECOND  # the first tick of `after` comes 5 s before the next step is due
    calls.utc_ms += 285_000
    calls.state = after_restart(calls.state, calls.now_ns, calls.utc_ms, same_boot=same_boot)

    assert calls.after(2) == [("called", ["night1"])]


def test_calls_that_stop_are_told_to_whoever_had_been_called_through_several_occurrences() -> None:
    """It came again while its call was out, so nobody has been told that it was over."""
    calls = Calls()
    calls.see(standing())
    calls.see(standing(occurrence=2))
    calls.see(standing(Need.OVER, occurrence=2))

    assert calls.entries[-1].data["told"] == ["night1"]
    assert calls.entries[-1].data["why"] == "normal"
