"""Which conditions follow from a drive's facts, and that a quiet reading costs next to nothing."""

from __future__ import annotations

from dataclasses import replace

import pytest
from pydantic import TypeAdapter

from alarmdrives import (
    FORWARD,
    LOST,
    OPERATED,
    RELEASED,
    REVERSE,
    UNREAD,
    Judged,
    one_way,
    setup_for,
    torque,
    two_way,
)
from nightrake.alarms.conditions import Watch, carried
from nightrake.alarms.drivesetup import TorqueLimits
from nightrake.alarms.table import ALARM_TYPES, Scope
from nightrake.domain.reading import Exactness
from nightrake.domain.stop import AWAITED, CONFIRMED, NOT_CONFIRMED, STILL_RUNNING

NO_RISE = TorqueLimits(rise_pct_per_min=0.0)


def test_a_healthy_drive_has_no_condition_and_says_so_once() -> None:
    """Everything is said at first, then only what differs."""
    drive = Judged()

    assert drive.on == set()
    assert {k for k, h in drive.holds.items() if h is None} == {"torque_rising"}, "no rate is known yet"
    assert drive.judge(1) == []


def test_every_drive_kind_can_be_judged() -> None:
    """A drive with everything has each kind there is for drives, apart from a forecast that comes from elsewhere."""
    kinds = {j.kind for j in setup_for(two_way()).judged}

    assert kinds == {
        k for k, t in ALARM_TYPES.items() if t.scope in (Scope.DIRECTION, Scope.DRIVE) and k != "creep_forecast"
    }


def test_a_drive_without_a_transducer_or_feedback_has_no_alarm_that_needs_one() -> None:
    """What can never be judged is not there to look healthy."""
    spec = replace(one_way(), position=None, running=None)

    assert {j.kind for j in setup_for(spec).judged} == {
        "shutdown_contact",
        "stop_not_confirmed",
        "alarm_contact",
        "shutdown_without_alarm",
        "contact_unreadable",
        "reading_bad",
        "calibration_due",
    }


def test_contacts_that_operate_and_release() -> None:
    """Alarm, then shutdown after it."""
    drive = Judged(limits=NO_RISE)
    drive.judge(torque=torque(29_000.0))
    assert ("alarm_contact", True) in drive.stages(OPERATED)
    assert drive.on == {"alarm_contact", "torque_high"}
    drive.judge(torque=torque(40_100.0))
    drive.stages(OPERATED, OPERATED)
    assert drive.on >= {"alarm_contact", "shutdown_contact"}
    assert "shutdown_without_alarm" not in drive.on
    drive.judge(torque=torque(20_000.0))
    drive.stages(RELEASED, RELEASED)
    assert drive.on == set()


def test_a_contact_that_is_not_read_raises_and_clears_nothing() -> None:
    """Whatever it last was; and never read is neither."""
    drive = Judged()
    for state in (LOST, UNREAD):
        drive.stages(state, state)
        assert (drive.holds["alarm_contact"], drive.holds["shutdown_contact"]) == (None, None)
        assert drive.on == {"contact_unreadable"}


def test_a_silent_plc_is_no_bad_reading() -> None:
    """It has an alarm of its own; nothing can be said of its drives."""
    drive = Judged()
    drive.judge(link_down=True, torque=torque(None), position_bad=True, running=-1, running_bad=True)
    drive.stages(LOST, LOST)

    assert drive.on == set()
    assert {k for k, h in drive.holds.items() if h is None} >= {"contact_unreadable", "reading_bad", "torque_high"}


@pytest.mark.parametrize(
    "facts",
    [{"position_bad": True, "torque": torque(None)}, {"running_bad": True, "running": -1}],
)
def test_bad_readings_are_told(facts: dict[str, object]) -> None:
    """A transducer, the run feedback, one channel of two."""
    drive = Judged()
    drive.judge(**facts)  # type: ignore[arg-type]
    assert drive.on == {"reading_bad"}
    other = Judged()
    other.stages(RELEASED._replace(degraded=True))
    assert other.on == {"reading_bad"}


def test_a_shutdown_without_a_preceding_alarm() -> None:
    """It ends when the alarm contact operates after all."""
    drive = Judged(limits=NO_RISE)
    drive.judge(torque=torque(27_000.0))
    drive.stages(RELEASED, OPERATED)
    assert "shutdown_without_alarm" in drive.on
    drive.stages(LOST, OPERATED)
    assert drive.holds["shutdown_without_alarm"] is None
    drive.stages(OPERATED, OPERATED)
    assert drive.holds["shutdown_without_alarm"] is False


