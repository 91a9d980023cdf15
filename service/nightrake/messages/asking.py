"""The other end of a command: sign it, send it, wait for the answer. Used by the command line."""

from __future__ import annotations

import asyncio
import base64
import json
import secrets
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from nightrake.errors import MessageError
from nightrake.messages.broker import BrokerSettings, Received
from nightrake.messages.link import Link, connect
from nightrake.messages.operatorkey import OperatorKey
from nightrake.messages.payloads import stamp
from nightrake.messages.signed import signed_bytes
from nightrake.messages.topics import Topics

VALID_S = 60.0
"""How long a command is good for; the clocks of both sides have to agree within half of it."""
AGAIN_S = 3.0
"""Without an answer the same command goes out again, which is done once all the same."""
CLOSE_S = 0.4


@dataclass(frozen=True, slots=True)
class Wish:
    """What a person wants.

    Attributes:
        person: Who. verb, drive, direction, args: What; see `alarms.rights.MAY`.
    """

    person: str
    verb: str
    drive: str = ""
    direction: str = ""
    args: Mapping[str, Any] = field(default_factory=dict)


def command_message(topics: Topics, key: OperatorKey, wish: Wish, utc_ms: int, id: str = "") -> dict[str, Any]:
    """The signed message.

    Args:
        utc_ms: Now. id: Its id, for examples; "": one by chance.
    """
    id = id or secrets.token_urlsafe(16)
    message: dict[str, Any] = {
        "id": id,
        "person": wish.person,
        "verb": wish.verb,
        "drive": wish.drive,
        "direction": wish.direction,
        "args": dict(wish.args),
        "issued": stamp(utc_ms),
        "expires": stamp(utc_ms + int(VALID_S * 1000)),
        "reply_to": f"{topics.replies(wish.person)}{id}",
    }
    signature = key.sign(signed_bytes(topics.command(wish.person), message))
    return {**message, "signature": base64.b64encode(signature).decode()}


async def send_command(broker: BrokerSettings, topics: Topics, message: Mapping[str, Any], wait_s: float) -> Any:
    """Send a signed message and wait for its answer.

    Args:
        wait_s: For the answer.

    Returns:
        The answer, as `commandpayloads.ReplyMessage` describes it.

    Raises:
        MessageError: There is no broker, or no answer; what was asked may have been done all the same.
    """
    answer: asyncio.Future[Any] = asyncio.get_running_loop().create_future()

    def wants(received: Received) -> bool:
        found = _answer_in(received, message)
        if found is not None and not answer.done():
            answer.set_result(found)
        return False

    link = await connect(broker, None, wants, 10)
    try:
        await link.subscribe(str(message["reply_to"]), 1)
        return await _asked(link, topics, message, answer, wait_s)
    finally:
        await link.close(CLOSE_S)


async def _asked(
    link: Link, topics: Topics, message: Mapping[str, Any], answer: asyncio.Future[Any], wait_s: float
) -> Any:
    payload = json.dumps(message, separators=(",", ":"), ensure_ascii=False).encode()
    try:
        async with asyncio.timeout(wait_s):
            while True:
                await link.publish(topics.command(str(message["person"])), payload, expiry_s=round(VALID_S))
                done, _ = await asyncio.wait({answer}, timeout=AGAIN_S)
                if done:
                    return answer.result()
    except TimeoutError:
        raise MessageError(
            f"no answer within {wait_s:g} s; is the watch running, and do the broker's access rules let "
            f"{message['person']} write {topics.command(str(message['person']))} and read the replies? It may have "
            "been done all the same: look how things stand"
        ) from None


def _answer_in(received: Received, message: Mapping[str, Any]) -> Any:
    """The answer to a message, or None for anything else."""
    if received.topic != message["reply_to"] or received.retained:
        return None
    try:
        found = json.loads(received.payload)
        fits = found["correlation"] == message["id"] and isinstance(found["data"]["text"], str)
    except (ValueError, TypeError, KeyError, RecursionError):
        return None
    return found if fits else None
