"""Secrets: from a file or from the environment, never in the settings, never in a log."""

from __future__ import annotations

import os
from pathlib import Path

from nightrake.errors import NightrakeError
from nightrake.settings.folder import reason_of

MAX_BYTES = 64 * 1024


class Secret:
    """A secret whose text never shows in a log or a traceback."""

    __slots__ = ("_text",)

    def __init__(self, text: str) -> None:
        self._text = text

    def reveal(self) -> str:
        """The secret itself."""
        return self._text

    def __bool__(self) -> bool:
        return bool(self._text)

    def __repr__(self) -> str:
        return "Secret(...)" if self._text else "Secret()"

    def __reduce__(self) -> str:
        raise TypeError("a secret is not written anywhere")


def secret(file: str, variable: str, what: str) -> Secret:
    """A secret from a file or from the environment.

    Args:
        file: Path of a file that holds it, or "". A line end at its end is not part of it.
        variable: Name of an environment variable, or "".
        what: For the error's text, for instance ``mqtt.password``.

    Returns:
        The secret; an empty one where neither is named.

    Raises:
        NightrakeError: Both are named, or the one that is named cannot be had.
    """
    if file and variable:
        raise NightrakeError(f"{what}: name a file or an environment variable, not both")
    if variable:
        if not os.environ.get(variable):
            raise NightrakeError(f"{what}: the environment variable {variable} is not set; set it, or name a file")
        return Secret(os.environ[variable])
    if not file:
        return Secret("")
    try:
        with Path(file).open("rb") as stream:
            text = stream.read(MAX_BYTES).decode("utf-8").rstrip("\r\n")
    except (OSError, ValueError) as error:
        why = "it is not UTF-8 text" if isinstance(error, UnicodeDecodeError) else reason_of(error)
        raise NightrakeError(f"{what}: {file} cannot be read ({why}); check the path and its permissions") from error
    if not text:
        raise NightrakeError(f"{what}: {file} is empty; put the secret into it")
    return Secret(text)
