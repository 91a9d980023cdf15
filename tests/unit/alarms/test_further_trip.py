"""A shutdown that comes once more, and what was bad most of the time: who has seen the one has not seen the other."""

from __future__ import annotations

from pydantic import TypeAdapter

from alarmbooks import SHUTDOWN, S, Walk
from callnights import Night
from nightrake.alarms.keys import AlarmKey
from nightrake.alarms.life import AlarmState, Life, after_restart, due_ns, on_condition, on_tick
from nightrake.alarms.lockoutsteps import LockoutStep
from nightrake.alarms.records import AlarmBook
from nightrake.alarms.rules import rule_for
from nightrake.alarms.table import ALARM_TYPES

UNREADABLE = AlarmKey("D0", "", "contact_unreadable")
TRIP = rule_for(ALARM_TYPES["shutdown_contact"])
READING = rule_for(ALARM_TYPES["contact_unreadable"])


def acknowledged_trip() -> Walk:
    """A shutdown that somebody has acknowledged while its contact was operated."""
    walk = Walk()
    walk.say(SHUTDOWN, True)
    assert walk.ask("acknowledge", SHUTDOWN, 1).ok
    walk.entries.clear()
    return walk


def test_a_further_trip_within_the_off_delay_calls_again_as_another_occurrence() -> None:
    """Forty seconds after the first was released and acknowledged."""
    walk = acknowledged_trip()
    walk.say(SHUTDOWN, False)
    walk.wait(40)
    (again,) = walk.say(SHUTDOWN, True)

    assert (again.event, again.urgent, again.data["occurrence"], again.data["call"]) == ("raised_again", True, 2, True)
    assert walk.alarm(SHUTDOWN).calling
    assert "occurrence 1 is over and 2 stands now" in walk.ask("acknowledge", SHUTDOWN, 1).text
    assert walk.ask("acknowledge", SHUTDOWN, 2).ok


def test_a_contact_that_bounces_is_no_further_trip() -> None:
    """Released for less than five seconds, ten times over; nobody is called again."""
    walk = acknowledged_trip()
    for _ in range(10):
        walk.say(SHUTDOWN, False)
        walk.wait(4)
        walk.say(SHUTDOWN, True)
        walk.wait(4)

    assert walk.entries == []


def started_between(started_s: float, released_s: float) -> Night:
    """Tripped, acknowledged; the contact is released, the motor starts and stops, and the contact operates again.

    Args:
        started_s: When the motor starts after the release; not at all where that is later than `released_s`.
        released_s: When the contact operates again.
    """
    night = Night()
    night.trip()
    assert night.answer("D/forward/shutdown_contact")
    night.ask("cause", "D", cause="sludge", actor="night", role="operator")
    night.run(600, each_s=10)
    night.entries.clear()
    night.operate("D", "shutdown/A", False)
    night.run(started_s, each_s=0.5)
    if started_s < released_s:
        night.set("D", "running", 1)
        night.run(released_s - started_s, each_s=0.5)
    night.operate("D", "shutdown/A")
    night.set("D", "running", 0)
    night.run(2)
    return night


def test_a_drive_that_was_started_has_tripped_again_however_soon() -> None:
    """Released for two seconds and for four: an automatic restart. Reports of before it do not count any more."""
    for released_s in (2.0, 4.0):
        night = started_between(1.0, released_s)

        (again,) = [e for e in night.told("raised_again") if e.data["alarm"] == "D/forward/shutdown_contact"]
        assert (again.data["occurrence"], again.data["call"], again.urgent) == (2, True, True)
        assert len(night.told("shutdown_again")) == 1
        assert night.state.alarms.lockout_of("D").last(LockoutStep.CAUSE) is None


def test_a_start_just_before_the_release_was_counted_is_one_too() -> None:
    """A debounced contact is counted as released up to a second late; a start of long before is not of this release."""
    state, _ = on_condition(AlarmState(), TRIP, True, 100 * S, 0)
    released, _ = on_condition(state, TRIP, False, 160 * S, 0)
    events = {}
    for started_s in (0.0, 99.0, 158.9, 159.0, 160.0, 161.5):
        _, moved = on_condition(released, TRIP, True, 162 * S, 0, started_ns=round(started_s * S))
        events[started_s] = [m.event for m in moved]

    again = ["comes again"]
    assert events == {0.0: [], 99.0: [], 158.9: [], 159.0: again, 160.0: again, 161.5: again}


def test_a_contact_that_bounces_while_the_motor_stands_has_not_tripped_again() -> None:
    """Nor while it coasts: only a start that was seen counts, and one of before this trip does not."""
    night = started_between(4.0, 4.0)
    assert night.told("raised_again") == night.told("shutdown_again") == []
    coasting = Night()
    coasting.set("D", "running", 0)
    coasting.run(5)
    coasting.set("D", "running", 1)
    coasting.run(60)
    coasting.operate("D", "shutdown/A")
    coasting.run(3)
    coasting.operate("D", "shutdown/A", False)
    coasting.run(2)
    coasting.operate("D", "shutdown/A")
    coasting.run(2)

    assert coasting.told("raised_again") == coasting.told("shutdown_again") == []


