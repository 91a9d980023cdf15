"""Commands over a real Mosquitto: taken, answered, done once; refused with a reply and a row; floods and restarts."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager, closing
from typing import Any

import aiomqtt
import pytest

from commanders import KEYS, NOW_MS, SIGNERS, TOPICS, Memory, message, signed
from nightrake.domain.chatter import TOLD_SINGLY, bound
from nightrake.domain.rows import Answer, Entry
from nightrake.errors import ControlError, MessageError
from nightrake.messages.asking import send_command
from nightrake.messages.commandpayloads import ReplyMessage
from nightrake.messages.payloads import EventMessage, event_bytes
from nightrake.messages.reception import WAITING, Dealings, Reception, Remembered, Signer
from peers.ear import Ear, Heard, listening
from peers.line import Line
from peers.mosquitto import Mosquitto
from shell.messages.ledger import UTC_MS, Watch, row, settings, until

REPLIES = "nightrake/fennmark/reply/#"


class Desk:
    """The watch behind the reception: does what it is asked, or not; keeps what it is told."""

    def __init__(self, memory: Memory | None = None) -> None:
        self.memory = memory or Memory()
        self.asked: list[tuple[str, str, Mapping[str, Any], tuple[str, str, str], str]] = []
        self.notes: list[Entry] = []
        self.go = asyncio.Event()
        self.go.set()
        self.now_ms = NOW_MS
        self.error = ""

    async def ask(
        self, verb: str, drive: str, direction: str, args: Mapping[str, Any], who: tuple[str, str, str], arg: str
    ) -> tuple[Answer, bool]:
        kept = [v.decode() for v in self.memory.kept.values()]
        assert any('"answer": null' in v and f'"{who[0]}"' in v for v in kept), "it was not kept before it was done"
        self.asked.append((verb, drive, args, who, arg))
        await self.go.wait()
        if self.error:
            raise ControlError(self.error)
        return Answer(verb != "release", f"{verb} {drive}: number {len(self.asked)}"), verb != "shelve"

    def reception(self) -> Reception:
        """A new one, as for each teller."""
        remembered = Remembered(self.memory.keep, self.memory.kept)
        return Reception(
            TOPICS, SIGNERS, Dealings(self.ask, self.notes.append, lambda: self.now_ms, lambda: True, remembered)
        )

    def reasons(self) -> list[str]:
        """Why commands were refused, by the journal."""
        return [e.data["why"] for e in self.notes if e.event == "refused"]


@asynccontextmanager
async def site(broker: Mosquitto, desk: Desk, protocol: int = 5) -> AsyncIterator[tuple[Watch, Ear, aiomqtt.Client]]:
    """A watch that takes commands, an ear on the replies, and somebody who sends."""
    version = aiomqtt.ProtocolVersion.V5 if protocol == 5 else aiomqtt.ProtocolVersion.V311
    given = settings(broker.port, protocol=protocol)
    async with (
        listening(broker.port, REPLIES, five=protocol == 5) as ear,
        Watch(given, commands=desk.reception()) as watch,
        aiomqtt.Client("127.0.0.1", broker.port, protocol=version) as sender,
    ):
        await watch.link(True)
        yield watch, ear, sender


async def send(sender: aiomqtt.Client, fields: Any, person: str = "night1", *, retain: bool = False) -> None:
    """Publish a command as it is."""
    payload = fields if isinstance(fields, bytes) else json.dumps(fields).encode()
    await sender.publish(TOPICS.command(person), payload, qos=1, retain=retain)


def answers(ear: Ear, fields: Mapping[str, Any]) -> list[Heard]:
    """What was answered to a command."""
    return [m for m in ear.heard if m.json["correlation"] == fields["id"]]


@pytest.mark.asyncio
@pytest.mark.parametrize("protocol", [5, 311])
async def test_command_is_done_and_answered_to_whom_it_wants(mosquitto: Mosquitto, protocol: int) -> None:
    """The walk hears who asks, in what role and how that is known; the reply is not retained and names the command."""
    desk = Desk()
    good = message(verb="reset", drive="PC1", direction="forward")
    no = message("super1", "release", drive="GT1", args={"reason": "gate freed"})
    slow = message(verb="shelve", args={"alarm": "PC1/forward/alarm_contact", "for_s": 600, "reason": "ridge"})
    check = message("drives", "test", drive="SC1", args={"for_s": 900})
    async with site(mosquitto, desk, protocol) as (_, ear, sender):
        for fields in (good, no, slow, check):
            await send(sender, fields, fields["person"])
        await ear.until(lambda: len(ear.heard) == 4)

    by = {fields["id"]: answers(ear, fields)[0] for fields in (good, no, slow, check)}
    for fields in (good, no, slow, check):
        reply = ReplyMessage.model_validate_json(by[fields["id"]].payload)
        assert by[fields["id"]].topic == fields["reply_to"]
        assert not by[fields["id"]].retained
        assert (reply.data.verb, reply.drive, reply.data.reason) == (fields["verb"], fields["drive"], "")
    assert by[good["id"]].json["event"] == "accepted"
    assert (by[no["id"]].json["event"], by[no["id"]].json["data"]["ok"]) == ("refused", False)
    assert [by[f["id"]].json["durable"] for f in (good, no, slow)] == [True, True, False]
    asked = {(verb, who): (drive, args, arg) for verb, drive, args, who, arg in desk.asked}
    assert asked["reset", ("night1", "operator", "signature")] == ("PC1", {}, "")
    assert asked["release", ("super1", "supervisor", "signature")][1] == {"reason": "gate freed"}
    assert asked["test", ("drives", "engineer", "signature")][2] == "900"
    assert desk.notes == []
    if protocol == 5:
        properties = by[good["id"]].properties
        assert properties.CorrelationData == good["id"].encode()
        assert properties.MessageExpiryInterval <= 300


@pytest.mark.asyncio
@pytest.mark.parametrize("protocol", [5, 311])
async def test_bad_commands_are_answered_and_journalled(mosquitto: Mosquitto, protocol: int) -> None:
    """Each under its id where there is one; the walk hears of none of them."""
    desk = Desk()
    late = signed({**message(), "expires": "2026-11-25T02:14:05.122Z", "issued": "2026-11-25T02:13:05.122Z"})
    forged = {**message(), "drive": "PC1"}
    stranger = signed({**message(), "person": "nobody", "reply_to": "nightrake/fennmark/reply/nobody/x"})
    big = json.dumps(message()).encode().ljust(9000)
    async with site(mosquitto, desk, protocol) as (_, ear, sender):
        await send(sender, late)
        await send(sender, forged)
        await send(sender, stranger, "nobody")
        await send(sender, big)
        await ear.until(lambda: len(ear.heard) == 4)
        await send(sender, b"reset PC1")  # no answer is possible
        await send(sender, {"id": "x", "reply_to": "nightrake/fennmark/events"})  # nor wanted there
        await until(lambda: len(desk.notes) == 6)

    said = {m.json["correlation"]: m.json["data"] for m in ear.heard}
    assert said[late["id"]]["reason"] == "late"
    assert said[forged["id"]]["reason"] == "forged"
    assert said[stranger["id"]]["reason"] == "unknown_person"
    assert said[json.loads(big)["id"]]["reason"] == "oversized"
    assert desk.asked == []
    assert sorted(desk.reasons()) == sorted("late forged unknown_person oversized bad_json missing_key".split())
    entry = next(e for e in desk.notes if e.data["why"] == "late")
    assert entry.data["actor"] == "night1"
    assert entry.data["known_by"] == "signature"
    forger = next(e.data for e in desk.notes if e.data["why"] == "forged")
    assert (forger["actor"], forger["known_by"]) == ("somebody on the topic of night1", "topic")
    assert next(e for e in desk.notes if e.data["why"] == "unknown_person").data["actor"] == "somebody unknown"


@pytest.mark.asyncio
@pytest.mark.parametrize("protocol", [5, 311])
async def test_retained_command_is_refused_at_each_connection(mosquitto: Mosquitto, protocol: int) -> None:
    """One that lay there before the watch came is answered so, and never done, though it is signed and in time."""
    desk, lying = Desk(), message(verb="reset", drive="PC1")
    async with aiomqtt.Client("127.0.0.1", mosquitto.port) as before:
        await send(before, lying, retain=True)

    for _ in range(2):
        async with site(mosquitto, desk, protocol) as (_watch, ear, _sender):
            await ear.until(lambda: bool(answers(ear, lying)))
        assert answers(ear, lying)[0].json["data"]["reason"] == "retained"

    assert desk.asked == []
    assert desk.reasons() == ["retained", "retained"]


@pytest.mark.asyncio
async def test_command_published_as_retained_is_refused_on_mqtt_5_at_once(mosquitto: Mosquitto) -> None:
    """The subscription asks for the flag as it was published; otherwise it would show at the next connection only."""
    desk, fields = Desk(), message(verb="reset", drive="PC1")
    async with site(mosquitto, desk) as (_, ear, sender):
        await send(sender, fields, retain=True)
        await ear.until(lambda: bool(answers(ear, fields)))

    assert (desk.asked, desk.reasons()) == ([], ["retained"])


@pytest.mark.asyncio
@pytest.mark.parametrize("protocol", [5, 311])
async def test_same_command_again_is_done_once_and_answered_each_time(mosquitto: Mosquitto, protocol: int) -> None:
    """While it is being done, afterwards, and after a restart of the watch; the first answer stands."""
    desk, fields = Desk(), message(verb="reset", drive="PC1")
    async with site(mosquitto, desk, protocol) as (_, ear, sender):
        desk.go.clear()
        await send(sender, fields)
        await until(lambda: len(desk.asked) == 1)
        await send(sender, fields)
        desk.go.set()
        await ear.until(lambda: len(ear.heard) == 2)
        await send(sender, fields)
        await ear.until(lambda: len(ear.heard) == 3)
    async with site(mosquitto, desk, protocol) as (_, later, sender):
        await send(sender, fields)
        await later.until(lambda: len(later.heard) == 1)
        await send(sender, signed({**fields, "drive": "PC2"}))
        await later.until(lambda: len(later.heard) == 2)

    heard = [*ear.heard, later.heard[0]]
    assert [m.json["data"]["text"] for m in heard] == ["reset PC1: number 1"] * 4
    assert [m.json["data"]["again"] for m in heard] == [False, True, True, True]
    assert later.heard[1].json["data"]["reason"] == "repeated_id"
    assert len(desk.asked) == 1


@pytest.mark.asyncio
async def test_watch_that_ended_in_the_middle_says_that_it_does_not_know(mosquitto: Mosquitto) -> None:
    """What was begun is not done again by its successor."""
    desk, fields = Desk(), message(verb="reset", drive="PC1")
    desk.go.clear()
    async with site(mosquitto, desk) as (_, ear, sender):
        await send(sender, fields)
        await until(lambda: len(desk.asked) == 1)
    desk.go.set()
    async with site(mosquitto, desk) as (_, ear, sender):
        await send(sender, fields)
        await ear.until(lambda: bool(ear.heard))

    assert "not known here any more" in ear.heard[0].json["data"]["text"]
    assert (ear.heard[0].json["data"]["ok"], ear.heard[0].json["data"]["again"]) == (False, True)
    assert len(desk.asked) == 1


@pytest.mark.asyncio
async def test_commands_of_one_person_keep_their_order_and_hold_up_nobody_else(mosquitto: Mosquitto) -> None:
    """While a disk is slow for one, another is answered."""
    desk = Desk()
    desk.go.clear()
    mine = [message(verb="reset", drive=f"D{n}") for n in range(5)]
    theirs = message("super1", "reset", drive="GT1")
    async with site(mosquitto, desk) as (_, ear, sender):
        for fields in mine:
            await send(sender, fields)
        await send(sender, theirs, "super1")
        await until(lambda: len(desk.asked) == 2)
        assert {drive for _, drive, *_ in desk.asked} == {"D0", "GT1"}
        desk.go.set()
        await ear.until(lambda: len(ear.heard) == 6)

    assert [drive for _, drive, *_ in desk.asked if drive != "GT1"] == [f"D{n}" for n in range(5)]


@pytest.mark.asyncio
async def test_flood_of_rubbish_is_bounded_and_people_are_served(mosquitto: Mosquitto) -> None:
    """Strangers share one short queue; the rest is dropped and counted; rows are bounded; events go on."""
    desk = Desk()
    fields = message(verb="reset", drive="PC1")
    async with site(mosquitto, desk) as (watch, ear, sender):
        for number in range(1000):
            await send(sender, b"?" * 500, f"stranger{number}")
        watch.happen(row(1))
        await send(sender, fields)
        await ear.until(lambda: bool(answers(ear, fields)))
        await until(lambda: watch.ledger.cursor == 1)
        stats = watch.teller.stats.commands
        assert int(stats["waiting"]) <= 2 * WAITING
        assert int(stats["dropped"]) > 500
        await until(lambda: "too_fast" in desk.reasons())

    tallies, told, _ = bound({}, desk.notes, 0)
    assert len(tallies) == 1
    assert len(told) <= TOLD_SINGLY


@pytest.mark.asyncio
async def test_answer_waits_for_the_connection(make_mosquitto: Callable[..., Mosquitto]) -> None:
    """The broker dies while a command is being done: the answer comes when it is back."""
    broker, desk, fields = make_mosquitto(), Desk(), message(verb="reset", drive="PC1")
    broker.start()
    desk.go.clear()
    with closing(Line(broker.port)) as line:
        async with Watch(settings(line.port), commands=desk.reception()) as watch:
            await watch.link(True)
            async with aiomqtt.Client("127.0.0.1", broker.port) as sender:
                await send(sender, fields)
                await until(lambda: len(desk.asked) == 1)
            broker.kill()
            await watch.link(False)
            line.cut()
            desk.go.set()
            broker.start()
            async with listening(broker.port, REPLIES) as ear:
                line.join()  # only now: who subscribes too late has missed the answer
                await ear.until(lambda: bool(answers(ear, fields)))

    assert len(desk.asked) == 1


@pytest.mark.asyncio
async def test_command_that_cannot_be_put_is_answered_in_a_sentence(mosquitto: Mosquitto) -> None:
    """The walk's own complaint becomes the answer; what comes next is served."""
    desk, first, then = Desk(), message(verb="reset", drive="PC1"), message(verb="reset", drive="PC2")
    async with site(mosquitto, desk) as (_, ear, sender):
        desk.error = "the watch is stopping"
        await send(sender, first)
        await ear.until(lambda: bool(answers(ear, first)))
        desk.error = ""
        await send(sender, then)
        await ear.until(lambda: bool(answers(ear, then)))

    assert answers(ear, first)[0].json["data"] == {
        "ok": False,
        "text": "the watch is stopping",
        "reason": "",
        "verb": "reset",
        "again": False,
    }
    assert answers(ear, then)[0].json["data"]["ok"]


