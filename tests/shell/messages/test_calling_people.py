"""People and alarms over a real Mosquitto: topics of their own, the present state after an outage, the limit."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import closing
from typing import Any

import pytest

from nightrake.alarms.callqueue import Call, Limit
from nightrake.messages import session as session_module
from nightrake.messages.alarmpayloads import AlarmMessage, PersonMessage
from peers.ear import Ear, listening
from peers.line import Line
from peers.mosquitto import Mosquitto
from shell.messages.ledger import Watch, row, settings, until

NIGHT = "nightrake/fennmark/person/night1"
SHUTDOWN = "PC1/forward/shutdown_contact"
ALARM_TOPIC = f"nightrake/fennmark/alarm/{SHUTDOWN}"
WORDS: dict[str, Any] = {
    "event": "called",
    "drive": "PC1",
    "direction": "forward",
    "person": "night1",
    "subject": "URGENT: PC1",
    "text": "PC1: shutdown",
    "alarm": SHUTDOWN,
    "occurrence": 1,
    "priority": "urgent",
    "title": "shutdown contact operated",
    "since_utc_ms": 1,
    "why": "raised",
    "step": 1,
    "steps": 2,
    "round": 1,
    "called": ["night1"],
    "told_before": [],
    "next_call_utc_ms": 0,
    "torque": "",
    "stop": "",
    "first_response": ["Do not reset."],
    "facts": {},
}


def call(alarm: str = SHUTDOWN, seq: int = 1, *, priority: str = "urgent", ends: bool = False) -> Call:
    """Night shift's call."""
    return Call("night1", alarm, priority, {**WORDS, "alarm": alarm}, seq, ends)


def told(ear: Ear, topic: str = NIGHT) -> list[dict[str, Any]]:
    """What came on a topic."""
    return [m.json for m in ear.heard if m.topic == topic]


@pytest.mark.asyncio
@pytest.mark.parametrize("protocol", [5, 311])
async def test_person_gets_one_message_with_the_envelope(mosquitto: Mosquitto, protocol: int) -> None:
    """Not retained, with an id that its row gives it and an expiry; the canary on their topics is theirs alone."""
    async with (
        listening(mosquitto.port) as ear,
        Watch(settings(mosquitto.port, protocol=protocol), people=True) as watch,
    ):
        await watch.link(True)
        watch.teller.call(call(seq=7))
        await ear.until(lambda: bool(told(ear)))
        await until(lambda: watch.teller.calls_cursor == 7)

    (message,) = told(ear)
    PersonMessage.model_validate(message)
    assert (message["id"], message["kind"], message["event"]) == ("e1-7-night1", "person", "called")
    assert (message["drive"], message["direction"], message["expires"] is not None) == ("PC1", "forward", True)
    assert not next(m for m in ear.heard if m.topic == NIGHT).retained
    canaries = [m for m in ear.heard if m.topic == "nightrake/fennmark/person/.canary"]
    assert canaries
    assert all(m.json["kind"] == "canary" for m in canaries)


@pytest.mark.asyncio
async def test_urgent_call_overtakes_a_backlog(mosquitto: Mosquitto) -> None:
    """An hour's events and an urgent call wait for the broker: the call goes before nearly all of them."""
    watch = Watch(settings(mosquitto.port), people=True)
    watch.happen(*(row(n, f"D{n % 9}", urgent=n % 2 == 0) for n in range(1, 2001)))
    watch.teller.call(call())
    async with listening(mosquitto.port) as ear, watch:
        await ear.until(lambda: len(ear.heard) > 2000 and bool(told(ear)) and len(ear.events()) == 2000)

    before = [m.topic for m in ear.heard].index(NIGHT)
    assert before < 100


@pytest.mark.asyncio
async def test_after_an_outage_the_present_state_is_told(mosquitto: Mosquitto) -> None:
    """Sixty reminders are one message; what went meanwhile is counted; what still calls comes with its latest."""
    watch = Watch(settings(mosquitto.port), people=True)
    for n in range(1, 61):
        watch.teller.call(call(seq=n))
        watch.teller.call(call("PC2/forward/alarm_contact", 100 + n, priority="high"))
    watch.teller.call(call("PC2/forward/alarm_contact", 200, priority="high", ends=True))
    watch.teller.calls_no_longer("PC2/forward/alarm_contact")
    async with listening(mosquitto.port) as ear, watch:
        await ear.until(lambda: len(told(ear)) == 2)
        await until(lambda: watch.teller.calls_cursor == 200)

    first, second = told(ear)
    assert (first["id"], second["event"]) == ("e1-60-night1", "more")
    assert (second["data"]["calling"], second["data"]["over"]) == ({}, 1)
    PersonMessage.model_validate(second)


