"""One request of a control connection, and why one is refused: the same on the socket for all and on a channel."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any

from nightrake.errors import ControlError, NightrakeError

REFUSED = (NightrakeError, ValueError, TypeError, KeyError, ArithmeticError)
"""What a verb may end with when it was asked for something that cannot be; the last: of a number without end."""


def request_of(line: bytes) -> tuple[str, dict[str, Any], Any]:
    """Verb, arguments and reference of a request.

    Raises:
        ControlError: It is none.
    """
    try:
        request = json.loads(line)
        return str(request["verb"]), dict(request.get("args") or {}), request.get("ref")
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        raise ControlError('a request is one line of JSON such as {"verb": "status"}') from None


def unknown_verb(verb: str, known: Iterable[str]) -> ControlError:
    """The refusal of a verb that does not exist here."""
    return ControlError(f"unknown verb '{verb[:32]}'; known: {', '.join(sorted(set(known)))}")


def refusal(verb: str, error: BaseException) -> str:
    """One sentence for one of `REFUSED`."""
    if isinstance(error, NightrakeError):
        return str(error)
    return f"'{verb[:32]}' was asked with wrong arguments: {type(error).__name__} {str(error)[:200]}"