def test_a_contact_that_bounces_as_the_drive_trips_on_its_start_has_tripped_once() -> None:
    """A jammed rake: it operates half a second after the start, is let go for a moment, and operates again."""
    night = Night()
    night.set("D", "running", 0)
    night.run(30)
    night.set("D", "running", 1)
    for operated in (False, True, False, True, False, True):
        night.operate("D", "shutdown/A", operated)
        night.scan(250)
    night.set("D", "running", 0)
    night.run(5)

    assert len([e for e in night.told("raised") if e.data["alarm"].endswith("shutdown_contact")]) == 1
    assert night.told("raised_again") == night.told("shutdown_again") == []
    night.operate("D", "shutdown/A", False)
    night.run(2, each_s=0.5)
    night.set("D", "running", 1)
    night.scan(500)
    night.operate("D", "shutdown/A")
    night.scan(500)

    assert len(night.told("shutdown_again")) == 1, "another start is another trip"


def test_a_further_trip_before_the_acknowledgement_is_told_but_can_still_be_acknowledged() -> None:
    """Whoever wants to acknowledge a contact that comes each ten seconds must be able to."""
    walk = Walk()
    walk.say(SHUTDOWN, True)
    for _ in range(3):
        walk.say(SHUTDOWN, False)
        walk.wait(6)
        walk.say(SHUTDOWN, True)
        walk.wait(4)

    assert [e for e in walk.events() if e.startswith("raised")] == ["raised", *["raised_again"] * 3]
    assert walk.ask("acknowledge", SHUTDOWN, 1).ok


def test_a_further_trip_after_an_unreadable_while_is_one_too() -> None:
    """Seen released, then not read, then operated: that it was released is known."""
    walk = acknowledged_trip()
    walk.say(SHUTDOWN, False)
    walk.wait(10)
    walk.say(SHUTDOWN, None)
    walk.wait(10)

    assert [e.event for e in walk.say(SHUTDOWN, True)] == ["raised_again"]


def test_a_further_trip_over_a_restart_is_one_too() -> None:
    """Seen released before it; nobody knows for how long it was released meanwhile. Still operated, it is none."""
    released = AlarmState(Life.ACKNOWLEDGED, 1, condition=False, since_ns=99 * S)
    operated = released._replace(condition=True, since_ns=0)
    for state, events in ((released, ["comes again"]), (operated, [])):
        _, moved = on_condition(after_restart(state), TRIP, True, 100 * S, 0)
        assert [m.event for m in moved] == events


def test_latched_and_operated_again_the_first_acknowledgement_does_not_silence_the_second() -> None:
    """One that was sent for the first trip arrives after the second."""
    walk = Walk()
    walk.say(SHUTDOWN, True)
    walk.say(SHUTDOWN, False)
    walk.wait(70)
    assert walk.alarm(SHUTDOWN).state.life is Life.LATCHED_UNACKNOWLEDGED
    walk.say(SHUTDOWN, True)

    assert not walk.ask("acknowledge", SHUTDOWN, 1).ok
    assert walk.alarm(SHUTDOWN).calling
    assert walk.entries[-2].data["occurrence"] == 2


def unreadable(walk: Walk, bad_s: float, good_s: float, times: int) -> list[str]:
    """Contacts that cannot be read for a while, again and again."""
    for _ in range(times):
        walk.say(UNREADABLE, True)
        walk.wait(bad_s)
        walk.say(UNREADABLE, False)
        walk.wait(good_s)
    return walk.events()


def test_contacts_unreadable_most_of_the_time_are_an_alarm() -> None:
    """25 of 26 seconds: below the on-delay each time, and nearly blind. It is raised in the second span."""
    assert unreadable(Walk(), 25, 1, 1) == []
    assert unreadable(Walk(), 25, 1, 2) == ["raised"]
    assert unreadable(Walk(), 25, 1, 90) == ["raised"], "and does not come and go with them"


def test_contacts_unreadable_now_and_then_are_none() -> None:
    """Less than half of the time; and what was long ago does not count."""
    assert unreadable(Walk(), 10, 11, 100) == []
    assert unreadable(Walk(), 25, 30, 100) == []


def test_what_is_left_of_an_on_delay_wears_off_and_nothing_is_kept_of_it() -> None:
    """As fast as it has built up."""
    walk = Walk()
    unreadable(walk, 20, 19, 1)
    assert walk.alarm(UNREADABLE).state.leak_ns
    walk.wait(2)
    assert walk.book.subjects["D0"].alarms == {}
    state, _ = on_condition(AlarmState(), READING, True, 100 * S, 0)
    state, _ = on_condition(state, READING, False, 120 * S, 0)
    half, _ = on_condition(state, READING, True, 130 * S, 0)
    gone, _ = on_condition(on_tick(state, READING, 140 * S, 0)[0], READING, True, 150 * S, 0)

    assert (due_ns(half, READING), due_ns(gone, READING)) == (150 * S, 180 * S)


def test_leaks_are_kept_and_come_back() -> None:
    """A book with them goes through the store."""
    walk = Walk()
    unreadable(walk, 20, 1, 1)
    kept: TypeAdapter[AlarmBook] = TypeAdapter(AlarmBook)

    assert kept.validate_json(kept.dump_json(walk.book)) == walk.book
