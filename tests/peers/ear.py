"""A subscriber that keeps what it hears: the outside judge of what was delivered."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any, NamedTuple

import aiomqtt


class Heard(NamedTuple):
    """A message as it came."""

    topic: str
    payload: bytes
    retained: bool
    properties: Any

    @property
    def json(self) -> dict[str, Any]:
        """Its payload, taken apart."""
        parsed: dict[str, Any] = json.loads(self.payload)
        return parsed


class Ear:
    """What a subscriber has heard so far; made by `listening`."""

    def __init__(self) -> None:
        self.heard: list[Heard] = []
        self._gone = False
        self._news = asyncio.Event()

    def take(self, message: Heard) -> None:
        """Keep a message."""
        self.heard.append(message)
        self._news.set()

    def end(self) -> None:
        """The connection is gone: nothing more will come."""
        self._gone = True
        self._news.set()

    async def until(self, true: Callable[[], bool], within_s: float = 10.0) -> None:
        """Wait until something holds, looking whenever a message comes.

        Raises:
            TimeoutError: It does not come to hold. ConnectionError: The broker went.
        """
        async with asyncio.timeout(within_s):
            while not true():
                if self._gone:
                    raise ConnectionError("the broker ended the subscriber's connection")
                self._news.clear()
                await self._news.wait()

    def events(self) -> list[dict[str, Any]]:
        """Events in the order heard, canaries left out."""
        found = [m.json for m in self.heard if m.topic.endswith("/events")]
        return [e for e in found if e["kind"] != "canary"]

    def seqs(self) -> list[int]:
        """Numbers of the events, in the order heard."""
        return [e["seq"] for e in self.events()]

    def last(self, topic: str) -> Heard | None:
        """The latest message on a topic."""
        return next((m for m in reversed(self.heard) if m.topic == topic), None)


@asynccontextmanager
async def listening(
    port: int, topic: str = "#", *, five: bool = True, username: str | None = None, client_id: str | None = None
) -> AsyncIterator[Ear]:
    """Subscribe (QoS 1) on 127.0.0.1 and keep what comes until the block ends or the broker goes."""
    ear = Ear()
    version = aiomqtt.ProtocolVersion.V5 if five else aiomqtt.ProtocolVersion.V311
    async with aiomqtt.Client("127.0.0.1", port, protocol=version, username=username, identifier=client_id) as client:
        await client.subscribe(topic, qos=1)

        async def listen() -> None:
            try:
                async for message in client.messages:
                    payload = message.payload if isinstance(message.payload, bytes) else b""
                    ear.take(Heard(message.topic.value, payload, bool(message.retain), message.properties))
            except aiomqtt.MqttError:
                ear.end()

        task = asyncio.create_task(listen(), name="ear")
        try:
            yield ear
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