@pytest.mark.parametrize(
    ("nm", "give_nm", "kind", "alarm", "shutdown"),
    [
        (28_400.0, 500.0, Exactness.EXACT, False, False),
        (28_501.0, 500.0, Exactness.EXACT, True, False),
        (40_600.0, 500.0, Exactness.EXACT, True, True),
        (31_000.0, None, Exactness.EXACT, False, False),
        (31_200.0, None, Exactness.EXACT, True, False),
        (40_000.0, 500.0, Exactness.BEYOND, True, True),
        (30_000.0, 500.0, Exactness.BELOW, False, False),
        (None, None, Exactness.ABSENT, None, None),
    ],
)
def test_protection_that_did_not_act(
    nm: float | None, give_nm: float | None, kind: Exactness, alarm: bool | None, shutdown: bool | None
) -> None:
    """The torque is above the operating point by more than its uncertainty, and the contact is seen released."""
    drive = Judged(limits=NO_RISE)
    drive.judge(torque=torque(nm, kind=kind, give_nm=give_nm))

    assert (drive.holds["alarm_did_not_act"], drive.holds["shutdown_did_not_act"]) == (alarm, shutdown)
    drive.stages(OPERATED, LOST)
    assert (drive.holds["alarm_did_not_act"], drive.holds["shutdown_did_not_act"]) == (False, None)


@pytest.mark.parametrize(
    ("nm", "kind", "alarm", "shutdown"),
    [
        (16_200.0, Exactness.EXACT, True, True),
        (16_400.0, Exactness.EXACT, False, True),
        (24_000.0, Exactness.EXACT, False, False),
        (8_000.0, Exactness.BELOW, True, True),
        (22_000.0, Exactness.BELOW, None, True),
        (40_000.0, Exactness.BEYOND, False, False),
        (None, Exactness.ABSENT, None, None),
    ],
)
def test_contact_operated_while_the_position_says_well_below(
    nm: float | None, kind: Exactness, alarm: bool | None, shutdown: bool | None
) -> None:
    """60 % of the contact's torque, the uncertainty on the contact's side."""
    drive = Judged(limits=NO_RISE)
    assert drive.on == set(), "a released contact is not doubted"
    drive.judge(torque=torque(nm, kind=kind))
    drive.stages(OPERATED, OPERATED)

    assert (drive.holds["alarm_against_position"], drive.holds["shutdown_against_position"]) == (alarm, shutdown)


def test_channels_that_disagree() -> None:
    """Each stage has its own, and only where there are two."""
    drive = Judged(two_way())
    drive.stages(RELEASED._replace(differ_told=True), RELEASED)
    assert drive.on == {"alarm_channels_disagree"}
    drive.stages(RELEASED, RELEASED._replace(differ_told=True))
    assert drive.on == {"shutdown_channels_disagree"}
    assert "alarm_channels_disagree" not in {j.kind for j in setup_for(one_way()).judged}


def test_torque_high_with_its_deadband() -> None:
    """On above 90 % of the alarm torque (25.2 kN.m), off 3 % of the shutdown torque lower (24.0 kN.m)."""
    drive = Judged(limits=NO_RISE)
    seen = []
    for nm in (25_200.0, 25_201.0, 24_001.0, 24_000.0, 24_500.0, 25_201.0):
        drive.judge(torque=torque(nm))
        seen.append("torque_high" in drive.on)
    assert seen == [False, True, True, False, False, True]
    drive.judge(torque=torque(None))
    assert drive.holds["torque_high"] is None
    drive.judge(torque=torque(20_000.0, kind=Exactness.BEYOND))
    assert drive.holds["torque_high"] is True, "an overload cannot hide as 'no value'"


def test_an_alarm_that_goes_on_towards_shutdown_is_worse() -> None:
    """Half way from 28 to 40 kN.m; and 'torque high' is worse above the alarm torque."""
    drive = Judged(limits=NO_RISE)
    drive.judge(torque=torque(28_100.0))
    drive.stages(OPERATED)
    assert (drive.severity["alarm_contact"], drive.severity["torque_high"]) == (0, 1)
    drive.judge(torque=torque(34_001.0))
    assert drive.severity["alarm_contact"] == 1


