"""Calls held against the alarms that stand, after changed settings and after a restart."""

from __future__ import annotations

import pytest

from callnights import ALARM, MINUTE, NOBODY, ONE, PEOPLE, RESPONSE, ROTA, SHUTDOWN, STEPS, TWO, Night
from nightrake.alarms.callchecks import CallChecks, OpenCheck
from nightrake.alarms.reconcile import reconcile
from nightrake.alarms.response import Response
from nightrake.alarms.rota import Chain, Step
from nightrake.alarms.rules import AlarmOverride
from nightrake.alarms.table import Priority
from nightrake.domain.alarmview import alarms_summary, alarms_view
from nightrake.domain.rows import Entry
from works import SECOND

HIGH = "D/forward/torque_high"
NO_LOW = RESPONSE._replace(rota=ROTA._replace(chains={p: Chain(STEPS) for p in ("urgent", "high")}))
FIRST = ("called", ("night",))


def again(night: Night) -> tuple[Entry, ...]:
    """What holding the calls against the alarms once more would bring."""
    alarms, plan = night.state.alarms, night.state.plan
    stamps = (night.now_ns, night.utc_ms)
    calls, told = reconcile(alarms.calls, plan.response.rota, alarms.book, plan.rules, *stamps)
    assert calls == alarms.calls
    return told


# --- people ---


@pytest.mark.parametrize("restarts", [False, True])
def test_alarm_that_stood_before_there_were_people_calls_at_once(restarts: bool) -> None:
    """The first people of a site, and those of a rota that was empty by mistake, are called for what stands."""
    night = Night(NOBODY)
    night.trip()
    night.run(30)
    assert night.calls() == []

    if restarts:
        night.restart(RESPONSE)
        night.tick(100)
    else:
        night.reload(RESPONSE)

    assert night.calls(SHUTDOWN) == [FIRST]
    assert night.last("called")["why"] == "found"
    assert again(night) == ()
    night.run(200)
    assert night.calls(SHUTDOWN) == [FIRST, ("called", ("second",))]


def test_nobody_is_called_for_what_ended_while_there_were_no_people() -> None:
    """An alarm that was acknowledged and went while the rota was empty is over for those who come back."""
    night = Night()
    night.operate("D", "alarm/A")
    night.run(5)
    assert night.calls(ALARM) == [FIRST]
    night.reload(NOBODY)
    assert night.answer(ALARM)
    night.operate("D", "alarm/A", False)
    night.run(1_200, each_s=5)
    night.entries.clear()
    night.reload(RESPONSE)
    night.run(1_800, each_s=10)

    assert night.calls(ALARM) == []
    assert {a: e.next_ns for a, e in night.state.alarms.calls.running.items()} == {"site/-/nobody_to_call": 0}


def test_acknowledged_while_there_were_no_people_still_has_its_time_to_respond() -> None:
    """Counted from the acknowledgement, not from when the people came back."""
    night = Night(NOBODY)
    night.trip()
    assert night.answer(SHUTDOWN, who="boss")
    night.run(30 * 60, each_s=10)
    night.reload(RESPONSE)
    assert night.calls(SHUTDOWN) == []
    night.run(29 * 60, each_s=10)
    assert night.calls(SHUTDOWN) == []
    night.run(2 * 60)

    assert night.calls(SHUTDOWN) == [FIRST]
    assert night.last("called")["why"] == "still active"


def test_everybody_who_was_called_leaves_the_settings() -> None:
    """Whoever takes their place is called at once, not when the wait for those who are gone is over."""
    night = Night()
    night.trip()
    new = {"new": PEOPLE["night"]._replace(id="new", name="New shift")}
    rota = ROTA._replace(people=new, chains={"urgent": Chain((Step(people=("new",), wait_ns=600 * SECOND),))})
    night.reload(RESPONSE._replace(rota=rota))

    assert night.calls(SHUTDOWN) == [FIRST, ("called", ("new",))]


