"""The book: what is told, whom it calls for, chatter, flood, overlays that end, settings, restart, many at once."""

from __future__ import annotations

import sys

from pydantic import TypeAdapter

from alarmbooks import ALARM, ANNA, BEN, DRIVES, HIGH, SHUTDOWN, S, Walk, events
from nightrake.alarms.book import after_restart, changed_standings, changed_subjects, is_latched, on_settings, shown
from nightrake.alarms.calls import Need
from nightrake.alarms.keys import AlarmKey
from nightrake.alarms.life import Life
from nightrake.alarms.names import StateName
from nightrake.alarms.records import AlarmBook, Condition
from nightrake.alarms.replay import Seen, replayed
from nightrake.alarms.rules import AlarmOverride, AlarmRules, site_rules

HOUR_NS = 3600 * S
BOOK: TypeAdapter[AlarmBook] = TypeAdapter(AlarmBook)


def low(i: int) -> AlarmKey:
    """'Torque high' of drive i."""
    return AlarmKey(DRIVES[i], "forward", "torque_high")


def test_an_alarm_is_told_with_what_it_is_about() -> None:
    """Key, occurrence, life before and after, priority, whether it calls, and the facts at its onset."""
    walk = Walk()
    assert walk.say(ALARM, True) == []
    (entry,) = walk.wait(2)

    assert (entry.kind, entry.event, entry.drive, entry.direction, entry.urgent) == (
        ("alarm", "raised", "D0", "forward", False)
    )
    assert entry.data == {
        "alarm": "D0/forward/alarm_contact",
        "occurrence": 1,
        "life": "unacknowledged",
        "was": "normal",
        "priority": "high",
        "call": True,
        "withheld": "",
        "suppressed": "",
        "severity": 0,
        "torque_nm": 1.0,
    }


def test_what_is_about_a_shutdown_is_urgent() -> None:
    """Every entry of it."""
    walk = Walk()
    walk.say(SHUTDOWN, True)
    walk.ask("acknowledge", SHUTDOWN, 1)

    assert [(e.event, e.urgent) for e in walk.entries] == [("raised", True), ("acknowledged", True)]
    assert is_latched(walk.book, "D0", "forward")


def test_nothing_new_gives_the_same_book() -> None:
    """Time that is not due and conditions that change nothing cost nothing."""
    walk = Walk()
    before = walk.book
    walk.say(ALARM, False)
    walk.say(ALARM, None)
    walk.wait(5)
    assert walk.book is before
    walk.say(ALARM, True)
    walk.wait(5)
    before = walk.book
    assert walk.say(ALARM, True) == []
    assert walk.wait(50) == []
    assert (walk.book == before, before.subjects["D0"].alarms != {}) == (True, True)


def test_values_handed_in_are_never_changed() -> None:
    """A book that somebody kept is what it was."""
    walk = Walk()
    walk.say(SHUTDOWN, True)
    kept, text = walk.book, BOOK.dump_json(walk.book)
    walk.ask("acknowledge", SHUTDOWN, 1)
    walk.say(SHUTDOWN, False)
    walk.wait(100)

    assert BOOK.dump_json(kept) == text


def test_a_pulse_of_a_shutdown_latches() -> None:
    """It held for a moment only, and is gone in the same step."""
    walk = Walk()
    told = walk.give(Condition(SHUTDOWN, True), Condition(SHUTDOWN, False))

    assert events(told) == ["raised"]
    assert events(walk.wait(61)) == ["latched"]
    assert walk.alarm(SHUTDOWN).state.life is Life.LATCHED_UNACKNOWLEDGED


def test_occurrences_are_counted_for_ever() -> None:
    """Also over times in which nothing of the alarm is kept."""
    walk = Walk()
    for n in (1, 2, 3):
        walk.say(HIGH, True)
        walk.wait(10)
        assert walk.alarm(HIGH).state.occurrence == n
        assert walk.ask("acknowledge", HIGH, n).ok
        walk.say(HIGH, False)
        walk.wait(2000)
        assert walk.book.subjects["D0"].alarms == {}
    assert walk.book.subjects["D0"].occurrences == {str(HIGH): 3}


# --- chatter and flood ---


def flicker(walk: Walk, key: AlarmKey, times: int, every_s: float = 15.0) -> None:
    """An alarm that comes and is acknowledged and goes, again and again."""
    for _ in range(times):
        walk.say(key, True)
        walk.wait(1)
        walk.ask("acknowledge", key, walk.alarm(key).state.occurrence)
        walk.say(key, False)
        walk.wait(every_s - 1)


QUICK = AlarmKey("D0", "forward", "alarm_channels_disagree")  # no on-delay, ten seconds of off-delay