def test_torque_that_rises_fast() -> None:
    """25 % of the alarm torque in a minute is 117 N.m a second; gone at half of it; unknown before a window."""
    drive = Judged()
    nm, seen = 10_000.0, {}
    for second in range(0, 361, 5):
        rate = 0.0 if second < 100 else 130.0 if second < 200 else 80.0 if second < 280 else 50.0
        nm = min(nm + 5 * rate, 24_900.0) if second < 200 else nm
        drive.judge(5, torque=torque(nm))
        seen[second] = drive.holds["torque_rising"]

    assert seen[30] is None
    assert seen[95] is False
    assert seen[190] is True
    assert seen[360] is False


def test_a_rise_within_its_deadband_stands() -> None:
    """Between the set rate and half of it nothing changes."""
    drive = Judged()
    nm = 5_000.0
    for rate, expected in ((130.0, True), (90.0, True), (50.0, False), (90.0, False)):
        for _ in range(20):
            nm += 5 * rate
            drive.judge(5, torque=torque(nm % 20_000.0 if expected is None else nm, kind=Exactness.EXACT))
        assert drive.holds["torque_rising"] is expected


def test_start_inhibit_suppresses_torque_alarms_only_and_ends() -> None:
    """30 s from a seen start; never the contacts."""
    drive = Judged(limits=NO_RISE)
    drive.judge(running=0)
    drive.judge(10, running=1, torque=torque(41_000.0))
    assert {k for k, why in drive.suppressed.items() if why} >= {"torque_high", "shutdown_did_not_act"}
    assert not {k for k, why in drive.suppressed.items() if why} & {"alarm_contact", "shutdown_contact"}
    assert drive.holds["torque_high"] is True, "its life runs beneath"
    assert not drive.quiet(41_000.0) or drive.watch.due_ns == round(140 * 1e9)
    drive.judge(29.9)
    assert drive.suppressed["torque_high"] == "start inhibit"
    drive.judge(0.1)
    assert set(drive.suppressed.values()) == {""}


def test_a_motor_that_was_never_seen_standing_has_not_started() -> None:
    """A restart of the service, or feedback that comes back, is no start."""
    drive = Judged(limits=NO_RISE)
    drive.judge(running=-1)
    drive.judge(1, running=1)

    assert set(drive.suppressed.values()) == {""}


def test_in_test_contacts_page_nobody_and_shutdown_is_not_raised() -> None:
    """The check excuses the contact; everything that may be suppressed is; the motor is never excused."""
    drive = Judged(limits=NO_RISE)
    drive.judge(in_test=True)
    drive.stages(OPERATED, OPERATED)
    assert drive.holds["shutdown_contact"] is None
    assert (drive.holds["alarm_contact"], drive.suppressed["alarm_contact"]) == (True, "in test")
    told = drive.judge(stop=STILL_RUNNING, stop_direction="forward")
    assert ("shutdown_contact", True) in told
    assert "still_running" in drive.on
    drive.judge(in_test=False, stop="")
    assert drive.holds["shutdown_contact"] is True, "still operated when the check is over"


def test_a_motor_that_runs_on_holds_the_drive_once() -> None:
    """The latch is raised by a pulse, and not again while it holds."""
    drive = Judged()
    told = drive.judge(stop=STILL_RUNNING, stop_direction="forward")
    assert told[:2] == [("shutdown_contact", True), ("shutdown_contact", False)]
    told = drive.judge(1, held=(True,), torque=torque(11_000.0))

    assert ("shutdown_contact", True) not in told


def test_a_shutdown_between_two_scans_is_a_pulse() -> None:
    """The PLC's memory alone has seen it."""
    drive = Judged()

    assert drive.judge(momentary=("forward",))[:2] == [("shutdown_contact", True), ("shutdown_contact", False)]
    assert drive.judge(1, momentary=(), held=(True,)) == []


