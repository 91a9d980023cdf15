"""A signed command: its shape, the bytes that are signed, what is wrong with one. No I/O, no cryptography.

The signed bytes are ``nightrake command 1``, a line feed, and the message without its signature, with the topic added,
in canonical JSON (RFC 8785). Only whole numbers may stand in it, so that every language writes the same bytes.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any, NamedTuple

from nightrake.alarms.rights import MAY
from nightrake.domain.cleantext import clean
from nightrake.domain.publickey import SIGNATURE_LENGTH, from_base64
from nightrake.errors import MessageError
from nightrake.messages.topics import Topics

COMMAND_BYTES = 8 * 1024
HEAD = b"nightrake command 1\n"
"""So that nothing else that is signed with the same key, now or later, can be taken for a command."""
AHEAD_MS = 30_000
"""A command may come from a clock that is ahead of ours by so much."""
LONGEST_MS = 5 * 60_000
"""A command is remembered until it expires, so it may not take longer than this."""
KEYS = frozenset("id person verb drive direction args issued expires reply_to signature".split())
ARGS = frozenset("alarm occurrence reason for_s remark lock_number cause whom name limit_s facts".split())
"""Keys that any command takes besides; which one needs which, the core says."""
LIST, TEXT, SHORT = 20, 500, 64
"""Entries of a list, characters of a text, characters of a name, at most."""
_ID = re.compile(r"[A-Za-z0-9_-]{16,64}")
_STAMP = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}\.[0-9]{3}Z")


class CommandRefused(MessageError):
    """A command that is not taken.

    Attributes:
        reason: In one word, as it stands in the reply and in the journal.
    """

    def __init__(self, reason: str, text: str) -> None:
        self.reason = reason
        super().__init__(text)


class Claimed(NamedTuple):
    """What a message says, in the right shape; whether it is true is another question.

    Attributes:
        signed: The bytes that its signature has to fit.
    """

    id: str
    person: str
    verb: str
    drive: str
    direction: str
    args: Mapping[str, Any]
    issued_utc_ms: int
    expires_utc_ms: int
    reply_to: str
    signature: bytes
    signed: bytes


def signed_bytes(topic: str, message: Mapping[str, Any]) -> bytes:
    """The bytes that are signed.

    Args:
        topic: On which the message goes, which binds root, site and person. message: Its keys, `signature` left out.
    """
    body = {**{k: v for k, v in message.items() if k != "signature"}, "topic": topic}
    return HEAD + json.dumps(body, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()


def fields_of(payload: bytes) -> dict[str, Any]:
    """A payload taken apart, whatever it says.

    Raises:
        CommandRefused: It is no JSON object, or one of which two programs could understand different things.
    """
    try:
        fields = json.loads(
            payload.decode(), object_pairs_hook=_pairs, parse_float=_no_float, parse_constant=_no_constant
        )
    except UnicodeDecodeError:
        raise CommandRefused("bad_json", "is not UTF-8 text") from None
    except (ValueError, RecursionError):
        raise CommandRefused("bad_json", "is no JSON") from None
    if not isinstance(fields, dict):
        raise CommandRefused("bad_json", "is no JSON object")
    return fields


def _pairs(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise CommandRefused("bad_json", "has a key twice")
    return found


def _no_float(text: str) -> float:
    raise CommandRefused("bad_json", f"holds {text[:20]}; only whole numbers may stand in a command")


def _no_constant(text: str) -> float:
    raise CommandRefused("bad_json", f"holds {text}, which is no JSON")


def reply_place(fields: Mapping[str, Any], topics: Topics, person: str) -> str:
    """Where a message wants its reply; "" where it must not go there."""
    reply_to = fields.get("reply_to")
    return reply_to if isinstance(reply_to, str) and topics.is_reply_to(reply_to, person) else ""


def claimed_of(fields: Mapping[str, Any], topics: Topics, person: str) -> Claimed:
    """Look at the shape of a message.

    Args:
        person: Whose topic it came on.

    Raises:
        CommandRefused: Something is missing, is too much, or has a wrong shape.
    """
    unknown, missing = sorted(set(fields) - KEYS), sorted(KEYS - set(fields))
    if unknown:
        raise CommandRefused("unknown_key", f"has the unknown key '{clean(unknown[0], SHORT)}'")
    if missing:
        raise CommandRefused("missing_key", f"lacks the key '{missing[0]}'")
    for key in sorted(KEYS - {"args"}):
        _check_text(key, fields[key], TEXT)
    if not _ID.fullmatch(fields["id"]):
        raise CommandRefused("bad_id", "'id' has to be 16 to 64 letters, digits, '-' or '_', at random each time")
    if fields["person"] != person:
        raise CommandRefused("wrong_person", f"is from '{clean(fields['person'], SHORT)}', on the topic of '{person}'")
    if not topics.is_reply_to(fields["reply_to"], person):
        raise CommandRefused("bad_reply_to", f"'reply_to' has to be a topic below {topics.replies(person)}")
    _check_args(fields["args"])
    signature = from_base64(fields["signature"], SIGNATURE_LENGTH)
    if not signature:
        raise CommandRefused("bad_signature", "'signature' has to be 64 bytes in base64")
    return Claimed(
        id=fields["id"],
        person=person,
        verb=fields["verb"],
        drive=fields["drive"],
        direction=fields["direction"],
        args=fields["args"],
        issued_utc_ms=_utc_ms("issued", fields["issued"]),
        expires_utc_ms=_utc_ms("expires", fields["expires"]),
        reply_to=fields["reply_to"],
        signature=signature,
        signed=signed_bytes(topics.command(person), fields),
    )


def _check_text(key: str, value: Any, longest: int) -> None:
    if not isinstance(value, str):
        raise CommandRefused("bad_value", f"'{key}' has to be a text")
    if len(value) > longest:
        raise CommandRefused("bad_value", f"'{key}' is longer than {longest} characters")
    if any("\ud800" <= c <= "\udfff" for c in value):
        raise CommandRefused("bad_json", f"'{key}' holds half a character (a lone surrogate)")


def _check_args(args: Any) -> None:
    if not isinstance(args, dict):
        raise CommandRefused("bad_value", "'args' has to be an object")
    for key, value in args.items():
        if key not in ARGS:
            known = ", ".join(sorted(ARGS))
            raise CommandRefused("unknown_key", f"has the unknown key '{clean(key, SHORT)}' in 'args'; known: {known}")
        if isinstance(value, list):
            if len(value) > LIST:
                raise CommandRefused("bad_value", f"'{key}' has more than {LIST} entries")
            for one in value:
                _check_text(key, one, TEXT)
        elif isinstance(value, str):
            _check_text(key, value, TEXT)
        elif not isinstance(value, int) or isinstance(value, bool) or abs(value) >= 2**53:
            raise CommandRefused("bad_value", f"'{key}' has to be a text, a whole number below 2^53 or a list of texts")


def _utc_ms(key: str, text: str) -> int:
    try:
        if not _STAMP.fullmatch(text):
            raise ValueError
        moment = datetime.strptime(text, "%Y-%m-%dT%H:%M:%S.%fZ").replace(tzinfo=UTC)
    except ValueError:
        raise CommandRefused("bad_time", f"'{key}' has to be UTC such as 2026-11-25T02:14:05.123Z") from None
    return round(moment.timestamp() * 1000)


def check_time(claimed: Claimed, utc_ms: int) -> None:
    """Look at the times of a message that is authentic.

    Raises:
        CommandRefused: It is late, from the future, or valid for too long.
    """
    if claimed.expires_utc_ms <= claimed.issued_utc_ms:
        raise CommandRefused("bad_time", "expires before it was issued")
    if claimed.issued_utc_ms > utc_ms + AHEAD_MS:
        by_s = (claimed.issued_utc_ms - utc_ms) / 1000
        raise CommandRefused("from_the_future", f"was issued {by_s:.0f} s from now; set the sender's clock")
    if claimed.expires_utc_ms <= utc_ms:
        by_s = (utc_ms - claimed.expires_utc_ms) / 1000
        raise CommandRefused("late", f"expired {by_s:.0f} s ago; look how things stand now, and send a new one")
    if claimed.expires_utc_ms > utc_ms + LONGEST_MS:
        raise CommandRefused("too_long", f"expires more than {LONGEST_MS // 60_000} minutes ahead; a minute is enough")


def check_verb(claimed: Claimed) -> None:
    """Look at what is asked. Whether this person may, the core says, the same for every way in.

    Raises:
        CommandRefused: There is no such command.
    """
    if claimed.verb not in MAY:
        text = f"asks for '{clean(claimed.verb, 32)}', which is no command; look at the list of verbs"
        raise CommandRefused("unknown_verb", text)
