"""`nightrake send`: one signed command over MQTT, and its answer."""

from __future__ import annotations

import asyncio
import secrets
import textwrap
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from nightrake.alarms.rights import MAY
from nightrake.cli.commands import CAUTION
from nightrake.cli.operator_keys import given_passphrase, known_person
from nightrake.cli.response import answer_lines
from nightrake.cli.send_words import in_options, lacks
from nightrake.domain.cleantext import clean
from nightrake.errors import MessageError, NightrakeError
from nightrake.messages.asking import Wish, command_message, send_command
from nightrake.messages.broker import BrokerSettings
from nightrake.messages.operatorkey import is_encrypted, load_key
from nightrake.messages.signed import ARGS
from nightrake.messages.topics import Topics
from nightrake.settings import Settings, load, secret
from nightrake.settings.words import nearest

WHOLE = ("occurrence", "for_s", "limit_s")
WIDTH = 80
Overrides = Mapping[str, str | int | float]


class Login(NamedTuple):
    """How the person comes to the broker: never with the name and password of the watch."""

    user: str
    password_file: str
    cert_file: str
    key_file: str


def run_send(
    folder: Path,
    overrides: Overrides,
    person: str,
    verb: str,
    pairs: Sequence[str],
    key_file: Path | None,
    passphrase_file: Path | None,
    login: Login,
    wait_s: float,
) -> int:
    """Send it and print the answer; exit code 0 accepted, 1 refused."""
    settings = load(folder, overrides)
    if not person:
        raise NightrakeError("say who asks with --as PERSON, the id that stands in people.toml")
    known_person(settings, person)
    wish = wish_of(person, verb, pairs)
    file = key_file or Path(f"{person}.pem")
    key = load_key(file, given_passphrase(passphrase_file, f"Passphrase of {file}: ") if is_encrypted(file) else "")
    if wish.verb in ("reset", "release"):
        print(textwrap.fill(CAUTION, WIDTH))
    topics = Topics(settings.mqtt.root, settings.site.id)
    message = command_message(topics, key, wish, time.time_ns() // 1_000_000)
    try:
        answer = asyncio.run(send_command(broker_of(settings, person, login), topics, message, wait_s))
    except MessageError as error:
        raise MessageError(in_options(str(error), shows_certificate=bool(login.cert_file))) from error
    print("\n".join(answer_lines(_words(answer))))
    return 0 if answer["data"].get("ok") is True else 1


def _words(answer: Mapping[str, Any]) -> str:
    data = answer["data"]
    later = "" if answer.get("durable", True) else " (not on disk yet)"
    again = " (this command had been answered before, and was not done twice)" if data.get("again") else ""
    return f"{clean(data['text'], 4096)}{later}{again}"


def wish_of(person: str, verb: str, pairs: Sequence[str]) -> Wish:
    """What is asked, from the words of the command line.

    Raises:
        NightrakeError: A word means nothing here.
    """
    verb = verb.replace("-", "_")
    if verb not in MAY:
        hint = nearest(verb, MAY) or f"there are: {', '.join(MAY)}"
        raise NightrakeError(f"unknown command '{verb[:40]}'; {hint}")
    target = {"drive": "", "direction": ""}
    args: dict[str, Any] = {}
    for pair in pairs:
        name, equals, value = pair.partition("=")
        if not equals:
            raise NightrakeError(f"'{pair[:40]}': expected KEY=VALUE, for instance drive=PC1")
        if name in target:
            target[name] = value
        elif name not in ARGS:
            known = [*target, *sorted(ARGS)]
            raise NightrakeError(f"unknown key '{name[:40]}'; {nearest(name, known) or 'known: ' + ', '.join(known)}")
        elif name == "facts":
            args.setdefault(name, []).append(value)
        else:
            args[name] = _whole(name, value) if name in WHOLE else value
    if lack := lacks(verb, args.get("alarm", ""), target["drive"]):
        raise NightrakeError(lack)
    return Wish(person, verb, target["drive"], target["direction"], args)


def _whole(name: str, value: str) -> int:
    if not value.isdecimal() or not value.isascii() or len(value) > 15:
        unit = ", in seconds" if name.endswith("_s") else ""
        raise NightrakeError(f"{name}={value[:40]}: expected a whole number, 0 or more{unit}")
    return int(value)


def broker_of(settings: Settings, person: str, login: Login) -> BrokerSettings:
    """The broker of the settings, as this person comes to it."""
    mqtt = settings.mqtt
    return BrokerSettings(
        host=mqtt.host,
        port=mqtt.port,
        protocol=mqtt.protocol,
        client_id=f"nightrake-send-{secrets.token_hex(6)}",
        username=login.user or (person if mqtt.username or login.password_file else ""),
        password=secret(login.password_file, "", "password at the broker").reveal(),
        ca_file=mqtt.ca_file,
        cert_file=login.cert_file,
        key_file=login.key_file,
        keepalive_s=mqtt.keepalive_s,
    )