# --- settings ---


@pytest.mark.parametrize(
    "better",
    [RESPONSE, NO_LOW._replace(overrides={"torque_high": AlarmOverride(priority=Priority.HIGH)})],
    ids=["steps for it", "higher priority"],
)
@pytest.mark.parametrize("restarts", [False, True])
def test_alarm_that_called_nobody_calls_when_the_settings_say_so(better: Response, restarts: bool) -> None:
    """It stood as low without steps; steps are added, or it is made high."""
    night = Night(NO_LOW)
    night.set("D", "position", 11_500)
    night.run(30)
    assert HIGH in night.state.alarms.book.subjects["D"].alarms
    assert night.calls(HIGH) == []

    if restarts:
        night.restart(better)
        night.tick(100)
    else:
        night.reload(better)

    assert night.calls(HIGH) == [FIRST]
    assert again(night) == ()


def test_time_to_respond_that_is_given_later_counts_from_the_acknowledgement() -> None:
    """Acknowledged with no time to respond; half an hour is set ten minutes later."""
    night = Night(RESPONSE._replace(overrides={"alarm_contact": AlarmOverride(respond_s=0.0)}))
    night.operate("D", "alarm/A")
    night.run(5)
    assert night.answer(ALARM)
    night.run(600, each_s=5)
    night.entries.clear()
    night.reload(RESPONSE)
    night.run(19 * 60, each_s=5)
    assert night.calls(ALARM) == []
    night.run(90)

    assert night.calls(ALARM) == [FIRST]


def test_shorter_times_hold_for_calls_that_are_out() -> None:
    """A step that waited a day by mistake, and a time to respond of a day, end by the new times."""
    day = RESPONSE._replace(
        rota=ROTA._replace(
            chains={p: Chain((STEPS[0]._replace(wait_ns=1_440 * MINUTE), STEPS[1])) for p in ROTA.chains}
        ),
        overrides={"alarm_contact": AlarmOverride(respond_s=86_400.0)},
    )
    night = Night(day)
    night.operate("D", "alarm/A")
    night.run(5)
    assert night.answer(ALARM)
    night.operate("E", "shutdown/A")
    night.run(5)
    night.reload(RESPONSE)
    night.run(31 * 60, each_s=5)

    assert night.calls("E/forward/shutdown_contact")[1] == ("called", ("second",))
    assert night.calls(ALARM)[-1] == FIRST
    assert night.last("called", ALARM)["why"] == "still active"


def test_rounds_that_are_used_up_stay_so_over_a_reload_and_go_on_when_there_are_more() -> None:
    """Nobody is called again for a low alarm because something else in the settings changed."""
    once = RESPONSE._replace(rota=ROTA._replace(chains={**ROTA.chains, "low": Chain(STEPS[:1], rounds=1)}))
    night = Night(once)
    night.set("D", "position", 11_500)
    night.run(300)
    assert [event for event, _ in night.calls(HIGH)] == ["called", "chain_ended"]
    night.entries.clear()
    night.reload(once._replace(site_name="Other"))
    night.restart()
    night.run(30)
    assert night.calls(HIGH) == []
    night.reload(RESPONSE)

    assert night.calls(HIGH) == [FIRST]


# --- drives ---


@pytest.mark.parametrize("restarts", [False, True])
def test_drive_that_leaves_with_its_shutdown_standing_is_told_as_such(restarts: bool) -> None:
    """Those called and the last step are told that nobody watches it; nobody is called any more, and nothing is
    'normal again'."""
    night = Night()
    night.trip()
    night.entries.clear()
    if restarts:
        night.restart(site=ONE)
    else:
        night.reload(site=ONE)
    night.run(1_200, each_s=5)

    assert [event for event, _ in night.calls(SHUTDOWN)] == ["calls_ended"]
    ended = night.last("calls_ended")
    assert (ended["why"], ended["stands"], ended["told"]) == ("away", True, ["night", "second"])
    assert [e.event for e in night.entries if e.data.get("alarm") == SHUTDOWN and e.kind == "alarm"] == ["withdrawn"]


