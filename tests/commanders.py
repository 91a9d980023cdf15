"""Signed commands for tests: people with keys, messages right and wrong."""

from __future__ import annotations

import base64
import json
from collections.abc import Mapping
from typing import Any

from nightrake.domain.publickey import public_key_text
from nightrake.messages.asking import Wish, command_message
from nightrake.messages.broker import Received
from nightrake.messages.operatorkey import OperatorKey
from nightrake.messages.proving import Prover, Signer
from nightrake.messages.remembered import Remembered
from nightrake.messages.signed import signed_bytes
from nightrake.messages.topics import Topics

NOW_MS = 1_795_572_845_123
"""2026-11-25T02:14:05.123Z"""
TOPICS = Topics("nightrake", "fennmark")
KEYS = {name: OperatorKey.from_seed(name.encode().ljust(32, b".")) for name in ("night1", "super1", "drives")}
SIGNERS = {
    "night1": Signer("operator", KEYS["night1"].public),
    "super1": Signer("supervisor", KEYS["super1"].public),
    "drives": Signer("engineer", KEYS["drives"].public),
    "day1": Signer("operator"),
}
KEY_LINES = {f"person.{i}.public_key": public_key_text(k.public) for i, k in KEYS.items()}
"""As overrides of the example's settings."""


def message(
    person: str = "night1", verb: str = "acknowledge", *, id: str = "", now_ms: int = NOW_MS, **more: Any
) -> Any:
    """A good command; `more`: drive, direction, args."""
    if verb == "acknowledge":
        more.setdefault("args", {"alarm": "PC1/forward/alarm_contact", "occurrence": 1})
    return command_message(TOPICS, KEYS[person], Wish(person, verb, **more), now_ms, id)


def signed(fields: Mapping[str, Any], person: str = "night1", topic: str = "") -> dict[str, Any]:
    """A message signed (again) by a person, whatever it says."""
    bare = {k: v for k, v in fields.items() if k != "signature"}
    signature = KEYS[person].sign(signed_bytes(topic or TOPICS.command(person), bare))
    return {**bare, "signature": base64.b64encode(signature).decode()}


def received(fields: Any, person: str = "night1", *, retained: bool = False) -> Received:
    """A message as it comes from the broker; bytes are taken as they are."""
    payload = fields if isinstance(fields, bytes) else json.dumps(fields).encode()
    return Received(TOPICS.command(person), payload, retained)


class Memory:
    """What the store keeps."""

    def __init__(self) -> None:
        self.kept: dict[str, bytes] = {}
        self.writes = 0

    def keep(self, key: str, payload: bytes) -> None:
        self.kept[key] = payload
        self.writes += 1


def prover(now_ms: int = NOW_MS, *, trusted: bool = True, remembered: Remembered | None = None) -> Prover:
    """One at a moment."""
    remembered = Remembered(Memory().keep) if remembered is None else remembered
    return Prover(TOPICS, SIGNERS, lambda: now_ms, lambda: trusted, remembered)
