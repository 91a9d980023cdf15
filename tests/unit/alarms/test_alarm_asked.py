"""What people ask of an alarm: done or refused in one sentence, and journalled either way."""

from __future__ import annotations

import pytest

from alarmbooks import ALARM, BEN, HIGH, SHUTDOWN, S, Walk, events
from nightrake.alarms.keys import AlarmKey
from nightrake.alarms.life import Life
from nightrake.alarms.names import StateName

MIN_NS = 60 * S
DAY_NS = 86_400 * S


def raised(step_s: float = 1.0) -> Walk:
    """Drive D0's shutdown and alarm contacts have operated."""
    walk = Walk(step_s=step_s)
    walk.say(ALARM, True)
    walk.wait(2)
    walk.say(SHUTDOWN, True)
    return walk


def test_two_acknowledge_at_once_and_one_is_told_by_whom() -> None:
    """The first is accepted; the second learns whose it is."""
    walk = raised()
    first, second = walk.ask("acknowledge", SHUTDOWN, 1), walk.ask("acknowledge", SHUTDOWN, 1, by=BEN)

    assert (first.ok, second.ok) == (True, False)
    assert second.text == "D0/forward/shutdown_contact: not acknowledged: anna has acknowledged it already"
    told = walk.entries[-1].data
    assert (told["actor"], told["verb"], told["alarm"]) == ("ben", "acknowledge", str(SHUTDOWN))


@pytest.mark.parametrize(
    ("verb", "alarm", "args", "says"),
    [
        ("acknowledge", ALARM, (0,), "occurrence 0 is over and 1 stands now"),
        ("acknowledge", ALARM, (2,), "there is no occurrence 2 of it yet; 1 stands now"),
        ("acknowledge", HIGH, (1,), "no such alarm stands now"),
        ("acknowledge", "D0/forward", (1,), "there is no alarm of this name"),
        ("acknowledge", "D0/forward/no_such", (1,), "there is no alarm of this name"),
        ("shelve", "D0/sideways/alarm_contact", (MIN_NS, "noise"), "there is no alarm of this name"),
        ("shelve", "D77/forward/alarm_contact", (MIN_NS, "noise"), "there is no alarm of this name"),
        ("shelve", "D0/forward/alarm_contact/Z", (MIN_NS, "noise"), "there is no alarm of this name"),
        ("acknowledge", "x" * 500, (1,), "there is no alarm of this name"),
        ("reset", SHUTDOWN, (), "the shutdown contact is still operated"),
        ("reset", ALARM, (), "no shutdown is latched there"),
        ("shelve", SHUTDOWN, (MIN_NS, "noise"), "can never be shelved"),
        ("shelve", AlarmKey("D0", "", "running_while_locked_out"), (MIN_NS, "noise"), "can never be shelved"),
        ("shelve", ALARM, (0, "noise"), "a time limit above 0 and up to 480 minutes"),
        ("shelve", ALARM, (481 * MIN_NS, "noise"), "a time limit above 0 and up to 480 minutes"),
        ("shelve", ALARM, (MIN_NS, "  "), "shelving needs a reason"),
        ("unshelve", ALARM, (), "it is not shelved"),
        ("out_of_service", ALARM, (MIN_NS, ""), "needs a reason: the permit"),
        ("out_of_service", ALARM, (93 * DAY_NS, "permit"), "up to 92 days"),
        (
            "out_of_service",
            AlarmKey("D0", "forward", "still_running"),
            (MIN_NS, "permit"),
            "can never be out of service",
        ),
        *(
            ("out_of_service", AlarmKey("D0", "forward", kind), (MIN_NS, "permit"), "test (a function check")
            for kind in ("shutdown_contact", "stop_not_confirmed", "shutdown_did_not_act")
        ),
        ("return_to_service", ALARM, (), "it is not out of service"),
    ],
)
def test_what_cannot_be_done_is_refused_with_its_reason(
    verb: str, alarm: AlarmKey | str, args: tuple[object, ...], says: str
) -> None:
    """Nothing changes, and the journal has who asked for what and why not."""
    walk = raised()
    before, count = walk.book, len(walk.entries)
    answer = walk.ask(verb, alarm, *args)

    assert not answer.ok
    assert says in answer.text
    assert walk.book is before
    (entry,) = walk.entries[count:]
    assert (entry.kind, entry.event, entry.data["actor"], entry.data["verb"]) == ("command", "refused", "anna", verb)
    assert says in entry.data["reason"]
    assert len(entry.data["alarm"]) <= 80