@pytest.mark.parametrize("leaves", ["reload", "restart"])
@pytest.mark.parametrize("same_boot", [True, False])
def test_drive_that_is_back_after_a_restart_calls_at_once(leaves: str, same_boot: bool) -> None:
    """Its shutdown stands unacknowledged; the journal says that it is back, once."""
    night = Night()
    night.trip()
    if leaves == "reload":
        night.reload(site=ONE)
    else:
        night.restart(site=ONE)
    night.run(60)
    night.restart(site=ONE)
    night.run(5)
    night.entries.clear()
    night.restart(site=TWO, same_boot=same_boot)
    night.scan(100)
    assert night.calls(SHUTDOWN) == [FIRST]
    night.restart()
    night.run(30)

    assert night.calls(SHUTDOWN) == [FIRST]
    assert [e.event for e in night.entries if e.data.get("alarm") == SHUTDOWN and e.kind == "alarm"] == ["reinstated"]


def test_acknowledged_shutdown_of_a_drive_that_is_back_calls_after_its_time_to_respond() -> None:
    """Removed by a reload, back by a restart: still operated an hour later, it calls."""
    night = Night()
    night.trip()
    assert night.answer(SHUTDOWN)
    night.reload(site=ONE)
    night.run(60)
    night.restart(site=TWO)
    night.entries.clear()
    night.run(3_700, each_s=10)

    assert night.calls(SHUTDOWN)[0] == FIRST


# --- damage ---


def test_damaged_record_of_calls_silences_no_alarm() -> None:
    """What stands unanswered calls from its first step; what was answered has what is left of its time to respond."""
    night = Night()
    night.trip()
    night.operate("E", "alarm/A")
    night.run(5)
    assert night.answer("E/forward/alarm_contact")
    night.run(60)
    night.entries.clear()
    unfit = night.restart(damage=lambda key: key.startswith("call:"))
    assert len(unfit) >= 2
    night.tick(100)
    assert night.calls(SHUTDOWN) == [FIRST]
    night.run(28 * 60, each_s=5)
    assert night.calls("E/forward/alarm_contact") == []
    night.run(2 * 60)

    assert night.calls("E/forward/alarm_contact") == [FIRST]


def test_damaged_record_of_alarms_ends_their_calls_without_saying_that_all_is_well() -> None:
    """The calls of an alarm of which nothing is known are 'lost'; what still holds is raised and called anew."""
    night = Night()
    night.operate("D", "alarm/A")
    night.run(5)
    night.restart(damage=lambda key: key == "alarms:D")
    night.tick(100)
    ended = night.last("calls_ended", ALARM)
    assert (ended["why"], ended["told"]) == ("lost", ["night"])
    night.run(5)

    assert night.calls(ALARM) == [FIRST, ("calls_ended", ()), FIRST]


# --- test calls ---