@pytest.mark.asyncio
async def test_flood_stays_within_the_limit_and_shutdowns_go_first(mosquitto: Mosquitto) -> None:
    """A thousand low alarms and thirty shutdowns in one go: ten shutdowns singly, one urgent message for the other
    twenty, one for all the rest, each with the site's name."""
    async with listening(mosquitto.port) as ear, Watch(settings(mosquitto.port), people=True, limit=Limit(10)) as watch:
        watch.teller.set_site_name("Fennmark treatment works")
        await watch.link(True)
        for n in range(1000):
            watch.teller.call(call(f"D{n}/forward/torque_high", n + 1, priority="low"))
        for n in range(30):
            watch.teller.call(call(f"S{n}/forward/shutdown_contact", 2000 + n))
        await ear.until(lambda: sum(m["event"] == "more" for m in told(ear)) == 2)
        await until(lambda: watch.teller.stats.calls_told == 12)
        urgent_note, low_note = watch.teller.calls_together()

    messages = told(ear)
    urgent, rest = messages[-2:]
    assert len(messages) == 12
    assert [m["data"]["alarm"][0] for m in messages[:10]] == ["S"] * 10
    assert urgent["data"]["calling"] == {"urgent": 20}
    assert urgent["data"]["subject"].startswith("URGENT: 20 more urgent")
    assert rest["data"]["calling"] == {"low": 1000}
    for message in (urgent, rest):
        PersonMessage.model_validate(message)
        assert message["data"]["text"].startswith("Fennmark treatment works: ")
    assert (urgent_note.counts, low_note.counts) == ({"urgent": 20}, {"low": 1000})
    assert urgent_note.alarms[0] == "S10/forward/shutdown_contact"


@pytest.mark.asyncio
async def test_test_call_goes_though_the_limit_is_used_up(mosquitto: Mosquitto) -> None:
    """Ten messages have gone; the test call follows at once."""
    async with listening(mosquitto.port) as ear, Watch(settings(mosquitto.port), people=True, limit=Limit(3)) as watch:
        await watch.link(True)
        for n in range(9):
            watch.teller.call(call(f"D{n}/forward/torque_high", n + 1, priority="low"))
        await ear.until(lambda: len(told(ear)) == 2)
        watch.teller.call(call("test-call", 20, priority="high")._replace(apart=True))
        await ear.until(lambda: len(told(ear)) == 3, 4.0)

    assert told(ear)[-1]["data"]["alarm"] == "test-call"


@pytest.mark.asyncio
async def test_what_was_told_as_one_of_many_comes_again_too(make_mosquitto: Callable[..., Mosquitto]) -> None:
    """The broker that took an urgent message for many may have lost it like any other: its calls are told again."""
    broker = make_mosquitto()
    broker.start()
    with closing(Line(broker.port)) as line:
        async with Watch(settings(line.port), people=True, canary_period_s=100.0) as watch:
            await watch.link(True)
            async with listening(broker.port) as ear:
                for n in range(12):
                    watch.teller.call(call(f"S{n}/forward/shutdown_contact", n + 1))
                await ear.until(lambda: bool(told(ear)) and told(ear)[-1]["event"] == "more")
                await until(lambda: watch.teller.stats.calls_told == 11)
                assert watch.teller.calls_cursor == 0
                for n in range(10):
                    watch.teller.calls_no_longer(f"S{n}/forward/shutdown_contact")
                broker.stop()
            line.cut()
            broker.start()
            async with listening(broker.port) as ear:
                line.join()  # only now: who subscribes too late has missed what went before
                await ear.until(lambda: any(m["event"] == "more" for m in told(ear)))

    assert [m["data"]["calling"] for m in told(ear) if m["event"] == "more"] == [{"urgent": 2}]


