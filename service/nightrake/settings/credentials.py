"""Secrets: from a file or from the environment, never in the settings, never in a log."""

from __future__ import annotations

import os
import stat
from typing import NamedTuple

from nightrake.errors import NightrakeError
from nightrake.settings.folder import reason_of
from nightrake.settings.taken import Settings

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
        text = _content(file, what).decode("utf-8").rstrip("\r\n")
    except (OSError, ValueError) as error:
        why = "it is not UTF-8 text" if isinstance(error, UnicodeDecodeError) else reason_of(error)
        raise NightrakeError(f"{what}: {file} cannot be read ({why}); check the path and its permissions") from error
    if not text:
        raise NightrakeError(f"{what}: {file} is empty; put the secret into it")
    return Secret(text)


def _content(file: str, what: str) -> bytes:
    # Opening a pipe would wait for somebody to write into it.
    fd = os.open(file, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    with os.fdopen(fd, "rb") as stream:
        if not stat.S_ISREG(os.fstat(fd).st_mode):
            raise NightrakeError(f"{what}: {file} is no ordinary file; name a file that holds the secret")
        return stream.read(MAX_BYTES)


class Secrets(NamedTuple):
    """What the shells need of secrets."""

    mqtt_password: Secret
    forward_token: Secret


def secrets_of(settings: Settings) -> Secrets:
    """Read every secret that the settings name; may wait for a disk.

    Raises:
        NightrakeError: One of them cannot be had.
    """
    mqtt, forward = settings.mqtt, settings.forward
    return Secrets(
        secret(mqtt.password_file, mqtt.password_env, "mqtt password"),
        secret(forward.token_file, forward.token_env, "forward token") if forward.enabled else Secret(""),
    )