def test_three_annunciations_in_a_minute_are_chatter() -> None:
    """Two are not; the third is not called for, and told as chattering."""
    walk = Walk()
    flicker(walk, QUICK, 2)
    assert "chattering_began" not in walk.events()
    walk.say(QUICK, True)

    raised = [e.data["call"] for e in walk.entries if e.event == "raised"]
    assert (raised, walk.events()[-2:]) == ([True, True, False], ["chattering_began", "raised"])
    assert walk.alarm(QUICK).withheld == "chattering"


def test_a_minute_apart_is_no_chatter() -> None:
    """Three annunciations in exactly a minute, and any slower."""
    walk = Walk()
    flicker(walk, QUICK, 6, every_s=30.0)

    assert "chattering_began" not in walk.events()


def test_what_stays_after_a_chatter_is_called() -> None:
    """Nothing real is missed: a minute without a further one, and the call goes out."""
    walk = Walk()
    flicker(walk, QUICK, 2)
    walk.say(QUICK, True)
    told = walk.wait(61)

    assert events(told) == ["chattering_ended", "call_released"]
    assert (walk.alarm(QUICK).calling, walk.alarm(QUICK).withheld) == (True, "")


def test_chatter_holds_back_a_call_for_the_time_to_respond_at_most() -> None:
    """What chatters all night is called now and then."""
    walk = Walk()
    flicker(walk, QUICK, 400)
    calls = [e for e in walk.entries if e.data.get("call")]

    assert len([e for e in walk.entries if e.event == "raised"]) == 400
    assert 3 <= len(calls) <= 7


def test_an_unanswered_call_goes_on_through_chatter() -> None:
    """An alarm that nobody has answered is not forgotten because it bounces."""
    walk = Walk()
    needs = []
    for _ in range(8):
        for holds, span_s in ((True, 2), (False, 12)):
            before = walk.book
            walk.say(QUICK, holds)
            walk.wait(span_s)
            needs += [s.need for s in changed_standings(before, walk.book, walk.rules)]

    assert needs[:3] == [Need.CALL, Need.REST, Need.CALL]
    assert set(needs[4:]) <= {Need.CALL}, "once it chatters, its call stays out while it is gone"
    assert walk.alarm(QUICK).state.occurrence == 3, "once it chatters all is one, or nobody could acknowledge it"


def raise_low(walk: Walk, count: int, first: int = 0) -> None:
    """So many low alarms, one a second."""
    for i in range(first, first + count):
        walk.say(low(i), True)
        walk.wait(1)
    walk.wait(10)


def test_ten_alarms_in_ten_minutes_are_no_flood_and_eleven_are() -> None:
    """The eleventh is held back, since it is low."""
    walk = Walk()
    raise_low(walk, 10)
    assert "flood_began" not in walk.events()
    raise_low(walk, 1, 10)

    assert walk.events()[-2:] == ["flood_began", "raised"]
    assert (walk.alarm(low(10)).withheld, walk.entries[-1].data["call"]) == ("alarm flood", False)


def test_a_flood_ends_below_five_in_ten_minutes() -> None:
    """At five it still is one; with four it ends, and what was held back is called."""
    walk = Walk()
    raise_low(walk, 11)
    walk.wait(565)
    assert walk.book.flood.active
    told = walk.wait(40)

    assert events(told)[0] == "flood_ended"
    assert [(e.event, e.data["after"]) for e in told[1:]] == [("call_released", "alarm flood")]
    assert not walk.book.flood.active


def test_a_flood_hides_nothing_above_low() -> None:
    """Alarm contacts and shutdowns are called for; how many messages one person gets is the pager's to limit."""
    walk = Walk()
    raise_low(walk, 12)
    for kind in ("alarm_contact", "shutdown_contact"):
        walk.say(AlarmKey("D30", "forward", kind), True)
    walk.wait(2)

    calls = {e.data["alarm"]: e.data["call"] for e in walk.entries if e.event == "raised" and e.drive == "D30"}
    assert calls == {"D30/forward/alarm_contact": True, "D30/forward/shutdown_contact": True}


def test_no_chatter_hides_a_shutdown() -> None:
    """However often it comes."""
    walk = Walk()
    for _ in range(5):
        walk.say(SHUTDOWN, True)
        walk.wait(1)
        walk.say(SHUTDOWN, False)
        walk.wait(61)
        walk.ask("acknowledge", SHUTDOWN, walk.alarm(SHUTDOWN).state.occurrence)
        walk.ask("reset", SHUTDOWN)
    on = AlarmKey("D0", "forward", "still_running")
    for _ in range(9):
        walk.say(on, True)
        walk.say(on, False)
        walk.wait(1)

    raised = [e for e in walk.entries if e.event in ("raised", "raised_again")]
    assert [e.data["call"] for e in raised] == [True] * 14