def test_a_reset_needs_release_rest_and_acknowledgement() -> None:
    """In this order each is named, until nothing is missing."""
    walk = raised()
    assert "still operated" in walk.ask("reset", SHUTDOWN).text
    walk.say(SHUTDOWN, None)
    assert "cannot be read now" in walk.ask("reset", SHUTDOWN).text
    walk.say(SHUTDOWN, False)
    assert "acknowledge it first" in walk.ask("reset", SHUTDOWN).text
    assert "stays latched until it is reset" in walk.ask("acknowledge", SHUTDOWN, 1).text
    walk.wait(10)
    assert "must stay so for another 50 s" in walk.ask("reset", SHUTDOWN).text
    walk.wait(50)
    answer = walk.ask("reset", SHUTDOWN)

    assert answer.ok
    assert "in this service's record only" in answer.text
    assert (walk.entries[-1].event, walk.entries[-1].data["actor"]) == ("reset", "anna")
    assert "no shutdown is latched" in walk.ask("reset", SHUTDOWN).text


def test_a_shelved_alarm_comes_back_by_itself() -> None:
    """The list shows it, with who, why and until when; nobody is called until its time is over."""
    walk = Walk()
    assert walk.ask("shelve", ALARM, 30 * MIN_NS, "ridge is being raked out").ok
    assert walk.alarm(ALARM).name is StateName.SHELVED
    assert "anna has shelved it already" in walk.ask("shelve", ALARM, MIN_NS, "too", by=BEN).text
    walk.say(ALARM, True)
    (came,) = walk.wait(2)
    assert (came.data["call"], came.data["withheld"]) == (False, "shelved")
    told = walk.wait(1800)

    assert events(told) == ["shelving_ended", "call_released"]
    assert walk.alarm(ALARM).calling


def test_unshelving_calls_at_once_what_is_active() -> None:
    """And says nothing more where nothing is."""
    walk = raised()
    walk.ask("shelve", ALARM, 30 * MIN_NS, "known")
    assert not walk.alarm(ALARM).calling
    walk.ask("unshelve", ALARM, by=BEN)
    assert walk.events()[-3:] == ["shelved", "unshelved", "call_released"]
    walk.ask("shelve", HIGH, 30 * MIN_NS, "known")
    walk.ask("unshelve", HIGH)

    assert walk.events()[-1] == "unshelved"
    assert str(HIGH) not in walk.book.subjects["D0"].alarms


def test_repeated_shelving_is_counted() -> None:
    """As long as the alarm does not come to rest."""
    walk = raised()
    for n in (1, 2, 3):
        walk.ask("shelve", ALARM, MIN_NS, "known")
        assert walk.entries[-1].data["times"] == n
        walk.wait(61)


def test_out_of_service_lies_over_everything_and_the_life_runs_on_beneath() -> None:
    """What comes back is the life as it has become."""
    walk = raised()
    assert walk.ask("out_of_service", ALARM, 2 * DAY_NS, "permit 12").ok
    walk.say(ALARM, False)
    walk.wait(1_300)
    assert walk.alarm(ALARM).state.life is Life.CLEARED_UNACKNOWLEDGED
    walk.say(ALARM, True)
    walk.wait(2)
    assert walk.alarm(ALARM).name is StateName.OUT_OF_SERVICE
    assert not walk.alarm(ALARM).calling
    walk.ask("return_to_service", ALARM)

    assert walk.events()[-2:] == ["returned_to_service", "call_released"]
    assert walk.alarm(ALARM).name is StateName.UNACKNOWLEDGED


def test_an_overlay_ends_by_whichever_clock_is_there_first() -> None:
    """A clock set back prolongs nothing; one set forward ends it, which is the safe side."""
    walk = raised()
    walk.ask("shelve", ALARM, 30 * MIN_NS, "known")
    overlay = walk.alarm(ALARM).overlays.shelved
    assert overlay is not None
    assert (overlay.until_ns - walk.now_ns, overlay.until_utc_ms - walk.utc_ms) == (30 * MIN_NS, 1_800_000)
    assert events(walk.wait(1799)) == []
    assert events(walk.wait(1)) == ["shelving_ended", "call_released"]