@pytest.mark.asyncio
async def test_answer_repeats_no_marks_that_turn_a_line_round(mosquitto: Mosquitto) -> None:
    """What its sender wrote into the drive's name comes back cleaned, as everything from outside."""
    desk, odd = Desk(), message(verb="reset", drive="PC1\u202e\u2028\u0085x")
    async with site(mosquitto, desk) as (_, ear, sender):
        desk.error = "no such drive"
        await send(sender, odd)
        await ear.until(lambda: bool(answers(ear, odd)))

    reply = answers(ear, odd)[0].json
    assert reply["drive"] == "PC1? ?x" or reply["drive"].isprintable()
    assert "\u202e" not in json.dumps(reply, ensure_ascii=False)


@pytest.mark.asyncio
async def test_reload_changes_who_may_sign(mosquitto: Mosquitto) -> None:
    """A key that was taken away is refused from then on; a new person is heard."""
    desk, gone, new = Desk(), message(verb="reset", drive="PC1"), message("drives", "reset", drive="PC1")
    async with site(mosquitto, desk) as (watch, ear, sender):
        assert watch.teller._desk.commands is not None
        watch.teller._desk.commands.set_signers({"drives": Signer("engineer", KEYS["drives"].public)})
        await send(sender, gone)
        await send(sender, new, "drives")
        await ear.until(lambda: len(ear.heard) == 2)

    assert answers(ear, gone)[0].json["data"]["reason"] == "unknown_person"
    assert answers(ear, new)[0].json["data"]["ok"]