def test_notices_call_nobody_and_count_nowhere() -> None:
    """They stand, and can be acknowledged."""
    walk = Walk()
    for drive in DRIVES:
        walk.say(AlarmKey(drive, "forward", "calibration_due"), True)

    assert {e.data["call"] for e in walk.entries} == {False}
    assert (walk.book.flood.times, len(shown(walk.book))) == ((), len(DRIVES))
    assert {s.need for s in changed_standings(AlarmBook(), walk.book, walk.rules)} == {Need.REST}


# --- suppressed by design ---


def test_a_suppressed_alarm_lives_on_and_calls_when_the_suppression_ends() -> None:
    """Its life runs beneath; what is still active then is called for."""
    walk = Walk()
    walk.say(HIGH, True, "start inhibit")
    (raised,) = walk.wait(10)
    assert (raised.data["call"], raised.data["withheld"]) == (False, "suppressed by design: start inhibit")
    assert walk.alarm(HIGH).name is StateName.SUPPRESSED_BY_DESIGN
    told = walk.say(HIGH, True)

    assert events(told) == ["suppression_ended", "call_released"]
    assert walk.alarm(HIGH).name is StateName.UNACKNOWLEDGED


def test_logic_cannot_suppress_a_shutdown() -> None:
    """Whatever it says."""
    walk = Walk()
    (raised,) = walk.say(SHUTDOWN, True, "in test")

    assert (raised.data["call"], walk.alarm(SHUTDOWN).overlays.suppressed) == (True, "")


# --- settings ---


def without(walk: Walk, *only: AlarmKey) -> AlarmRules:
    """The rules of a site in which D0 has no other alarms than these; without any it is not there."""
    keys = {name: texts for name, texts in walk.rules.keys.items() if name != "D0"}
    walk.rules = walk.rules._replace(keys={**keys, "D0": frozenset(map(str, only))} if only else keys)
    return walk.rules


def test_a_drive_that_is_taken_away_comes_back_as_it_was() -> None:
    """Nobody gets rid of a latch, an acknowledgement or an occurrence by editing the settings."""
    walk = Walk()
    walk.say(SHUTDOWN, True)
    walk.ask("acknowledge", SHUTDOWN, 1)
    before = walk.book
    walk.book, told = on_settings(walk.book, without(walk), walk.now_ns, walk.utc_ms)
    assert events(list(told)) == ["withdrawn"]
    assert [s.need for s in changed_standings(before, walk.book, walk.rules)] == [Need.AWAY]
    assert (shown(walk.book), walk.ask("reset", SHUTDOWN).ok) == ((), False)
    walk.say(SHUTDOWN, False)
    walk.wait(100)
    gone = walk.book
    walk.book, told = on_settings(walk.book, without(walk, SHUTDOWN), walk.now_ns, walk.utc_ms)

    assert events(list(told)) == ["reinstated"]
    state = walk.alarm(SHUTDOWN).state
    assert (state.life, state.occurrence, state.acked_by) == (Life.ACKNOWLEDGED, 1, "anna")
    assert [s.need for s in changed_standings(gone, walk.book, walk.rules)] == [Need.RESPOND]


def test_an_alarm_that_nothing_judges_any_more_leaves_like_any_other() -> None:
    """A transducer was taken out of the settings: its alarm clears; the drive's other alarms are not touched."""
    walk = Walk()
    walk.give(Condition(HIGH, True), Condition(SHUTDOWN, True))
    walk.wait(10)
    walk.book, told = on_settings(walk.book, without(walk, SHUTDOWN), walk.now_ns, walk.utc_ms)
    assert told == ()
    walk.wait(2000)

    assert walk.alarm(HIGH).state.life is Life.CLEARED_UNACKNOWLEDGED
    assert walk.alarm(SHUTDOWN).state.life is Life.UNACKNOWLEDGED


# --- restart ---


def restarted(walk: Walk, down_s: float, same_boot: bool) -> None:
    """The book through the store; after a start of the machine the monotonic clock is another one."""
    kept = BOOK.dump_json(walk.book)
    loaded = BOOK.validate_json(kept)
    assert loaded == walk.book
    walk.now_s += down_s
    walk.book = after_restart(loaded, walk.now_ns, walk.utc_ms, same_boot=same_boot)


