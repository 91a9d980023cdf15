"""Is a command what it says, from whom it says, and of now? What it asks for is looked at by the core.

Authenticity comes first: what is said about times and repetition is said to the person only, and a row of the journal
says whether somebody's key stands behind it (``signature``) or only their topic (``topic``).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from nightrake.domain.cleantext import clean
from nightrake.messages.broker import Received
from nightrake.messages.operatorkey import verify
from nightrake.messages.remembered import Remembered, Taken
from nightrake.messages.signed import (
    COMMAND_BYTES,
    Claimed,
    CommandRefused,
    check_time,
    check_verb,
    claimed_of,
    fields_of,
    reply_place,
)
from nightrake.messages.topics import Topics

BY_KEY, BY_TOPIC = "signature", "topic"
"""How the actor of a command is known."""


class Signer(NamedTuple):
    """A person who may send commands.

    Attributes:
        role: At the site. public_key: 32 bytes; b"": none yet, so that nothing can be proved.
    """

    role: str
    public_key: bytes = b""


class Proved(NamedTuple):
    """A command of now, from whom it says.

    Attributes:
        taken: What is known of it where it has come before.
    """

    claimed: Claimed
    role: str
    taken: Taken | None


class Unproved(NamedTuple):
    """A command that is not taken.

    Attributes:
        reason, text: In one word, and in a sentence. known_by: `BY_KEY` or `BY_TOPIC`. role: Where it is known by key.
        place: Where the reply goes, "" = nowhere. said: What it says of itself, cleaned: id, verb, drive.
    """

    reason: str
    text: str
    known_by: str
    role: str
    place: str
    said: Mapping[str, str]


class Prover:
    """See the module.

    Args:
        topics: Of the site. signers: People by id.
        utc_ms, trusted: The clock, and whether it can be believed. remembered: What was taken before.
    """

    def __init__(
        self,
        topics: Topics,
        signers: Mapping[str, Signer],
        utc_ms: Callable[[], int],
        trusted: Callable[[], bool],
        remembered: Remembered,
    ) -> None:
        self._topics = topics
        self.signers = signers
        self._utc_ms = utc_ms
        self._trusted = trusted
        self._remembered = remembered

    def prove(self, person: str, message: Received) -> Proved | Unproved:
        """Look at one message.

        Args:
            person: Whose topic it came on.
        """
        fields, fault = _looked_into(message)
        known_by, role = BY_TOPIC, ""
        try:
            if fault is not None:
                raise fault
            claimed = claimed_of(fields, self._topics, person)
            signer = self._signer(claimed)
            known_by, role = BY_KEY, signer.role
            return Proved(claimed, role, self._of_now(claimed))
        except CommandRefused as error:
            place = reply_place(fields, self._topics, person)
            said = {k: clean(v, 64) for k in ("id", "verb", "drive") if isinstance(v := fields.get(k), str)}
            return Unproved(error.reason, f"this command {error}", known_by, role, place, said)

    def _signer(self, claimed: Claimed) -> Signer:
        signer = self.signers.get(claimed.person)
        if signer is None:
            raise CommandRefused("unknown_person", f"is from '{claimed.person}', who is nobody here")
        if not signer.public_key:
            text = f"is from {claimed.person}, for whom no public_key is in the settings"
            raise CommandRefused("no_key", f"{text}; see nightrake operator add")
        if not verify(signer.public_key, claimed.signature, claimed.signed):
            raise CommandRefused("forged", f"was not signed like this with the key of {claimed.person}")
        return signer

    def _of_now(self, claimed: Claimed) -> Taken | None:
        if not self._trusted():
            text = "cannot be told from an old one, since this machine's clock cannot be believed now"
            raise CommandRefused("clock_not_trusted", f"{text}; use the command line at the machine")
        utc_ms = self._utc_ms()
        check_time(claimed, utc_ms)
        check_verb(claimed)
        return self._remembered.find(claimed, utc_ms)


def _looked_into(message: Received) -> tuple[dict[str, Any], CommandRefused | None]:
    """What a message says, if only so that its sender can be told why it is refused, and what speaks against it."""
    size = len(message.payload)
    fields: dict[str, Any] = {}
    fault = CommandRefused("oversized", f"is longer than {COMMAND_BYTES} bytes") if size > COMMAND_BYTES else None
    if size <= 2 * COMMAND_BYTES:
        try:
            fields = fields_of(message.payload)
        except CommandRefused as error:
            fault = fault or error
    if message.retained:
        fault = CommandRefused("retained", "is retained; a command is for now only, so publish it without that flag")
    return fields, fault
