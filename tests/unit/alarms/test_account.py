"""The account of a night: only what the rows say, in order, at 80 columns."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alarmnights import FACTS, PC1_ALARM, PC1_SHUTDOWN, SILENT, Nights, S, scripted
from nightrake.alarms.account import COMINGS_SHOWN, Account
from nightrake.alarms.accountlines import Names, account_lines
from nightrake.alarms.keys import AlarmKey
from nightrake.alarms.lockoutsteps import LockoutStep
from nightrake.alarms.rota import Chain, CheckTimes, Step
from nightrake.domain.rows import Entry, Row
from unit.alarms.rotas import EVERY_DAY, LONDON, MINUTE, local, rota

NAMES = Names("Fennmark", {"PC1": "Primary clarifier 1"}, {"night1": "Night shift operator (operator)"})
NIGHT = ("2026-11-25 18:00", "2026-11-26 08:00")
TWO_STEPS = Chain((Step(teams=("operators",), wait_ns=10 * MINUTE), Step(people=("super1",), wait_ns=10 * MINUTE)), 1)


def told(rows: Iterable[Row], begin: str = NIGHT[0], end: str = NIGHT[1], now: str = "2026-11-26 09:00") -> str:
    """The account of a period as one text; each paragraph on one line."""
    account = Account(local(begin) * 1000, local(end) * 1000)
    for row in rows:
        account.take(row)
    lines = list(account_lines(account.done(), LONDON, NAMES, local(now) * 1000))
    assert all(len(line) <= 80 for line in lines)
    assert all(c.isprintable() for line in lines for c in line)
    return re.sub(r"\n +(?=[^ ])(?!\d\d:\d\d:\d\d|\d{4}-)", " ", "\n".join(lines))


def test_scripted_night_in_order() -> None:
    """Creep, nobody answers, acknowledged, called again, shutdown, stop, lockout, release, silent PLC, gap, counts."""
    text = told(scripted().rows)
    said = [
        "1. PC1 Primary clarifier 1, forward: alarm contact operated (high)",
        "23:14:10 It came at 31.2 ±0.9 kN.m, motor running.",
        "Called: everybody: day1, night1, super1 and eng1 (step 1 of 1). Again at 23:19:10, 23:24:10 and 23:29:10.",
        "23:31:30 super1 acknowledged it, 17 min 20 s after it had come.",
        "because it is still active after its time to respond",
        "2. PC1 Primary clarifier 1, forward: shutdown contact operated (urgent)",
        "It came with the torque beyond 46.4 ±0.9 kN.m, motor running, stop awaited.",
        "Called: night1 (step 1 of 4).",
        "00:11:33 The stop is confirmed: the run feedback is off.",
        "night1 acknowledged it, 1 min 3 s after it had come.",
        "Its contact has released; it stays latched until it is reset.",
        "super1 reset it",
        "3. PLC PLCA: PLC silent (high)",
        "2 drives unwatched: PC1 and SC1",
        "It stood at the end of the period, not acknowledged.",
        "Lockout 1 of PC1 Primary clarifier 1",
        "opened, because of PC1/forward/shutdown_contact 1.",
        "fitter1 (maintenance): isolation reported, lock L-7.",
        "super1 asked for 'release' and was refused: the cause has not been reported",
        "fitter1 (maintenance): cause 'foreign object', remark 'a plank under the blade'.",
        "super1 (supervisor): RELEASED, torque 4.0 kN.m.",
        "Unwatched",
        "PLC PLCA was silent from 01:37:33 to 01:42:33 (5 min).",
        "The watch did not run from 02:12:33 to 02:22:33 (10 min).",
        "Nobody answered",
        "Alarm 3, PLC PLCA: PLC silent: 1 call to day1, night1, super1 and eng1",
        "In all: 3 alarms came (1 urgent, 2 high, 0 low); 0 stood from before; 1 shutdown, 1 with the stop confirmed;",
        "2 acknowledgements, the slowest after 17 min 20 s; 1 alarm called for and not answered; 1 lockout opened,",
        "1 released; the watch did not run for 10 min.",
        "night1 = Night shift operator (operator)",
    ]
    flat, at = re.sub(r"\s+", " ", text), 0
    for words in said:
        assert words in flat[at:], words
        at = flat.index(words, at) + len(words)


def test_second_person_is_called_when_the_first_does_not_answer_and_the_end_is_told() -> None:
    """Step by step; after the last round the calls end, which counts as not answered."""
    night = Nights(crew=rota(high=TWO_STEPS))
    night.say(PC1_ALARM, True)
    night.until("2026-11-25 19:00")
    text = told(night.rows)

    assert "18:00:10  Called: night1 (step 1 of 2)." in text
    assert "18:10:10  Called: super1 (step 2 of 2), because nobody had answered." in text
    assert "18:20:10  The calls ended after 1 round; nobody had acknowledged." in text
    assert "2 calls to night1 and super1, no acknowledgement" in text
    assert "0 acknowledgements; 1 alarm called for and not answered" in text


def test_step_without_anybody_is_told() -> None:
    """The office is empty at night."""
    night = Nights()
    night.trip()
    night.wait(6)

    assert "Step 2 of 4 has nobody on duty, and was passed over." in told(night.rows)


def test_alarm_from_before_the_period_is_told_with_its_beginning() -> None:
    """Came yesterday, acknowledged yesterday, still there this morning; what was over before is not told."""
    night = Nights("2026-11-24 12:00")
    night.say(SILENT, True, {"plcs": ["PLCA"], "unwatched": 2, "drives": []})
    night.wait(2)
    night.acknowledge(SILENT)
    night.say(SILENT, False)
    night.wait(5)
    night.say(PC1_ALARM, True)
    night.wait(1)
    night.acknowledge(PC1_ALARM, "super1")
    night.now_ns += 30 * 3600 * S
    night.utc_ms += 30 * 3600 * 1000
    text = told(night.rows)

    assert "PLC silent" not in text
    assert "It had come at 2026-11-24 12:07:10, acknowledged by super1." in text
    assert "It stood at the end of the period." in text
    assert "0 alarms came; 1 stood from before" in text
    assert "No row of what an account tells falls into this period." in text


def test_shutdown_without_a_confirmed_stop_says_so() -> None:
    """And what was last told of it: nobody may read a stop into it."""
    night = Nights()
    night.say(PC1_SHUTDOWN, True, {**FACTS, "stop": "awaited"})
    assert "No row confirms the stop; last told: awaited." in told(night.rows)

    night.note(Entry("drive", "still_running", "PC1", "forward", {**FACTS}, True))
    text = told(night.rows)
    assert "The motor is still running: the stop did not act." in text
    assert "No row confirms the stop; last told: still running." in text
    assert "1 shutdown, 0 with the stop confirmed" in re.sub(r"\s+", " ", text)


def test_what_a_person_does_with_an_alarm_is_told_with_the_reason() -> None:
    """Shelved, unshelved, refused."""
    night = Nights()
    high = AlarmKey("PC1", "forward", "torque_high")
    night.say(high, True)
    night.wait(1)
    night.ask("shelve", high, 600 * S, "dredging, agreed with\nthe shift")
    night.ask("unshelve", high, who="super1")
    night.say(PC1_SHUTDOWN, True)
    night.ask("shelve", PC1_SHUTDOWN, 600 * S, "tired of it")
    text = told(night.rows)

    assert "night1 shelved it: 'dredging, agreed with the shift'." in text
    assert "super1 ended its shelving." in text
    assert "night1 asked for 'shelve' and was refused: 'shutdown contact operated' can never be shelved." in text


def test_alarm_that_is_shelved_while_it_is_normal_has_not_come() -> None:
    """Nor has it stood; and one that is over stays over when somebody shelves it."""
    night = Nights()
    high = AlarmKey("PC1", "forward", "torque_high")
    night.ask("shelve", high, 600 * S, "dredging")
    night.say(SILENT, True, {})
    night.wait(2)
    night.acknowledge(SILENT)
    night.say(SILENT, False)
    night.wait(8)
    night.ask("shelve", SILENT, 600 * S, "works on the line")
    night.wait(30)
    text = told(night.rows)

    assert "night1 shelved it: 'dredging'." in text
    assert "Its shelving ended by itself." in text
    assert "It did not come." in text
    assert "Over at 18:02:10, 1 min 40 s after it came." in text
    assert "1 alarm came" in text
    assert "0 stood from before" in text


def test_test_calls_answered_and_not() -> None:
    """Who did not answer stands under 'Nobody answered' as well, with whoever was told."""
    checks = CheckTimes(EVERY_DAY, 22 * 3600, LONDON, 15 * MINUTE)
    night = Nights(crew=rota(checks=checks))
    night.until("2026-11-25 22:01")
    night.until("2026-11-25 22:20")
    text = told(night.rows)

    assert "22:00:00  Test call (check time) to night1 and super1, to be answered within 15 min." in text
    part = text[text.index("Nobody answered") :]
    assert "night1 did not answer the test call" in part
    assert "super1 did not answer the test call" in part


def test_times_in_the_night_of_25_hours_are_told_apart() -> None:
    """01:30 before and after the clock is put back (London, 25 October 2026)."""
    night = Nights("2026-10-25 00:20", crew=rota(high=TWO_STEPS))
    night.wait(70)
    night.say(PC1_ALARM, True)
    night.wait(60)
    night.acknowledge(PC1_ALARM, "super1")
    text = told(night.rows, "2026-10-24 18:00", "2026-10-25 08:00", "2026-10-25 09:00")

    assert "01:30:10 (UTC+1)  Called: night1" in text
    assert "01:30:00 (UTC+0)  super1 acknowledged it, 59 min 50 s after it had come." in text


def test_coming_and_going_does_not_fill_the_account() -> None:
    """The first lines, and how many more there were."""
    night = Nights()
    for number in range(100):
        data = {"alarm": str(PC1_ALARM), "occurrence": 1, "priority": "high", "life": "unacknowledged"}
        night.tell("alarm", "raised_again" if number else "raised", "PC1", "forward", **data)
    text = told(night.rows)

    assert text.count("It came again") == COMINGS_SHOWN
    assert f"{99 - COMINGS_SHOWN} further rows of it not shown." in text


def test_each_occurrence_is_an_alarm_of_its_own() -> None:
    """And they are told in the order in which they came."""
    night = Nights()
    for _ in range(2):
        night.say(SILENT, True, {})
        night.wait(2)
        night.acknowledge(SILENT)
        night.say(SILENT, False)
        night.wait(5)
    text = told(night.rows)

    assert "1. PLC PLCA: PLC silent" in text
    assert "2. PLC PLCA: PLC silent" in text
    assert "In all: 2 alarms came" in text


def test_further_trip_is_an_occurrence_that_came() -> None:
    """A shutdown that operates again within its off-delay: the first says so, the second has a beginning and an end."""
    night = Nights()
    night.say(PC1_SHUTDOWN, True)
    night.acknowledge(PC1_SHUTDOWN)
    night.say(PC1_SHUTDOWN, False)
    night.wait(0.5)
    night.say(PC1_SHUTDOWN, True)
    text = told(night.rows)

    assert "It came again at 18:00:30, before it was over; see there." in text
    second = text.partition("\n2. PC1")[2]
    assert "It stood before the first row" not in second
    assert "It came again at 31.2" in second
    assert text.count("It stood at the end of the period") == 1
    assert "2 alarms came (2 urgent" in text
    assert "0 stood from before" in text


def test_lockout_that_was_cancelled_is_no_release() -> None:
    """Opened by a slip; and a lock that the record did not take off is not told as off."""
    night = Nights()
    by: dict[str, Any] = {"lockout": 1, "actor": "super1", "role": "supervisor"}
    night.tell("lockout", "opened", "PC1", **by, because="isolation reported")
    note = "no lock 9 of super1 is on record"
    night.tell("lockout", "lock_removed", "PC1", **by, lock_number="9", nothing_taken_off=note)
    night.tell("lockout", "cancelled", "PC1", **by, reason="wrong drive")
    text = told(night.rows)

    assert "lock removed, but the record took no lock off (no lock 9 of super1 is on record), lock 9." in text
    assert "CANCELLED; no shutdown stood behind it, reason 'wrong drive'." in text
    assert "It was open at the end" not in text
    assert "1 lockout opened, 0 released, 1 cancelled" in " ".join(text.split())


def test_two_people_behind_one_deed_are_both_named() -> None:
    """Who asked first, and who confirmed."""
    night = Nights()
    night.say(PC1_ALARM, True)
    data = {"alarm": str(PC1_ALARM), "occurrence": 1, "life": "unacknowledged", "actor": "super1", "reason": "storm"}
    night.tell("alarm", "shelved", "PC1", "forward", **data, first="night1")

    assert "super1 shelved it (asked for by night1 first): 'storm'." in told(night.rows)


def test_stop_of_the_watch_that_no_start_follows_is_unwatched_to_the_end() -> None:
    """Up to now, where now is before the end."""
    night = Nights()
    night.wait(60)
    night.tell("service", "stopped", why="asked to")
    text = told(night.rows, now="2026-11-26 02:00")

    assert "The period is not over yet." in text
    assert "The watch did not run from 19:00:00 to 02:00:00 (7 h, no end is told)." in text


def test_start_after_the_period_tells_of_the_time_within() -> None:
    """The watch died at 04:00 and came back at noon: four hours of the night had no watch."""
    night = Nights()
    night.now_ns, night.utc_ms = 10**15, local("2026-11-26 12:00") * 1000
    night.started(missed_s=8 * 3600)

    assert "The watch did not run from 04:00:00 to 2026-11-26 08:00:00 (4 h)." in told(night.rows)


def test_stop_and_start_are_one_span_that_has_an_end() -> None:
    """Not a second one that is still open."""
    night = Nights()
    night.tell("service", "stopped", why="asked to")
    night.now_ns += 600 * S
    night.utc_ms += 600_000
    night.started(missed_s=600.0)
    text = told(night.rows)

    assert "The watch did not run from 18:00:00 to 18:10:00 (10 min)." in text
    assert text.count("did not run from") == 1


def test_what_came_after_the_period_does_not_change_how_it_ended() -> None:
    """Acknowledged at nine, but not by eight."""
    night = Nights()
    night.say(SILENT, True, {})
    night.wait(2)
    early = list(night.rows)
    night.utc_ms = local("2026-11-26 09:00") * 1000
    night.acknowledge(SILENT)
    night.say(SILENT, False)
    night.wait(5)
    text = told(night.rows)

    assert len(night.rows) > len(early)
    assert text == told(early)
    assert "It stood at the end of the period, not acknowledged." in text


def test_acknowledgement_counts_from_the_first_coming_that_nobody_answered() -> None:
    """An alarm that comes again starts no new count."""
    night = Nights()
    about: dict[str, Any] = {"alarm": str(SILENT), "occurrence": 1, "priority": "high"}
    for event, life in (("raised", "unacknowledged"), ("raised_again", "unacknowledged")):
        night.tell("alarm", event, **about, life=life)
        night.now_ns += 60 * S
        night.utc_ms += 60_000
    night.tell("alarm", "acknowledged", **about, life="acknowledged", actor="night1")

    assert "night1 acknowledged it, 2 min after it had come." in told(night.rows)


def test_rows_of_a_clock_that_could_not_be_trusted_are_counted() -> None:
    """So that nobody takes such a time for sure."""
    night = Nights()
    night.chain.add(Entry("service", "started", "", "", {}), 1, night.utc_ms, trusted=False)

    assert "1 row of it written while the clock could not be trusted" in told(night.rows)


def test_what_became_of_the_history_is_told() -> None:
    """A record that went, torque that now reads otherwise, what was not recorded: by whom, about which drive."""
    night = Nights()
    night.tell("history", "trip_given_up", "PC1", "forward", record="PC1-forward-alarm-2")
    night.tell("history", "recomputed", "PC1", "forward", record="PC1-2026-11", actor="eng1")
    night.tell("history", "recording_on_change_began", rules="ab")

    text = told(night.rows)
    assert "PC1 forward: a trip record was given up for want of room (PC1-forward-alarm-2)." in text
    assert "PC1 forward: torque of the past was derived anew (PC1-2026-11), by eng1." in text
    assert "From here on some points are recorded on change." in text


def test_step_of_the_clock_is_told_as_people_say_it() -> None:
    """No exponents."""
    night = Nights()
    for by_s in (2.5, -3_600.0, 34_560_000_000.0):
        night.tell("service", "clock_stepped", by_s=by_s)
    text = told(night.rows)
    assert "The clock was set by +2.5 s." in text
    assert "The clock was set back by 1 h." in text
    assert "The clock was set forward by 1095 years." in text


def test_empty_journal_and_journal_that_begins_later() -> None:
    """Said, not shown as a quiet night."""
    night = Nights("2026-11-26 03:00")
    night.started()

    assert "The journal holds no row of what an account tells." in told([])
    assert "The journal begins only at 2026-11-26 03:00:00." in told(night.rows)


def test_lock_exception_and_transfer_keep_their_facts() -> None:
    """Whoever reads it later finds how the absence was verified."""
    night = Nights()
    night.trip()
    night.step(LockoutStep.ISOLATION, lock_number="L-7")
    night.step(LockoutStep.SHIFT_TRANSFER, whom="night1")
    data = {"lock_of": "fitter1", "absent": "gate list", "looked_for": "telephoned", "will_be_told": "at the gate"}
    night.tell("lockout", "lock_exception", "PC1", lockout=1, actor="super1", role="supervisor", **data)
    text = told(night.rows)

    assert "fitter1 (maintenance): shift transfer, to night1." in text
    assert (
        "lock of fitter1, absence verified: 'gate list', looked for: 'telephoned', will be told: 'at the gate'" in text
    )
    assert "It was open at the end of the period." in text


PLAIN = st.one_of(st.none(), st.booleans(), st.integers(), st.floats(allow_nan=False, allow_infinity=False), st.text())
VALUES = st.one_of(PLAIN, st.lists(st.text(max_size=5), max_size=3), st.dictionaries(st.text(max_size=3), PLAIN))
KEYS = st.sampled_from(
    "alarm occurrence life priority people actor reason stop plcs unwatched told round step why lockout link last_data "
    "missed_from_utc_ms missed_s seconds by_s person answer_s after_s first_seq torque_nm".split()
)
EVENTS = st.sampled_from(
    "raised raised_again acknowledged cleared reset shelved flood_began called calls_answered check_called refused "
    "opened released cause started gap stopped trip_given_up recomputed "
    "link_down link_up link_changes_counted stop_confirmed x".split()
)
KINDS = st.sampled_from("alarm call command lockout drive service settings link plc history other".split())
ALARMS = st.sampled_from([str(PC1_ALARM), "x", "a/b/c/d/e", "//", ""])


@given(st.lists(st.tuples(KINDS, EVENTS, st.dictionaries(KEYS, VALUES, max_size=6), ALARMS), max_size=15))
def test_rows_of_any_content_make_an_account(rows: list[tuple[str, str, dict[str, object], str]]) -> None:
    """Nothing in a row can end the telling, break a line or paint over a terminal."""
    night = Nights()
    for kind, event, data, alarm in rows:
        night.wait(0.2)
        payload = {**data, "alarm": alarm} if alarm else data
        night.chain.add(Entry(kind, event, "PC1", "forward", payload), night.now_ns, night.utc_ms)

    assert "In all: " in told(night.rows)


@pytest.mark.parametrize("minutes", [0, 60, 330, 600])
def test_parts_of_a_night_add_up(minutes: int) -> None:
    """Alarms and calls of two halves are those of the whole."""
    rows = scripted().rows
    cut = local(NIGHT[0]) * 1000 + minutes * 60_000 + 1
    nights = []
    for begin, end in (
        (local(NIGHT[0]) * 1000, local(NIGHT[1]) * 1000),
        (local(NIGHT[0]) * 1000, cut),
        (cut, local(NIGHT[1]) * 1000),
    ):
        account = Account(begin, end)
        for row in rows:
            account.take(row)
        nights.append(account.done())
    whole, first, second = nights

    assert whole.rows == first.rows + second.rows
    calls = [sum(s.calls for s in night.alarms) for night in nights]
    assert calls[0] == calls[1] + calls[2]
    assert len([s for n in (first, second) for s in n.alarms for _ in s.acked]) == 2
