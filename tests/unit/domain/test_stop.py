"""The verdict on the hard-wired stop, and what a function check changes about it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from nightrake.domain.contacts import Moment
from nightrake.domain.rows import Entry
from nightrake.domain.site import BitSignal, Stage, Table
from nightrake.domain.stop import AWAITED, CONFIRMED, NOT_CONFIRMED, STILL_RUNNING, Stop, judge_stop
from nightrake.domain.wiring import wire_drive
from works import SECOND, Works, bit, contact, rake, site_of

STOPS = ("stop_confirmed", "stop_not_confirmed", "still_running")


def apart() -> Works:
    """A drive whose run feedback lies in a block of its own, read once."""
    works = Works(site_of(replace(rake(), running=BitSignal(bit(40, table=Table.COIL)))))
    works.scan()
    return works


def stops(works: Works) -> list[str]:
    """The verdicts told so far, in order."""
    return [e.event for e in works.entries if e.event in STOPS]


# (verdict before, feedback, read in this scan, time is up) -> verdict after
TABLE = {
    (AWAITED, 1, True, False): AWAITED,
    (AWAITED, 1, False, True): AWAITED,  # only a reading taken after the time is up can say that it runs on
    (AWAITED, 1, True, True): STILL_RUNNING,
    (AWAITED, 0, True, False): CONFIRMED,
    (AWAITED, 0, False, False): AWAITED,
    (AWAITED, -1, True, False): AWAITED,
    (AWAITED, -1, False, True): NOT_CONFIRMED,
    (NOT_CONFIRMED, -1, True, True): NOT_CONFIRMED,
    (NOT_CONFIRMED, 0, True, True): CONFIRMED,
    (NOT_CONFIRMED, 1, True, True): STILL_RUNNING,
    (NOT_CONFIRMED, 1, True, False): AWAITED,
    (STILL_RUNNING, 1, True, True): STILL_RUNNING,
    (STILL_RUNNING, -1, True, True): STILL_RUNNING,
    (STILL_RUNNING, 0, True, True): CONFIRMED,
    (CONFIRMED, 1, True, True): CONFIRMED,  # a new start, not this stop
    (CONFIRMED, -1, True, True): CONFIRMED,
    ("", 1, True, True): "",
}


@pytest.mark.parametrize(("given", "after"), list(TABLE.items()))
def test_every_arrow_of_the_verdict(given: tuple[str, int, bool, bool], after: str) -> None:
    """Feedback confirms, time alone never says that a motor runs, and each change is told once, urgently."""
    before, running, read, due = given
    wire = wire_drive(rake())
    at = Moment(10 * SECOND if due else 9 * SECOND, 0, {})

    stop, entries = judge_stop(wire, Stop(before, 10 * SECOND, "forward"), running, read, "", at)

    assert stop.verdict == after
    told = after != before and after != AWAITED
    assert [(e.direction, e.urgent) for e in entries] == [("forward", True)] * told


def test_still_running_falls_three_seconds_after_operation_on_a_fresh_reading() -> None:
    """Not on the last one before: the motor may have stopped since."""
    works = apart()
    works.operate("D", "shutdown/A")
    works.scan()
    works.scans(11)  # 2.75 s
    works.tick(500)
    assert stops(works) == []
    works.scan()

    assert stops(works) == ["still_running"]
    works.set("D", "running", 0)
    works.scan()
    assert stops(works) == ["still_running", "stop_confirmed"]


def test_feedback_that_fails_while_the_stop_is_awaited_is_told_by_time_alone() -> None:
    """No reading comes any more, but the three seconds run on."""
    works = apart()
    works.operate("D", "shutdown/A")
    works.scan()
    works.scan(bad=works.blocks("running", drive="D"))
    assert stops(works) == []
    works.tick(3_000)

    assert stops(works) == ["stop_not_confirmed"]


@pytest.mark.parametrize(("comes_back", "expected"), [(1, "still_running"), (0, "stop_confirmed")])
def test_feedback_that_was_bad_at_the_shutdown_and_comes_back_gives_the_verdict(comes_back: int, expected: str) -> None:
    """'Not confirmed' is no last word where there is feedback: a motor that runs on must be told."""
    works = apart()
    feedback = works.blocks("running", drive="D")
    works.operate("D", "shutdown/A")
    works.scan(bad=feedback)
    assert works.told("shutdown_operated")[0].data["stop"] == NOT_CONFIRMED
    works.scan(4_000, bad=feedback)
    works.set("D", "running", comes_back)
    works.scan()

    assert stops(works) == [expected]
    assert starts(works) == []


def starts(works: Works) -> list[Entry]:
    """Starts of the motor before the reset, as they were told."""
    return [e for e in works.told("raised") if e.data["alarm"] == "D/-/running_while_locked_out"]


def test_running_before_reset_is_told_after_a_confirmed_stop_only() -> None:
    """While the stop is awaited or the motor runs on, it has not started anew."""
    works = apart()
    works.operate("D", "shutdown/A")
    works.scans(20)
    assert starts(works) == []
    for level in (0, 1):
        works.set("D", "running", level)
        works.scan()

    (event,) = starts(works)
    assert (event.kind, event.urgent) == ("alarm", True)


def test_reset_forgets_the_verdict() -> None:
    """A motor that stops in the ordinary way days after the reset confirms nothing."""
    works = apart()
    works.operate("D", "shutdown/A")
    works.scans(16)
    works.operate("D", "shutdown/A", False)
    works.scan()
    assert stops(works) == ["still_running"]
    assert works.reset("D")[0]
    works.set("D", "running", 0)
    works.scans(3)

    assert stops(works) == ["still_running"]
    assert works.protection("D").stop == ""


def test_shutdown_says_whether_its_alarm_stage_acted_before() -> None:
    """A shutdown without alarm points at a sick alarm contact, or at a jam too quick for it."""
    works = Works(site_of(rake()))
    works.scan()
    works.operate("D", "shutdown/A")
    works.scan()
    works.operate("D", "shutdown/A", False)
    works.scan()
    works.operate("D", "alarm/A")
    works.operate("D", "shutdown/A")
    works.scan()

    assert [e.data["without_alarm"] for e in works.told("shutdown_operated")] == [True, False]


# --- function check ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("end", ["by command", "by time", "by restart of the reading"])
def test_contact_still_operated_when_the_check_ends_is_a_shutdown(end: str) -> None:
    """What was excused as a test is told anew, and latches, once nobody is testing."""
    works = Works(site_of(rake()))
    works.scan()
    works.set("D", "running", 0)
    assert works.ask("test", "D", "60")[0]
    works.operate("D", "shutdown/A")
    works.operate("D", "alarm/A")
    works.scan()
    assert not works.latched("D")
    if end == "by command":
        assert works.ask("test_end", "D")[0]
    elif end == "by time":
        works.scan(59_000)
        works.tick(2_000)
    else:
        works.scan(59_000, bad=[0])
        works.tick(2_000)
        assert not works.latched("D")  # a bad reading raises nothing
        works.scan()

    first, second = works.told("shutdown_operated")
    assert (first.data["in_test"], second.data["in_test"], second.data["since_test"]) == (True, False, True)
    assert works.latched("D")
    assert len(works.told("alarm_operated")) == 2
    works.scans(3)
    assert len(works.told("shutdown_operated")) == 2


def test_contact_released_before_the_check_ends_leaves_nothing() -> None:
    """A contact that was proved in the proper way is no event afterwards."""
    works = Works(site_of(rake()))
    works.scan()
    works.set("D", "running", 0)
    works.ask("test", "D", "60")
    works.operate("D", "shutdown/A")
    works.scan()
    works.operate("D", "shutdown/A", False)
    works.scan()
    works.ask("test_end", "D")
    works.scans(3)

    assert not works.latched("D")
    assert len(works.told("shutdown_operated")) == 1
    assert [e.data["by"] for e in works.told("test_ended")] == ["somebody"]


def test_shutdown_that_stood_before_the_check_stays_latched_through_it() -> None:
    """A function check excuses nothing that came before it."""
    works = Works(site_of(rake()))
    works.scan()
    works.operate("D", "shutdown/A")
    works.set("D", "running", 0)
    works.scan()
    works.ask("test", "D", "60")
    works.tick(61_000)
    works.scan()

    assert works.latched("D")
    assert len(works.told("shutdown_operated")) == 1


def test_motor_that_runs_on_in_a_check_latches() -> None:
    """The one thing that a function check does not excuse."""
    works = Works(site_of(rake()))
    works.scan()
    works.ask("test", "D", "600")
    works.operate("D", "shutdown/A")
    works.scans(14)

    assert works.latched("D")
    raised = [e.data["alarm"] for e in works.told("raised")]
    assert raised == ["D/forward/shutdown_contact", "D/forward/still_running"]


def test_check_is_shown_as_quality_and_can_be_extended() -> None:
    """Everybody sees it; asking again moves its end; an end that is not a number is refused."""
    works = Works(site_of(rake()))
    works.scan()
    works.ask("test", "D", "10")
    assert "in test" in works.reasons("D")
    works.ask("test", "D", "100")
    works.tick(50_000)
    assert "in test" in works.reasons("D")
    works.tick(60_000)

    assert "in test" not in works.reasons("D")
    assert len(works.told("test_ended")) == 1
    for nonsense in ("nan", "inf", "-1", "0", "", "14401", "1e300"):
        ok, text = works.ask("test", "D", nonsense)
        assert not ok
        assert "seconds" in text
    assert not works.ask("test_end", "D")[0]


def test_stage_without_contacts_and_two_directions_keep_their_sides_apart() -> None:
    """A drive with a shutdown stage only has no alarm to miss."""
    works = Works(site_of(rake("D", contact("D", Stage.SHUTDOWN, bit(1)))))
    works.scan()
    works.operate("D", "shutdown/A")
    works.scan()

    assert works.told("shutdown_operated")[0].data["without_alarm"] is False