def test_a_restart_raises_nothing_twice_and_forgets_nothing() -> None:
    """Alarms of every life go on, with their numbers and names; nothing is told until something is judged."""
    walk = Walk()
    latched, cleared = AlarmKey("D1", "forward", "shutdown_contact"), AlarmKey("D2", "forward", "torque_high")
    walk.give(*(Condition(k, True) for k in (SHUTDOWN, ALARM, latched, cleared)))
    walk.wait(10)
    walk.ask("acknowledge", ALARM, 1)
    walk.give(Condition(latched, False), Condition(cleared, False))
    walk.wait(1200)
    lives = {k: walk.alarm(k).state.life for k in (SHUTDOWN, ALARM, latched, cleared)}
    assert [x.name[0] for x in lives.values()] == ["U", "A", "L", "C"]
    for same_boot in (True, False):
        restarted(walk, 60, same_boot)
        assert walk.wait(5) == []
        assert walk.give(*(Condition(k, True) for k in (SHUTDOWN, ALARM))) == []
        assert walk.give(*(Condition(k, False) for k in (latched, cleared))) == []
        assert walk.wait(5) == []

    assert {k: walk.alarm(k).state.life for k in lives} == lives
    assert walk.alarm(ALARM).state.acked_by == "anna"
    assert not walk.ask("reset", latched).ok
    walk.say(cleared, True)
    walk.wait(10)
    assert walk.alarm(cleared).state.occurrence == 2, "nobody has seen it come again"


def test_what_came_to_its_end_while_the_service_was_away_is_told_then() -> None:
    """A shelving ends by UTC where the monotonic clock is another one; a running flood ends too."""
    walk = Walk()
    raise_low(walk, 11)
    walk.ask("shelve", ALARM, HOUR_NS, "known")
    walk.say(ALARM, True)
    walk.wait(5)
    restarted(walk, 1800, same_boot=False)
    assert walk.wait(5) == []
    restarted(walk, 1800, same_boot=False)
    walk.say(ALARM, True)

    assert walk.events()[-2:] == ["shelving_ended", "call_released"]
    assert "flood_ended" in events(walk.wait(600))


def test_the_journal_alone_gives_the_same_alarms() -> None:
    """Lives, numbers, who acknowledged, and what lies over them."""
    walk = Walk()
    raise_low(walk, 14)
    walk.ask("shelve", low(3), HOUR_NS, "known")
    walk.ask("out_of_service", low(4), HOUR_NS, "permit 7")
    walk.ask("acknowledge", low(5), 1, by=BEN)
    walk.say(low(6), False)
    walk.say(low(7), True, "in test")
    walk.say(SHUTDOWN, True)
    walk.ask("acknowledge", SHUTDOWN, 1)
    walk.say(SHUTDOWN, False)
    walk.wait(1500)
    seen = replayed(walk.entries)

    for alarm in shown(walk.book):
        state, lying = alarm.state, alarm.overlays
        assert seen[str(alarm.key)] == Seen(
            state.life,
            state.occurrence,
            state.acked_by,
            lying.shelved.by if lying.shelved else "",
            lying.suppressed,
            lying.out_of_service.by if lying.out_of_service else "",
        )
    assert {k for k, s in seen.items() if s.life is not Life.NORMAL} == {str(a.key) for a in shown(walk.book)}


# --- many ---


def test_a_thousand_alarms_in_one_second_stay_bounded() -> None:
    """All are told, what calls people is not the flood of them, and what is kept does not grow with repetition."""
    walk = Walk(site_rules(dict.fromkeys(DRIVES, 0), {"alarm_contact": AlarmOverride(on_delay_s=0.0)}), step_s=0.1)
    kinds = (
        "alarm_channels_disagree",
        "shutdown_channels_disagree",
        "still_running",
        "shutdown_contact",
        "alarm_contact",
    )
    keys = [AlarmKey(d, s, k) for d in DRIVES for s in ("forward", "reverse") for k in kinds]
    keys += [AlarmKey(d, "forward", k, c) for d in DRIVES for k in kinds for c in "ABC"]
    assert len(set(keys)) == 1000
    for i in range(0, 1000, 100):
        walk.give(*(Condition(k, True, "", 0, {"torque_nm": 1.0}) for k in keys[i : i + 100]))
        walk.wait(0.1)
    raised = [e for e in walk.entries if e.event == "raised"]
    assert len({e.data["alarm"] for e in raised}) == len(raised) == 1000
    assert all(e.data["call"] for e in raised if e.urgent)
    standings = changed_standings(AlarmBook(), walk.book, walk.rules)
    urgent = [s.priority == "urgent" for s in standings]
    assert (len(standings), urgent) == (1000, sorted(urgent, reverse=True))
    assert set(changed_subjects(AlarmBook(), walk.book)) == set(DRIVES)
    size = len(BOOK.dump_json(walk.book))
    for _ in range(4):
        walk.give(*(Condition(k, False) for k in keys))
        walk.wait(61)
        walk.give(*(Condition(k, True, "", 0, {"torque_nm": 1.0}) for k in keys))

    assert len(BOOK.dump_json(walk.book)) < 1.2 * size
    assert len(walk.book.flood.times) == 11
    assert sys.getsizeof(walk.book.subjects) < 10_000
    assert ANNA["actor"] not in str(walk.entries[0])
