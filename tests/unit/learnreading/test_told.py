"""What the journal's rows say of a drive's trend: what is left out, what may have shifted its level."""

from __future__ import annotations

from typing import Any

from nightrake.domain.rows import Row, canonical
from nightrake.learnreading.told import NOTHING, Told, told_of, wanted

HOUR_MS = 3_600_000
NOW_MS = 2_000 * HOUR_MS


def row(kind: str, event: str, drive: str, hours: float, **data: Any) -> Row:
    """A row at hours after the beginning."""
    at_ms = round(hours * HOUR_MS)
    return Row("e", at_ms, kind, event, drive, "", False, 1, 0, "b", at_ms, at_ms, True, canonical(data), b"", b"")


def test_function_check_is_left_out_from_begin_to_end() -> None:
    """Of that drive and of no other; one that is still open lasts until now."""
    rows = [
        row("drive", "test_began", "PC1", 10),
        row("drive", "test_ended", "PC1", 10.5),
        row("drive", "test_began", "PC2", 1_999.5),
    ]
    told = told_of(rows, NOW_MS)
    assert told["PC1"].left_out == ((10 * HOUR_MS, round(10.5 * HOUR_MS)),)
    assert told["PC2"].left_out == ((round(1_999.5 * HOUR_MS), NOW_MS),)
    assert told[""] == NOTHING


def test_check_whose_end_is_lost_is_no_longer_than_checks_are() -> None:
    """A year is not left out for a row that is missing."""
    told = told_of([row("drive", "test_began", "PC1", 10)], NOW_MS)
    assert told["PC1"].left_out == ((10 * HOUR_MS, 14 * HOUR_MS),)


def test_position_out_of_service_is_left_out_and_a_contact_is_not() -> None:
    """Alarms by torque only: a contact out of service says nothing against the torque. Spans that touch are one."""
    rows = [
        row("alarm", "out_of_service", "PC1", 10, alarm="PC1/forward/torque_high"),
        row("alarm", "out_of_service", "PC1", 11, alarm="PC1/forward/alarm_contact"),
        row("alarm", "out_of_service", "PC1", 12, alarm="PC1/-/reading_bad"),
        row("alarm", "returned_to_service", "PC1", 20, alarm="PC1/forward/torque_high"),
        row("alarm", "out_of_service_ended", "PC1", 30, alarm="PC1/-/reading_bad"),
        row("alarm", "out_of_service_ended", "PC1", 99, alarm="PC1/forward/alarm_contact"),
    ]
    assert told_of(rows, NOW_MS)["PC1"].left_out == ((10 * HOUR_MS, 30 * HOUR_MS),)


def test_release_is_told_with_its_cause() -> None:
    """A shift may stand where a lockout was released; a cause of an earlier lockout is not its."""
    rows = [
        row("lockout", "opened", "SC2", 5),
        row("lockout", "cause", "SC2", 6, cause="ice"),
        row("lockout", "released", "SC2", 7),
        row("lockout", "opened", "SC2", 50),
        row("lockout", "released", "SC2", 51),
    ]
    events = told_of(rows, NOW_MS)["SC2"].events
    assert [(e.utc_ms // HOUR_MS, e.why) for e in events] == [
        (7, "lockout released, cause: ice"),
        (51, "lockout released"),
    ]


def test_release_is_told_with_every_cause_that_stood() -> None:
    """Two people saw two things; one's later word takes the place of the earlier; a further shutdown makes both old."""
    rows = [
        row("lockout", "opened", "SC2", 5),
        row("lockout", "cause", "SC2", 6, cause="sand", actor="fitter1"),
        row("lockout", "shutdown_again", "SC2", 7),
        row("lockout", "cause", "SC2", 8, cause="sludge", actor="fitter1"),
        row("lockout", "cause", "SC2", 9, cause="ice", actor="fitter1"),
        row("lockout", "cause", "SC2", 10, cause="a plank", actor="night1"),
        row("lockout", "cause", "SC2", 11, remark="of two metres", actor="super1"),
        row("lockout", "released", "SC2", 12),
    ]
    (event,) = told_of(rows, NOW_MS)["SC2"].events

    assert event.why == "lockout released, cause: ice, or a plank"


def test_clock_that_was_set_is_told_to_all() -> None:
    """By hours, not by seconds; drives without rows of their own hear it too."""
    rows = [
        row("service", "clock_stepped", "", 5, by_s=-7_200.0),
        row("service", "clock_stepped", "", 6, by_s=2.0),
        row("lockout", "released", "SC2", 7),
    ]
    told = told_of(rows, NOW_MS)
    assert told["SC2"].sentences == told[""].sentences == ("The clock was set back by 2 h.",)


def test_damaged_rows_say_nothing() -> None:
    """Payloads of another form are passed over."""
    bad = row("alarm", "out_of_service", "PC1", 1)._replace(payload=b"{")
    assert told_of([bad, row("lockout", "released", "PC1", 2)._replace(payload=b"[]")], NOW_MS)["PC1"] == Told(
        (), told_of([row("lockout", "released", "PC1", 2)], NOW_MS)["PC1"].events
    )


def test_what_is_asked_of_the_journal() -> None:
    """Rows from before the period on, for what reaches into it."""
    asked = wanted(200 * 24 * HOUR_MS, 300 * 24 * HOUR_MS, ("contact_edge", "test_began"))
    assert asked.since_utc_ms == 108 * 24 * HOUR_MS
    assert asked.drive_events == ("test_began", "test_ended", "contact_edge")
