"""Secrets: from a file or from the environment, never in the settings, never in a log."""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Mapping
from secrets import token_bytes
from types import MappingProxyType
from typing import NamedTuple

from nightrake.errors import NightrakeError
from nightrake.settings.folder import reason_of
from nightrake.settings.taken import Settings

MAX_BYTES = 64 * 1024
_KEY = token_bytes(32)
"""Of this process alone: outside of it a digest says nothing."""


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
    """What the shells need of secrets.

    Attributes:
        digests: What it is -> keyed digest of it, for telling whether a file holds something else than before. Also of
            the certificates, which the shells read themselves. Never written anywhere.
    """

    mqtt_password: Secret
    forward_token: Secret
    channels: Mapping[str, Secret] = MappingProxyType({})
    digests: Mapping[str, bytes] = MappingProxyType({})

    def changed(self, before: Secrets) -> list[str]:
        """What is another than before, in the settings' words."""
        return [what for what, digest in self.digests.items() if before.digests.get(what, digest) != digest]


def secrets_of(settings: Settings) -> Secrets:
    """Read every secret that the settings name; may wait for a disk.

    Raises:
        NightrakeError: One of them cannot be had.
    """
    mqtt, forward = settings.mqtt, settings.forward
    password = secret(mqtt.password_file, mqtt.password_env, "mqtt password")
    token = secret(forward.token_file, forward.token_env, "forward token") if forward.enabled else Secret("")
    channels = {n: secret(c.secret_file, c.secret_env, f"channel.{n} secret") for n, c in settings.channels.items()}
    digests = {"mqtt password": _digest(password.reveal().encode())}
    if forward.enabled:
        digests["forward token"] = _digest(token.reveal().encode())
    digests |= {f"channel.{n} secret": _digest(c.reveal().encode()) for n, c in channels.items()}
    page = settings.page if settings.page.enabled else None
    files = {"mqtt.ca_file": mqtt.ca_file, "mqtt.cert_file": mqtt.cert_file, "mqtt.key_file": mqtt.key_file}
    if page is not None:
        files |= {"page.cert_file": page.cert_file, "page.key_file": page.key_file}
    for what, file in files.items():
        digests[what] = _digest(_certificate(file))
    return Secrets(password, token, channels, digests)


def _certificate(file: str) -> bytes:
    """What a file holds; nothing where it cannot be read, which the shell that needs it will say."""
    try:
        return _content(file, file) if file else b""
    except (OSError, ValueError, NightrakeError):
        return b""


def _digest(content: bytes) -> bytes:
    return hashlib.blake2b(content, key=_KEY).digest()
