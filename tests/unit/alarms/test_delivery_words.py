"""What came of messages to people, as the account and the list of rows tell it."""

from __future__ import annotations

import re
from typing import Any

import pytest

from alarmnights import PC1_ALARM, Nights
from nightrake.alarms.account import Account
from nightrake.alarms.accountlines import Names, account_lines
from nightrake.alarms.told import fact_of
from nightrake.cli.journal_read import row_text
from nightrake.domain.chatter import key_of
from nightrake.domain.rows import Entry
from unit.alarms.rotas import LONDON, local

NAMES = Names("Fennmark", {"PC1": "Primary clarifier 1"}, {})


def account_of(night: Nights) -> str:
    """The account of a night, each paragraph on one line."""
    account = Account(local("2026-11-25 18:00") * 1000, local("2026-11-26 08:00") * 1000)
    for row in night.rows:
        account.take(row)
    lines = account_lines(account.done(), LONDON, NAMES, local("2026-11-26 09:00") * 1000)
    return re.sub(r"\n +(?=[^ ])(?!\d\d:\d\d:\d\d)", " ", "\n".join(lines))


def test_message_that_is_about_no_alarm_is_no_test_call() -> None:
    """Of people who were never asked nobody reads that they did not answer a test call."""
    night = Nights()
    night.tell("call", "delivered", person="night1", channel="phone", alarm="", message="more", row=0, tries=1)
    night.tell("call", "delivery_failed", person="super1", channel="mail", alarm="", message="more", detail="refused")
    last = {"person": "day1", "channel": "mail", "message": "called"}
    night.tell("call", "deliveries_counted", events=57, told=20, within_s=58.0, last="delivered", last_data=last)
    night.tell("call", "some_later_event", person="night1")

    texts = [row_text(fact_of(row), row, {}) for row in night.rows]
    text = account_of(night)

    assert "test call" not in " ".join((text, *texts)).lower()
    assert "Nobody answered" not in text
    assert texts == [
        "Delivered to night1 over phone: one message in the place of many.",
        "NOT delivered to super1 over mail: one message in the place of many: refused.",
        "Delivered or not: 57 messages within 58 s, 20 of them told singly. The last: Delivered to day1 over mail: the "
        "call.",
        "Some later event.",
    ]


def test_delivery_of_an_alarm_says_to_whom_over_what_and_why_not() -> None:
    """Under its alarm; what says the same in a row is one line with its times."""
    night = Nights()
    night.say(PC1_ALARM, True)
    night.wait(0.2)
    given: dict[str, Any] = {"person": "night1", "channel": "mail", "alarm": str(PC1_ALARM), "row": 3, "tries": 1}
    for minutes in (1, 1, 1):
        night.wait(minutes)
        night.tell("call", "delivery_failed", **given, message="called", detail="nobody listens there", again=True)
    night.tell("call", "delivered", **{**given, "tries": 4}, message="called")
    night.tell("call", "delivered", **given, message="reminded")
    text = account_of(night)

    assert text.count("NOT delivered to night1 over mail: the call: nobody listens there; it is tried again.") == 1
    assert "tried again. Again at " in text
    assert "Delivered to night1 over mail: the call, at try 4." in text
    assert "Delivered to night1 over mail: the reminder." in text
    assert text.count("\n1. PC1") == 1
    assert "\n2. " not in text


@pytest.mark.parametrize("name", ["test-call", "test-call:super1"])
def test_messages_of_a_test_call_stand_with_it(name: str) -> None:
    """They make no alarm called 'test-call'."""
    night = Nights()
    night.tell("call", "check_called", people=["night1"], why="check time", answer_s=60)
    night.tell("call", "delivered", person="night1", channel="phone", alarm=name, message="check_called", tries=1)
    text = account_of(night)

    assert "0 alarms came" in text
    assert "\n1. " not in text
    assert "Delivered to night1 over phone: the test call." in text.partition("Test calls")[2]
    assert row_text(fact_of(night.rows[-1]), night.rows[-1], {}).startswith("Delivered to night1 over phone")


def test_messages_that_were_put_into_one_say_of_what() -> None:
    """Calls that the person's limit held back are no silence in the journal."""
    night = Nights()
    counts, alarms = {"high": 1, "low": 2}, [str(PC1_ALARM)]
    night.tell("call", "told_together", person="night1", way="broker", counts=counts, over=1, alarms=alarms)

    assert row_text(fact_of(night.rows[0]), night.rows[0], {}) == (
        "night1 was told in one message over the broker, for the limit on messages was reached, of 1 high and 2 low "
        "calls and 1 alarm that needs nobody any more: PC1/forward/alarm_contact."
    )


def test_error_of_the_system_is_told_without_the_librarys_words() -> None:
    """What is cut off in the middle of a program's own language tells nobody anything."""
    night = Nights()
    detail = "A Connection error occurred. NewConnectionError(\"HTTPConnection(host='h'): [Errno 111] Connection refus"
    night.tell("call", "delivery_failed", person="night1", channel="phone", alarm=str(PC1_ALARM), detail=detail)

    assert row_text(fact_of(night.rows[0]), night.rows[0], {}).endswith("over phone: a message: connection refused.")


def test_end_of_calls_says_why() -> None:
    """A drive that left the settings with its shutdown standing is not 'normal again'."""
    night = Nights()
    night.say(PC1_ALARM, True)
    night.tell("call", "calls_ended", alarm=str(PC1_ALARM), occurrence=1, why="away", told=["night1"])

    assert (
        "Nobody is called any more, for it was taken out of the settings while it stood, so nobody watches it; night1 "
        "had been." in account_of(night)
    )


def test_each_person_and_way_is_counted_apart() -> None:
    """Twenty mails to one person do not hide that another was not reached."""
    keys = {
        key_of(Entry("call", "delivered", "PC1", "forward", {"person": p, "channel": c}))
        for p in ("night1", "super1")
        for c in ("mail", "phone")
    }

    assert len(keys) == 4