# --- the sender's side ------------------------------------------------------------------------------------------------


@pytest.mark.asyncio
@pytest.mark.parametrize("protocol", [5, 311])
async def test_sender_gets_its_answer(mosquitto: Mosquitto, protocol: int) -> None:
    """`send_command` subscribes, sends, and takes only what answers it."""
    desk, fields = Desk(), message(verb="reset", drive="PC1")
    own = settings(mosquitto.port, protocol=protocol, client_id="phone")
    async with site(mosquitto, desk, protocol) as (_, _ear, sender):
        decoy = json.dumps({"correlation": "another", "data": {"text": "no"}}).encode()
        await sender.publish(fields["reply_to"], decoy, qos=1, retain=True)
        answer = await send_command(own, TOPICS, fields, 10.0)

    assert answer["data"]["text"] == "reset PC1: number 1"
    assert len(desk.asked) == 1


@pytest.mark.asyncio
async def test_sender_without_an_answer_asks_again_and_says_so_at_last(
    mosquitto: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody is there: the same bytes go out again, and the sentence says that it may have been done all the same."""
    monkeypatch.setattr("nightrake.messages.asking.AGAIN_S", 0.1)
    began_s = time.monotonic()
    async with listening(mosquitto.port, "nightrake/fennmark/command/+") as ear:
        with pytest.raises(MessageError, match="may have been done all the same"):
            await send_command(settings(mosquitto.port, client_id="phone"), TOPICS, message(), 1.0)

    assert time.monotonic() - began_s < 15.0
    assert len({m.payload for m in ear.heard}) == 1
    assert len(ear.heard) > 2


def test_rows_of_refusals_fit_the_event_message() -> None:
    """What is journalled is told like every other row."""
    raw = event_bytes(row(1, "", event="refused", why="late")._replace(kind="command"), "fennmark", True)
    assert EventMessage.model_validate_json(raw).kind == "command"
    assert UTC_MS < NOW_MS
