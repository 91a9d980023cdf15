"""What a broker sends without being asked: a huge packet is thrown away as it comes, strays are bounded."""

from __future__ import annotations

import struct

import pytest

from nightrake.messages.broker import Received, Will
from nightrake.messages.incoming import PACKET_BYTES
from nightrake.messages.link import connect
from nightrake.messages.states import STRAYS, States
from nightrake.messages.topics import Topics
from peers.fakebroker import CONNACK, fake_broker
from shell.messages.ledger import settings, until

HUGE = 16 * 1024 * 1024


def publish(topic: str, payload: bytes, protocol: int) -> bytes:
    """A PUBLISH packet with QoS 0. Source: MQTT 5 and 3.1.1, section 3.3."""
    name = topic.encode()
    body = struct.pack(">H", len(name)) + name + (b"\0" if protocol == 5 else b"") + payload
    left, size = len(body), b""
    while True:
        left, digit = divmod(left, 128)
        size += bytes((digit | (128 if left else 0),))
        if not left:
            return b"\x30" + size + body


@pytest.mark.asyncio
@pytest.mark.parametrize("protocol", [5, 311])
async def test_huge_packet_is_not_gathered_in_memory(protocol: int) -> None:
    """Of sixteen megabytes a head is kept; what comes behind it is heard as ever, on the same connection."""
    heard: list[Received] = []

    def wants(message: Received) -> bool:
        heard.append(message)
        return False

    answer = CONNACK[protocol] + publish("n/s/events", bytes(HUGE), protocol) + publish("n/s/events", b"{}", protocol)
    async with fake_broker(answer, stay=True) as broker:
        link = await connect(settings(broker.port, protocol=protocol), Will("w", b""), wants, 20)
        await until(lambda: len(heard) == 2)
        await link.close(0.2)

    assert broker.connects == 1
    assert [m.topic for m in heard] == ["n/s/events"] * 2
    assert 4096 < len(heard[0].payload) < 2 * PACKET_BYTES
    assert heard[1].payload == b"{}"


def test_strays_to_be_cleared_are_bounded() -> None:
    """A flood of retained states of drives that there are not; our own states find their place all the same."""
    states = States(["PC1"])
    for number in range(10 * STRAYS):
        states.stray(f"X{number}")
    states.mark("PC1", {"n": 1})

    assert states.due <= STRAYS + 2
    jobs = [states.take(lambda _: False) for _ in range(states.due)]
    assert [j.payload for j in jobs if j is not None and j.drive == "PC1"] == [{"n": 1}]


def test_topic_with_an_endless_name_is_no_drives() -> None:
    """No drive of ours has such an id, so nothing is kept of it."""
    topics = Topics("nightrake", "fennmark")

    assert topics.drive_of(topics.drive("x" * 60_000)) == ""
    assert topics.drive_of(topics.drive("PC1")) == "PC1"
