"""Lockouts, resets and acknowledgements through the walk: what stands against a release, and what a person is told."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from nightrake.alarms.book import alarm_of
from nightrake.alarms.keys import AlarmKey
from nightrake.alarms.lockout import LockoutRules
from nightrake.alarms.response import Response
from nightrake.alarms.rota import Chain, Person, Rota, Step
from nightrake.domain.alarmview import lockout_view
from nightrake.domain.inputs import SettingsChanged
from nightrake.domain.site import Direction, DriveSpec, SiteSpec, Stage
from works import FAR_SIDE, NEAR_SIDE, PRELOADED, SECOND, Works, bit, centred, contact, plan_of, rake, site_of, word

PEOPLE = {
    "night": Person("night", "Night shift", "operator"),
    "boss": Person("boss", "Supervisor", "supervisor"),
    "fitter": Person("fitter", "Fitter", "maintenance"),
}
CHAIN = Chain((Step(people=("night",), wait_ns=180 * SECOND),))
ROTA = Rota(PEOPLE, {}, dict.fromkeys(("urgent", "high", "low"), CHAIN))
RESPONSE = Response("Works", rota=ROTA, lockout=LockoutRules(("sludge",), after_shutdown=True))
FREE = RESPONSE._replace(lockout=LockoutRules(needs=(), after_shutdown=True))
ALARM, SHUTDOWN = "D/forward/alarm_contact", "D/forward/shutdown_contact"
BOSS = {"actor": "boss", "role": "supervisor"}
FITTER = {"actor": "fitter", "role": "maintenance"}
NIGHT = {"actor": "night", "role": "operator"}
STEPS: Mapping[str, Mapping[str, Any]] = {
    "isolation_reported": {"lock_number": "7"},
    "zero_energy_reported": {},
    "cause": {"cause": "sludge"},
    "cleared": {},
    "contacts_proved": {},
    "area_clear": {},
    "lock_removed": {},
}


def one_way() -> DriveSpec:
    """A drive whose turn is known."""
    return replace(rake("D"), alarm_nm=28_000.0, turn_ns=1_800 * SECOND)


def watched(response: Response = RESPONSE, site: SiteSpec | None = None) -> Works:
    """Watched for a while."""
    works = Works(site or site_of(one_way()), response)
    works.set("D", "position", 8_000)
    run(works, 40)
    works.entries.clear()
    return works


def run(works: Works, seconds: float, bad: list[int] | None = None) -> None:
    """A scan and a tick each second."""
    for _ in range(round(seconds)):
        works.scan(500, bad=bad or ())
        works.tick(500)


def trip(works: Works) -> None:
    """The shutdown operates and the motor stops."""
    works.operate("D", "shutdown/A")
    works.scan(250)
    works.set("D", "running", 0)
    run(works, 3)


def walk(works: Works) -> None:
    """Every step of the lockout."""
    for step, said in STEPS.items():
        assert works.ask(step, "D", **said, **FITTER)[0]


def release(works: Works) -> tuple[bool, str]:
    """By the supervisor."""
    return works.ask("release", "D", **BOSS)


# --- what stands against it ---


def test_reports_from_before_a_further_trip_release_nothing() -> None:
    """It came within the off-delay of the first, which somebody had acknowledged; it is called."""
    works = watched()
    trip(works)
    assert works.ask("acknowledge", "D", alarm=SHUTDOWN, occurrence=1, **NIGHT)[0]
    walk(works)
    works.operate("D", "shutdown/A", False)
    run(works, 40)
    works.entries.clear()
    works.operate("D", "shutdown/A")
    run(works, 30)  # no two calls of one alarm within a minute

    assert [e.data["because"] for e in works.told("shutdown_again")] == [f"{SHUTDOWN} 2"]
    assert [e.data["occurrence"] for e in works.told("called") if e.data["alarm"] == SHUTDOWN] == [2]
    works.operate("D", "shutdown/A", False)
    run(works, 70)
    ok, text = release(works)
    assert not ok
    assert "the cause has not been reported" in text


def two_channels() -> DriveSpec:
    """Two shutdown channels in blocks of their own."""
    contacts = (
        contact("D", Stage.ALARM, bit(0)),
        contact("D", Stage.SHUTDOWN, bit(1)),
        contact("D", Stage.SHUTDOWN, bit(500), channel="B"),
    )
    return replace(rake("D", *contacts), alarm_nm=28_000.0)


def test_one_unreadable_channel_refuses_release_and_reset() -> None:
    """It was last read operated, and the other channel has released."""
    for response in (FREE, Response("Works", rota=ROTA)):
        works = watched(response, site_of(two_channels()))
        works.operate("D", "shutdown/A")
        works.operate("D", "shutdown/B")
        run(works, 2)
        works.operate("D", "shutdown/A", False)
        run(works, 90, works.blocks("contact:forward/shutdown/B", drive="D"))
        works.ask("acknowledge", "D", alarm=SHUTDOWN, occurrence=1, **NIGHT)
        ok, text = works.ask("release" if response is FREE else "reset", "D", **BOSS)
        assert not ok
        assert "cannot be read now" in text


def test_a_refused_release_names_all_of_it_and_so_does_what_is_shown() -> None:
    """The contact that has only just released hides neither torque nor locks."""
    site = site_of(one_way())
    works = watched(RESPONSE._replace(lockout=RESPONSE.lockout._replace(release_torque_nm={"D": 5_000.0})), site)
    trip(works)
    assert works.ask("isolation_reported", "D", lock_number="12", **NIGHT)[0]
    works.operate("D", "shutdown/A", False)
    works.set("D", "position", 14_000)
    run(works, 5)
    text = release(works)[1]

    shown = lockout_view(works.state, "D", works.now_ns)["missing"]
    for words in ("it must stay so for another", "at most 5 kN.m", "their own lock 12", "has been cleared"):
        assert words.replace("has been cleared", "the cause as cleared") in text
        assert any(words.replace("has been cleared", "the cause as cleared") in line for line in shown)


def test_a_noted_release_is_shown() -> None:
    """Who has asked, and for how long somebody else may confirm it."""
    works = watched(FREE._replace(two_persons=frozenset({"release"})))
    works.ask("lockout_open", "D", **NIGHT)
    release(works)
    run(works, 60)

    assert lockout_view(works.state, "D", works.now_ns)["missing"] == [
        "boss has asked for the release; another person confirms it within 14 min"
    ]


# --- a direction that is no longer sensed ---


def both_ways() -> DriveSpec:
    """Forward and reverse."""
    d = one_way()
    back = (
        contact("D", Stage.ALARM, bit(6), side=Direction.REVERSE),
        contact("D", Stage.SHUTDOWN, bit(7), side=Direction.REVERSE),
    )
    return replace(
        d,
        contacts=(*d.contacts, *back),
        calibrations={Direction.FORWARD: NEAR_SIDE, Direction.REVERSE: FAR_SIDE},
        position=centred(word(10)),
        directions=(Direction.FORWARD, Direction.REVERSE),
    )


def without_reverse(response: Response) -> Works:
    """A latched shutdown of the reverse direction, which then leaves the settings."""
    works = Works(site_of(both_ways()), response)
    works.set("D", "position", 2_457)
    run(works, 40)
    works.operate("D", "D/reverse/shutdown/A")
    run(works, 2)
    works.operate("D", "D/reverse/shutdown/A", False)
    run(works, 5)
    works.site = site_of(replace(one_way(), calibrations={Direction.FORWARD: PRELOADED}))
    for point in works.site.drives["D"].points().values():
        works.values.setdefault(point, 1)
    works.set("D", "position", 8_000)
    works.plans = {"P": plan_of(works.site, "P")}
    works.give(SettingsChanged(works.now_ns, works.utc_ms, works.site, response))
    run(works, 70)
    assert works.latched("D", "reverse")
    return works


def test_a_latch_of_a_direction_that_left_the_settings_goes_with_the_release() -> None:
    """And by reset, where no lockout is open, with and without naming it."""
    works = without_reverse(FREE)
    assert release(works)[0]
    assert not works.latched("D", "reverse")
    for side in ("reverse", ""):
        works = without_reverse(Response("Works", rota=ROTA))
        assert works.ask("acknowledge", "D", alarm="D/reverse/shutdown_contact", occurrence=1, **NIGHT)[0]
        ok, text = works.ask("reset", "D", side=side, **BOSS)
        assert ok, text
        assert not works.latched("D", "reverse")
    assert "does not sense the direction" in works.ask("reset", "D", side="reverse", **BOSS)[1]


# --- opened by mistake ---


def test_a_lockout_of_the_wrong_drive_is_noticed_and_cancelled() -> None:
    """The answer says that it opened one, and that the motor runs; the supervisor ends it; nothing is made up."""
    works = watched()
    text = works.ask("isolation_reported", "D", lock_number="7", **FITTER)[1]
    assert "this opened lockout 1; its motor runs" in text
    run(works, 3)
    assert works.ask("lock_removed", "D", lock_number="7", remark="it is on E", **FITTER)[0]
    assert "is for supervisor" in works.ask("lockout_cancel", "D", reason="it was E", **NIGHT)[1]
    ok, text = works.ask("lockout_cancel", "D", reason="it was E", **BOSS)
    run(works, 5)

    assert ok, text
    assert not works.state.alarms.lockout_of("D").is_open
    running = alarm_of(works.state.alarms.book, AlarmKey("D", "", "running_while_locked_out")).state
    assert running.condition is False, "nothing calls for a drive that was never meant"


def test_a_lockout_with_a_shutdown_behind_it_is_not_cancelled() -> None:
    """Though it was opened by hand, and though the site opens none after a shutdown."""
    works = watched(Response("Works", rota=ROTA))
    assert works.ask("lockout_open", "D", **FITTER)[0]
    works.set("D", "running", 0)
    trip(works)

    assert "release only" in works.ask("lockout_cancel", "D", reason="noise", **BOSS)[1]
    assert works.state.alarms.lockout_of("D").is_open


# --- what calls on, what is heard, what is said ---


def test_the_alarm_contact_is_quiet_once_the_shutdown_has_acted() -> None:
    """Its advice is the opposite; its life goes on, and a drive that runs again is warned of like any other."""
    works = watched()
    works.operate("D", "alarm/A")
    run(works, 3)
    assert [e.data["alarm"] for e in works.told("called")] == [ALARM]
    works.entries.clear()
    trip(works)
    run(works, 20 * 60)
    alarm = alarm_of(works.state.alarms.book, AlarmKey("D", "forward", "alarm_contact"))
    assert [e.event for e in works.entries if e.kind == "call" and e.data["alarm"] == ALARM] == ["calls_stopped"]
    assert (alarm.overlays.suppressed, alarm.state.condition) == ("the shutdown has acted", True)

    works.entries.clear()
    works.set("D", "running", 1)
    run(works, 3)
    assert ALARM in {e.data["alarm"] for e in works.told("called")}


def test_acknowledging_what_is_gone_says_nothing_of_calling_again() -> None:
    """It is over, or waits for its reset."""
    works = watched()
    trip(works)
    works.operate("D", "shutdown/A", False)
    run(works, 70)
    text = works.ask("acknowledge", "D", alarm=SHUTDOWN, occurrence=1, **NIGHT)[1]

    assert "stays latched until it is reset" in text
    assert "calls again" not in text


def test_a_user_of_the_machine_called_like_a_person_is_not_that_person() -> None:
    """Whom the settings do not map has answered no test call."""
    works = watched()
    works.state = works.state._replace(alarms=works.state.alarms._replace(unreached=("night",)))
    works.ask("acknowledge", "D", alarm=ALARM, occurrence=1, actor="night", role="local")
    assert list(works.state.alarms.unreached) == ["night"]
    ok, text = works.ask("answer", "", **NIGHT)

    assert ok, text
    assert list(works.state.alarms.unreached) == []
    assert not [e for e in works.entries if e.kind == "command" and e.data.get("verb") == "answer"]


def test_without_run_feedback_a_released_shutdown_contact_hides_no_alarm_contact() -> None:
    """Nobody knows whether the drive has been started again under a latch that nobody has reset."""
    works = Works(site_of(replace(rake("D", running=False), alarm_nm=28_000.0, turn_ns=1_800 * SECOND)), RESPONSE)
    works.set("D", "position", 8_000)
    run(works, 40)
    works.operate("D", "alarm/A")
    works.operate("D", "shutdown/A")
    run(works, 5)
    assert ALARM not in {e.data["alarm"] for e in works.told("called")}
    works.operate("D", "shutdown/A", False)
    run(works, 70)

    assert works.latched("D")
    assert ALARM in {e.data["alarm"] for e in works.told("called")}
