"""Alarms, lockouts and calls as the walk makes them: whole nights through `step`, one input at a time."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from nightrake.alarms.lockout import LockoutRules
from nightrake.alarms.response import Response
from nightrake.alarms.rota import Chain, CheckTimes, Person, Rota, Step
from nightrake.alarms.standby import Standing
from nightrake.domain.alarmview import alarms_summary, alarms_view
from nightrake.domain.inputs import LinkHealth, SettingsChanged
from nightrake.domain.site import SiteSpec
from works import SECOND, Works, rake, site_of

MINUTE_NS = 60 * SECOND
PEOPLE = {
    "night": Person("night", "Night shift", "operator"),
    "second": Person("second", "Second operator", "operator"),
    "boss": Person("boss", "Supervisor", "supervisor"),
    "fitter": Person("fitter", "Fitter", "maintenance"),
}
STEPS = (Step(people=("night",), wait_ns=3 * MINUTE_NS), Step(people=("second",), wait_ns=5 * MINUTE_NS))
ROTA = Rota(PEOPLE, {}, {p: Chain(STEPS) for p in ("urgent", "high", "low")})
CAUSES = ("heavy sludge blanket", "not found")
RESPONSE = Response("Works", rota=ROTA, lockout=LockoutRules(CAUSES, after_shutdown=True))
SHUTDOWN = "D/forward/shutdown_contact"
ALARM = "D/forward/alarm_contact"


def site() -> SiteSpec:
    """One drive whose turn is known."""
    return site_of(replace(rake("D"), alarm_nm=28_000.0, turn_ns=1_800 * SECOND))


def at_night(response: Response = RESPONSE) -> Works:
    """A site with people, watched for a while."""
    works = Works(site(), response)
    works.set("D", "position", 8_000)
    run(works, 40)
    works.entries.clear()
    return works


def run(works: Works, seconds: float) -> None:
    """A scan and a tick each second."""
    for _ in range(round(seconds)):
        works.scan(500)
        works.tick(500)


def trip(works: Works) -> None:
    """The shutdown contact operates, and the hard-wired stop acts."""
    works.operate("D", "shutdown/A")
    works.scan(250)
    works.set("D", "running", 0)
    run(works, 3)


def calls(works: Works, alarm: str = "") -> list[tuple[str, object]]:
    """(event, people) of calls so far, of one alarm or of all."""
    told = [e for e in works.entries if e.kind == "call" and alarm in ("", e.data.get("alarm"))]
    return [(e.event, tuple(e.data.get("people", ()))) for e in told]


def events(works: Works, alarm: str) -> list[str]:
    """What one alarm went through."""
    return [e.event for e in works.entries if e.kind == "alarm" and e.data.get("alarm") == alarm]


def scheduled(works: Works) -> list[str]:
    """Drives that stand by schedule."""
    return list(works.state.alarms.scheduled)


def test_a_night_from_creep_to_release() -> None:
    """Nobody answers, the next one does, the time to respond runs out, it trips, and is walked to its release."""
    works = at_night()
    works.operate("D", "alarm/A")
    run(works, 3)
    assert calls(works, ALARM) == [("called", ("night",))]
    run(works, 180)
    assert calls(works, ALARM)[-1] == ("called", ("second",))
    assert works.ask("acknowledge", "D", alarm=ALARM, occurrence=1, actor="second", role="operator")[0]
    run(works, 29 * 60)
    assert calls(works, ALARM)[-1][0] == "calls_answered"
    run(works, 2 * 60)
    assert calls(works, ALARM)[-1] == ("called", ("night",))
    trip(works)
    raised = [e for e in works.told("raised") if e.data["alarm"] == SHUTDOWN]
    assert [e.urgent for e in raised] == [True]
    assert [e.data["because"] for e in works.told("opened")] == [f"{SHUTDOWN} 1"]
    assert calls(works, SHUTDOWN) == [("called", ("night",))]
    assert works.told("stop_confirmed")
    assert works.ask("acknowledge", "D", alarm=SHUTDOWN, occurrence=1, actor="night", role="operator")[0]

    assert "lockout 1 is open" in works.ask("reset", "D", actor="boss", role="supervisor")[1]
    ok, text = works.ask("release", "D", actor="boss", role="supervisor")
    assert not ok
    assert "still operated" in text
    assert "nobody has reported the isolation" in text
    assert works.ask("isolation_reported", "D", actor="fitter", role="maintenance", lock_number="7")[0]
    works.operate("D", "shutdown/A", False)
    works.operate("D", "alarm/A", False)
    works.set("D", "position", 4_000)
    for step, said in (
        ("zero_energy_reported", {}),
        ("cause", {"cause": CAUSES[0]}),
        ("cleared", {}),
        ("contacts_proved", {}),
        ("area_clear", {}),
        ("lock_removed", {}),
    ):
        assert works.ask(step, "D", actor="fitter", role="maintenance", **said)[0]
    run(works, 30)
    ok, text = works.ask("release", "D", actor="boss", role="supervisor")
    assert not ok
    assert "only just released" in text
    run(works, 40)
    ok, text = works.ask("release", "D", actor="boss", role="supervisor")

    assert (ok, works.latched("D")) == (True, False), text
    assert not works.state.alarms.lockout_of("D").is_open
    assert events(works, SHUTDOWN) == ["raised", "acknowledged", "latched", "reset"]
    before = len(works.entries)
    works.set("D", "running", 1)
    run(works, 60)
    assert [e for e in works.entries[before:] if "running_while" in str(e.data.get("alarm"))] == []


def test_release_resets_what_nobody_acknowledged() -> None:
    """Whoever releases has seen the alarm: it is acknowledged by them, told so, and its calls end."""
    works = at_night(RESPONSE._replace(lockout=LockoutRules((), needs=(), after_shutdown=True)))
    trip(works)
    works.operate("D", "shutdown/A", False)
    run(works, 62)

    assert works.ask("release", "D", actor="boss", role="supervisor")[0]

    assert events(works, SHUTDOWN) == ["raised", "latched", "acknowledged", "reset"]
    assert calls(works, SHUTDOWN)[-1][0] == "calls_ended"
    assert SHUTDOWN not in works.state.alarms.calls.running


def test_a_start_while_locked_out_is_told_and_a_test_run_excuses_it() -> None:
    """A supervised test run ends by itself, and then the motor that runs is an alarm again."""
    works = at_night()
    trip(works)
    assert works.ask("test_run", "D", actor="boss", role="supervisor", name="idle turn", limit_s=60)[0]
    works.set("D", "running", 1)
    run(works, 50)
    assert events(works, "D/-/running_while_locked_out") == []
    run(works, 12)

    assert [e.data["actor"] for e in works.told("test_run_end")] == ["time limit"]
    assert events(works, "D/-/running_while_locked_out") == ["raised"]


def test_drive_locked_out_by_hand_that_starts_is_told() -> None:
    """Without any shutdown."""
    works = at_night()
    works.set("D", "running", 0)
    run(works, 3)
    assert works.ask("lockout_open", "D", actor="fitter", role="maintenance", remark="new plough")[0]
    assert not works.ask("lockout_open", "D", actor="fitter", role="maintenance")[0]
    works.set("D", "running", 1)
    run(works, 2)

    assert events(works, "D/-/running_while_locked_out") == ["raised"]


def test_two_people_release_where_the_site_asks_for_two() -> None:
    """One asks, another confirms; the same person twice is one."""
    rules = LockoutRules((), needs=(), after_shutdown=True)
    works = at_night(RESPONSE._replace(lockout=rules, two_persons=frozenset({"release"})))
    trip(works)
    works.operate("D", "shutdown/A", False)
    run(works, 62)

    first = works.ask("release", "D", actor="boss", role="supervisor")
    again = works.ask("release", "D", actor="boss", role="supervisor")
    assert (first[0], "two different people" in first[1], again[0]) == (True, True, False)
    assert works.state.alarms.lockout_of("D").is_open
    assert works.ask("release", "D", actor="fitter", role="maintenance")[0]
    assert not works.state.alarms.lockout_of("D").is_open
    assert works.told("released")[-1].data["first"] == "boss"


def test_two_who_acknowledge_at_once() -> None:
    """One is accepted, the other told by whom."""
    works = at_night()
    trip(works)
    first = works.ask("acknowledge", "D", alarm=SHUTDOWN, occurrence=1, actor="night", role="operator")
    second = works.ask("acknowledge", "D", alarm=SHUTDOWN, occurrence=1, actor="second", role="operator")

    assert first[0]
    assert not second[0]
    assert "Night shift (night) has acknowledged it already" in second[1]


def test_silent_plc_is_one_alarm_and_its_drives_contacts_are_none() -> None:
    """After thirty seconds, with how many drives are unwatched; gone when it answers again."""
    works = at_night()
    works.give(LinkHealth(works.now_ns, works.utc_ms, "plc:P", False, "no answer"))
    for _ in range(40):
        works.scan(500, bad=range(9))
        works.tick(500)
    (raised,) = works.told("raised")
    assert (raised.data["alarm"], raised.data["unwatched"]) == ("plc:P/-/plc_silent", 1)
    works.give(LinkHealth(works.now_ns, works.utc_ms, "plc:P", True, ""))
    run(works, 12)

    assert events(works, "plc:P/-/plc_silent") == ["raised", "cleared"]


def test_broker_and_disk_are_alarms_of_the_site() -> None:
    """Each after its delay."""
    works = at_night()
    for link in ("broker", "disk"):
        works.give(LinkHealth(works.now_ns, works.utc_ms, link, False, "gone"))
    run(works, 35)

    assert [e.data["alarm"] for e in works.told("raised")] == ["site/-/store_full", "site/-/broker_unreachable"]


def test_standby_excuses_a_drive_that_stands() -> None:
    """By command until it ends by itself, then the alarm is there at once."""
    works = at_night()
    assert not works.ask("standby", "D", actor="night", role="operator", for_s=3600)[0]
    asked: dict[str, Any] = {"actor": "night", "role": "operator", "reason": "no feed", "for_s": 1200}
    assert works.ask("standby", "D", **asked)[0]
    works.set("D", "running", 0)
    run(works, 1190)
    assert calls(works) == []
    run(works, 20)

    assert [e.data["actor"] for e in works.told("standby_ended")] == ["time limit"]
    assert calls(works) == [("called", ("night",))]


def test_standby_by_schedule_begins_and_ends() -> None:
    """A span around now."""
    works = at_night()
    day, second = divmod(works.utc_ms // 1000, 86_400)
    schedule = (Standing(first_day=day, last_day=day, from_s=second + 60, to_s=second + 1_000),)
    response = RESPONSE._replace(standby={"D": schedule})
    works.give(SettingsChanged(works.now_ns, works.utc_ms, works.site, response))
    works.set("D", "running", 0)
    run(works, 900)
    assert calls(works) == []
    assert scheduled(works) == ["D"]
    run(works, 120)

    assert scheduled(works) == []
    assert calls(works) == [("called", ("night",))]


def test_shelved_alarm_calls_again_when_its_time_is_over() -> None:
    """A shutdown can never be shelved; an alarm can, with a reason and a limit."""
    works = at_night()
    works.operate("D", "alarm/A")
    run(works, 3)
    by = {"actor": "night", "role": "operator", "reason": "known ridge"}
    assert not works.ask("shelve", "D", alarm=SHUTDOWN, for_s=600, **by)[0]
    assert not works.ask("shelve", "D", alarm=ALARM, for_s=600, actor="night", role="operator")[0]
    assert works.ask("shelve", "D", alarm=ALARM, for_s=600, **by)[0]
    run(works, 590)
    assert calls(works, ALARM) == [("called", ("night",)), ("calls_stopped", ())]
    run(works, 20)

    assert calls(works, ALARM)[-1][0] == "called"


def test_removed_drive_takes_its_alarms_along_and_brings_them_back() -> None:
    """Nobody is called for it meanwhile; its lockout is open when it is back."""
    works = at_night()
    trip(works)
    whole = works.site
    works.give(SettingsChanged(works.now_ns, works.utc_ms, site_of(rake("E", plc="Q")), RESPONSE))
    assert SHUTDOWN not in works.state.alarms.calls.running
    works.give(SettingsChanged(works.now_ns, works.utc_ms, whole, RESPONSE))
    run(works, 2)

    assert works.latched("D")
    assert works.state.alarms.lockout_of("D").is_open
    summary = alarms_summary(works.state)
    assert (summary["locked_out"], summary["calling"] >= 1, summary["standing"] >= 1) == (["D"], True, True)
    listed = alarms_view(works.state, works.now_ns, works.utc_ms)
    assert (listed[0]["alarm"], listed[0]["calling"], listed[0]["told"]) == (SHUTDOWN, True, ["night"])
    assert events(works, SHUTDOWN) == ["raised", "withdrawn", "reinstated"]
    assert calls(works, SHUTDOWN)[-1] == ("called", ("night",))


def test_torque_high_warns_of_the_contact_and_not_after_it() -> None:
    """Once the alarm contact has operated, its own alarm says so; nobody is called twice for one thing."""
    works = at_night()
    works.operate("D", "alarm/A")
    run(works, 3)
    works.set("D", "position", 12_000)
    run(works, 30)
    assert calls(works, "D/forward/torque_high") == []
    works.operate("D", "alarm/A", False)
    run(works, 10)

    assert calls(works, "D/forward/torque_high") == [("called", ("night",))]


def test_test_call_is_answered_by_the_command_for_it_and_by_any_other() -> None:
    """In time, late, and by somebody whom nobody has called."""
    day_s = (at_night().utc_ms // 1000) % 86_400
    checks = CheckTimes(days=tuple(range(7)), at_s=day_s + 5, answer_ns=30 * SECOND)
    works = at_night(RESPONSE._replace(rota=ROTA._replace(checks=checks)))
    run(works, 6)
    assert calls(works) == [("check_called", ("night", "second"))]
    in_time = works.ask("answer", "", actor="night", role="operator")
    again = works.ask("answer", "", actor="night", role="operator")
    run(works, 31)
    dead = [e.data["person"] for e in works.entries if e.event == "check_unanswered"]
    late = works.ask("answer", "", actor="second", role="operator")

    assert in_time == (True, "night: test call answered")
    assert again == (False, "night: no test call waits for an answer")
    assert dead == ["second"]
    assert (late[0], "late" in late[1]) == (True, True)
    assert works.state.alarms.unreached == ()
    assert not works.ask("answer", "", actor="boss", role="supervisor")[0]


@pytest.mark.parametrize(
    ("verb", "drive", "args", "words"),
    [
        ("acknowledge", "D", {"alarm": SHUTDOWN}, "which occurrence"),
        ("acknowledge", "D", {"alarm": SHUTDOWN, "occurrence": True}, "which occurrence"),
        ("acknowledge", "D", {"alarm": SHUTDOWN, "occurrence": 1.0}, "which occurrence"),
        ("acknowledge", "D", {"alarm": SHUTDOWN, "occurrence": 2}, "no occurrence 2"),
        ("acknowledge", "D", {"alarm": ALARM, "occurrence": 1}, "no such alarm stands now"),
        ("acknowledge", "D", {"alarm": "X/forward/alarm_contact", "occurrence": 1}, "no alarm of this name"),
        ("acknowledge", "D", {"alarm": "nonsense", "occurrence": 1}, "no alarm of this name"),
        ("acknowledge", "D", {"alarm": 7, "occurrence": 1}, "no alarm is named"),
        ("shelve", "D", {"alarm": ALARM, "reason": "x", "for_s": 10**9}, "time limit"),
        ("shelve", "D", {"alarm": ALARM, "reason": "x", "for_s": -1}, "time limit"),
        ("shelve", "D", {"alarm": ALARM, "reason": "x", "for_s": "600"}, "time limit"),
        ("unshelve", "D", {"alarm": ALARM}, "not shelved"),
        ("out_of_service", "D", {"alarm": ALARM, "reason": "x", "for_s": 600}, "operator' may not"),
        ("return_to_service", "D", {"alarm": ALARM}, "operator' may not"),
        ("standby", "D", {"reason": "x", "for_s": 0}, "time limit"),
        ("standby", "X", {"reason": "x", "for_s": 60}, "no drive 'X'"),
        ("standby_end", "D", {}, "not in standby"),
        ("reset", "D", {}, "lockout 1 is open"),
        ("release", "D", {}, "release is for supervisor"),
        ("lock_exception", "D", {"whom": "fitter"}, "for supervisor"),
        ("test_run", "D", {}, "may not"),
        ("answer", "", {}, "no test call waits"),
        ("lockout_open", "D", {}, "open already"),
        ("test", "D", {}, "operator' may not"),
        ("start", "D", {}, "unknown command"),
        ("", "D", {}, "unknown command"),
    ],
)
def test_bad_command_is_refused_with_its_reason(verb: str, drive: str, args: dict[str, Any], words: str) -> None:
    """By an operator, while a shutdown stands: one answer, one row, nothing changed."""
    works = at_night()
    trip(works)
    before, rows = works.state, len(works.entries)

    ok, text = works.ask(verb, drive, actor="night", role="operator", **args)

    assert not ok
    assert words in text
    (row,) = works.entries[rows:]
    assert (row.event, row.data["actor"]) == ("refused", "night")
    assert works.state._replace(tallies=before.tallies) == before


def test_local_user_without_a_name_may_acknowledge_but_not_release() -> None:
    """Whoever is at the machine can stop the calls; what lets a machine go on needs a named person."""
    works = at_night()
    trip(works)

    assert works.ask("acknowledge", "D", alarm=SHUTDOWN, occurrence=1)[0]
    assert "supervisor" in works.ask("release", "D")[1]
    assert "may not" in works.ask("cleared", "D")[1]


def test_thousand_alarms_keep_one_row_of_calls_each() -> None:
    """Every one is in the journal; what is about a shutdown comes first in its step."""
    drives = [replace(rake(f"D{n}", plc=f"P{n % 8}", unit=n // 8 + 1), turn_ns=1_800 * SECOND) for n in range(200)]
    works = Works(site_of(*drives), RESPONSE)
    for plc in works.plans:
        works.scan(10, plc)
    for drive in works.site.drives:
        works.operate(drive, "shutdown/A")
        works.operate(drive, "alarm/A")
        works.set(drive, "running", 0)
    for plc in works.plans:
        works.scan(10, plc)
    works.tick(100)
    works.tick(1_100)

    raised = [e for e in works.told("raised") if e.data["alarm"].endswith("shutdown_contact")]
    assert len(raised) == 200
    called = [e for e in works.entries if e.event == "called" and "shutdown_contact" in e.data["alarm"]]
    assert len(called) == 200
    assert works.told("flood_began")