def unanswered(night: Night) -> None:
    """The second operator does not answer a test call."""
    check = OpenCheck("check time", night.now_ns, night.utc_ms, night.now_ns + 5 * SECOND)
    alarms = night.state.alarms._replace(checks=CallChecks(night.utc_ms // 1000, {"second": check, "boss": check}))
    night.state = night.state._replace(alarms=alarms)
    night.run(1)
    assert night.ask("answer", "", actor="boss", role="supervisor")[0]
    night.run(9)
    assert night.state.alarms.unreached == ("second",)


DEAD = "site/-/paging_dead"


@pytest.mark.parametrize("restarts", [False, True])
def test_paging_that_is_dead_ends_when_the_person_leaves_the_settings(restarts: bool) -> None:
    """Nobody could answer for whoever is gone; the others are not called for it for ever."""
    night = Night()
    unanswered(night)
    assert night.calls(DEAD)[0][0] == "called"
    gone = RESPONSE._replace(rota=ROTA._replace(people={k: v for k, v in PEOPLE.items() if k != "second"}))
    if restarts:
        night.restart(gone)
    else:
        night.reload(gone)
    night.run(30)
    night.entries.clear()
    night.run(3_600, each_s=10)

    assert night.state.alarms.unreached == ()
    assert night.calls(DEAD) == []


def test_test_call_of_somebody_who_left_is_not_waited_for() -> None:
    """It neither waits nor is reported as dead."""
    night = Night()
    check = OpenCheck("check time", night.now_ns, night.utc_ms, night.now_ns + 5 * SECOND)
    checks = CallChecks(night.utc_ms // 1000, {"second": check, "boss": check})
    night.state = night.state._replace(alarms=night.state.alarms._replace(checks=checks))
    night.reload(RESPONSE._replace(rota=ROTA._replace(people={k: v for k, v in PEOPLE.items() if k != "second"})))
    night.run(10)

    assert [e.data["person"] for e in night.told("check_unanswered")] == ["boss"]


def test_paging_that_is_dead_is_forgotten_with_its_damaged_record() -> None:
    """Who did not answer is lost: the alarm ends in place of calling for ever."""
    night = Night()
    unanswered(night)
    night.restart(damage=lambda key: key == "alarms")
    night.run(30)
    night.entries.clear()
    night.run(1_800, each_s=10)

    assert night.calls(DEAD) == []


# --- how it is shown ---


@pytest.mark.parametrize(
    ("response", "why"),
    [
        (
            RESPONSE._replace(rota=ROTA._replace(chains={"low": Chain(STEPS[:1], rounds=1)})),
            "its rounds of calls are used up",
        ),
        (NO_LOW, "the site has no steps for its priority"),
    ],
    ids=["rounds", "no steps"],
)
def test_alarm_whose_calls_are_over_is_not_shown_as_calling(response: Response, why: str) -> None:
    """It still stands; neither the list nor the count says that it calls, and the list says why not."""
    night = Night(response)
    night.set("D", "position", 11_500)
    night.run(300)
    views = alarms_view(night.state, night.now_ns, night.utc_ms)
    (view,) = [v for v in views if v["alarm"] == HIGH]

    assert (view["life"], view["calling"], view["withheld"]) == ("unacknowledged", False, why)
    assert view["next_call_utc_ms"] == 0
    assert alarms_summary(night.state)["calling"] == len([v for v in views if v["calling"]]) < len(views)


# --- what comes and goes ---


def test_run_feedback_that_flaps_calls_no_faster_than_once_a_minute() -> None:
    """Torque above the shutdown point, contacts that do not act: each start inhibit suppresses and lets go again."""
    night = Night()
    night.set("D", "position", 20_000)
    for _ in range(144):
        night.set("D", "running", 0)
        night.run(1)
        night.set("D", "running", 1)
        night.run(24, each_s=2)
    calls = night.calls("D/forward/shutdown_did_not_act")

    assert 20 <= len([c for c in calls if c[0] in ("called", "reminded")]) <= 61
    assert {people for event, people in calls if event == "called"} == {("night",), ("second",)}


def test_motor_that_is_started_again_and_again_while_locked_out() -> None:
    """Somebody acknowledges each time within the second; a new start is called, but not each of six a minute."""
    night, key = Night(), "D/-/running_while_locked_out"
    night.trip()
    for _ in range(100):
        night.set("D", "running", 1)
        night.run(1)
        alarm = night.state.alarms.book.subjects["D"].alarms.get(key)
        if alarm is not None and alarm.state.life.value == "unacknowledged":
            assert night.answer(key, alarm.state.occurrence)
        night.set("D", "running", 0)
        night.run(9)

    assert 10 <= len([c for c in night.calls(key) if c[0] == "called"]) <= 18