@pytest.mark.parametrize(
    ("stop", "running", "not_confirmed", "still"),
    [
        (AWAITED, 1, False, False),
        (CONFIRMED, 0, False, False),
        (NOT_CONFIRMED, -1, True, False),
        (STILL_RUNNING, 1, False, True),
        (STILL_RUNNING, -1, False, None),
    ],
)
def test_the_verdict_on_the_stop(stop: str, running: int, not_confirmed: bool, still: bool | None) -> None:
    """Not confirmed and still running are two alarms; feedback that fails clears neither."""
    drive = Judged()
    drive.stages(OPERATED, OPERATED)
    drive.judge(stop=stop, stop_direction="forward", running=running, held=(True,))

    assert (drive.holds["stop_not_confirmed"], drive.holds["still_running"]) == (not_confirmed, still)


def test_running_while_locked_out() -> None:
    """Only after it was seen standing, or once its stop is no longer awaited; feedback that fails says nothing."""
    drive = Judged()
    drive.stages(OPERATED, OPERATED)
    held = {"stop": AWAITED, "stop_direction": "forward", "held": (True,)}
    drive.judge(1, **held)
    assert drive.holds["running_while_locked_out"] is False, "its stop is awaited"
    drive.judge(1, running=0, stop=CONFIRMED)
    assert drive.holds["running_while_locked_out"] is False
    drive.judge(1, running=-1)
    assert drive.holds["running_while_locked_out"] is None
    drive.judge(1, running=1)
    assert drive.holds["running_while_locked_out"] is True
    drive.judge(1, test_run=True)
    assert drive.holds["running_while_locked_out"] is False, "a supervised test run"
    drive.judge(1, test_run=False)
    assert drive.holds["running_while_locked_out"] is True
    drive.stages(RELEASED, RELEASED)
    drive.judge(1, held=(False,))
    assert drive.holds["running_while_locked_out"] is False
    drive.judge(1, locked_out=True)
    assert drive.holds["running_while_locked_out"] is True, "locked out by hand"


def test_stopped_without_a_trip() -> None:
    """Standing by a shutdown is not that; standby suppresses it; no feedback says nothing."""
    drive = Judged()
    drive.judge(running=0)
    assert "stopped_without_trip" in drive.on
    drive.judge(standby=True)
    assert drive.suppressed["stopped_without_trip"] == "standby"
    drive.judge(standby=False, held=(True,))
    assert drive.holds["stopped_without_trip"] is False
    drive.judge(held=(False,), running=-1)
    assert drive.holds["stopped_without_trip"] is None


def test_calibration_that_is_due() -> None:
    """Of each direction by itself."""
    drive = Judged(two_way())
    drive.judge(overdue=(False, True))

    assert drive.on == {"calibration_due/reverse"}


def test_each_direction_is_judged_by_the_side_that_the_arm_leans_to() -> None:
    """There is no torque on the other side, so a contact there is doubted, and no overload is seen there."""
    drive = Judged(two_way(), NO_RISE)
    drive.judge(leans=REVERSE, torque=torque(41_000.0))
    assert drive.on == {
        "torque_high/reverse",
        "alarm_did_not_act/reverse",
        "shutdown_did_not_act/reverse",
    }
    drive.stages(OPERATED)
    assert {"alarm_contact", "alarm_against_position"} <= drive.on


@pytest.mark.parametrize("nm", [15_000.0, 23_999.0, 10_001.0])
def test_a_quiet_reading_needs_no_judging(nm: float) -> None:
    """Between two limits nothing can change."""
    assert Judged(limits=NO_RISE).quiet(nm)


@pytest.mark.parametrize("nm", [25_201.0, 30_000.0, 41_000.0])
def test_a_torque_beyond_a_limit_is_not_quiet(nm: float) -> None:
    """It is judged."""
    assert not Judged(limits=NO_RISE).quiet(nm)


def test_watch_goes_through_json_and_back() -> None:
    """For the snapshot from which a replay begins: no infinity, no lost enumeration."""
    drive = Judged(two_way())
    for second in range(60):
        drive.judge(1, torque=torque(10_000.0 + 100 * second), leans=FORWARD)
    adapter: TypeAdapter[Watch] = TypeAdapter(Watch)

    again = adapter.validate_json(adapter.dump_json(drive.watch))
    assert again == drive.watch
    assert again.leans is drive.watch.leans
    assert again.kind is drive.watch.kind


def test_after_changed_settings_everything_is_said_anew() -> None:
    """What was seen of the motor is kept."""
    drive = Judged()
    drive.judge(running=0, held=(True,))
    drive.watch = carried(drive.watch)

    assert len(drive.judge()) == len(drive.setup.judged)
    assert drive.watch.stood