@pytest.mark.asyncio
async def test_calls_that_a_dead_broker_may_have_lost_come_again(make_mosquitto: Callable[..., Mosquitto]) -> None:
    """Told since the last canary and still calling: told again under the same id, also over a new connection."""
    broker = make_mosquitto()
    broker.start()
    async with Watch(settings(broker.port), people=True, canary_period_s=100.0) as watch:
        await watch.link(True)
        async with listening(broker.port) as ear:
            watch.teller.call(call(seq=3))
            watch.teller.call(call("PC2/forward/shutdown_contact", 4))
            await ear.until(lambda: len(told(ear)) == 2)
            await until(lambda: watch.teller.stats.calls_told == 2)
            assert watch.teller.calls_cursor == 2  # nobody knows yet that they arrived
            watch.teller.calls_no_longer("PC2/forward/shutdown_contact")
            broker.stop()
        broker.start()
        await watch.link(True)
        await until(lambda: watch.teller.stats.calls_told == 3)
        assert watch.teller.stats.calls_due == 0


@pytest.mark.asyncio
async def test_broker_that_forbids_peoples_topics_is_noticed(
    make_mosquitto: Callable[..., Mosquitto], monkeypatch: pytest.MonkeyPatch
) -> None:
    """It acknowledges and drops; the canary beside their topics tells, and when it is mended the call is told again."""
    monkeypatch.setattr(session_module, "CANARY_WAIT_S", 0.5)
    monkeypatch.setattr(session_module, "CONFIRM_S", 0.2)
    allow = "topic readwrite nightrake/#\n"
    own = "nightrake/fennmark"
    deny = f"topic readwrite {own}/events\ntopic readwrite {own}/service\ntopic read nightrake/#\n"
    broker = make_mosquitto(acl=deny)
    broker.start()
    async with Watch(settings(broker.port), people=True, canary_period_s=1.0) as watch:
        text = await watch.link(False, "does not deliver")
        assert "nightrake/fennmark/person/.canary" in text
        watch.teller.call(call())
        await until(lambda: watch.teller.stats.calls_told == 1)
        async with listening(broker.port) as ear:
            broker.write_acl(allow)
            broker.reload()
            await watch.link(True)
            await ear.until(lambda: bool(told(ear)))


@pytest.mark.asyncio
async def test_alarm_is_retained_until_it_is_over(mosquitto: Mosquitto) -> None:
    """Also over a restart that no longer knows it: what a former run left behind is cleared."""
    left = "nightrake/fennmark/alarm/OLD/-/reading_bad"
    async with Watch(settings(mosquitto.port)) as before:
        await before.link(True)
        before.teller.mark_alarm("OLD/-/reading_bad", {"priority": "low"})
        before.teller.mark_alarm(SHUTDOWN, ALARM)
        await until(lambda: not before.teller.stats.alarms_due and not before.teller.stats.in_flight)
    async with listening(mosquitto.port) as ear:
        await ear.until(lambda: ear.last(left) is not None and ear.last(ALARM_TOPIC) is not None)
        shown = ear.last(ALARM_TOPIC)
        assert shown is not None
        AlarmMessage.model_validate(shown.json)
        async with Watch(settings(mosquitto.port)) as watch:
            watch.teller.mark_alarm(SHUTDOWN, ALARM)
            await watch.link(True)
            await ear.until(lambda: (last := ear.last(left)) is not None and not last.payload)
            watch.teller.set_drives(["PC2"])
            await ear.until(lambda: (last := ear.last(ALARM_TOPIC)) is not None and not last.payload)
    async with listening(mosquitto.port, "nightrake/fennmark/alarm/#") as late:
        await asyncio.sleep(0)
        assert not late.heard


ALARM: dict[str, Any] = {
    "alarm": SHUTDOWN,
    "subject": "PC1",
    "direction": "forward",
    "kind": "shutdown_contact",
    "channel": "",
    "title": "shutdown contact operated",
    "life": "unacknowledged",
    "state": "unacknowledged",
    "letter": "B",
    "occurrence": 1,
    "priority": "urgent",
    "since_utc_ms": 1,
    "changed_utc_ms": 1,
    "acked_by": "",
    "acked_utc_ms": 0,
    "repeats_with_rotation": False,
    "chattering": False,
    "shelved": None,
    "out_of_service": {"by": "anna", "reason": "permit 12", "since_utc_ms": 1, "until_utc_ms": 2},
    "suppressed": "",
    "suppressed_utc_ms": 0,
    "withheld": "",
    "calling": True,
    "told": [],
    "told_count": 0,
    "next_call_utc_ms": 0,
    "facts": {"torque_nm": 1.5},
}
