"""`check`: does the library that sends know each channel's address? Asked of a process of its own; nothing is sent."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator, Mapping
from typing import Any

from nightrake.channels.spec import ChannelSpec
from nightrake.domain.cleantext import clean
from nightrake.errors import NightrakeError
from nightrake.settings import Settings, secret

WITHIN_S = 30.0
"""The library takes half a second to load, much more on a busy machine."""
TRIED = 50
"""Addresses of one channel that are tried at most."""
ADDRESS = "somebody@fennmark.example"
"""Where nobody has an address on a channel."""


def channel_doubts(settings: Settings) -> Iterator[str]:
    """One sentence for each channel, or address, that the library does not take."""
    asked = {n: (name, person, spec, url) for n, (name, person, spec, url) in enumerate(_urls(settings))}
    if not asked:
        return
    try:
        found = _looked_at({n: (spec, url) for n, (_, _, spec, url) in asked.items()})
    except (OSError, subprocess.SubprocessError, ValueError) as error:
        yield f"whether the channels' addresses can be used was not found out ({clean(str(error), 100)}); check again"
        return
    faults: dict[str, list[tuple[str, str]]] = {}
    for number, (name, person, _, _) in asked.items():
        answer = found.get(number)
        if answer is not None and not answer["ok"]:
            faults.setdefault(name, []).append((person, clean(str(answer["detail"]), 160).rstrip(".")))
    for name, wrong in faults.items():
        yield fault_words(name, wrong, sum(n == name for n, _, _, _ in asked.values()))


def fault_words(name: str, wrong: list[tuple[str, str]], tried: int) -> str:
    """A channel's sentence.

    Args:
        name: The channel. wrong: Person and reason for each address that is not taken. tried: Addresses in all.
    """
    why = wrong[0][1]
    if len(wrong) == tried:
        return (
            f"channel.{name}.url is nothing that the library can send to ({why}); nobody will be told over it, so "
            "compare the library's documentation"
        )
    who = ", ".join(f"person.{person}" for person, _ in wrong[:6]) + (" and more" if len(wrong) > 6 else "")
    return f"channel.{name} cannot be used with the address in the reach of {who} ({why})"


def _urls(settings: Settings) -> Iterator[tuple[str, str, ChannelSpec, str]]:
    """Channel, person, spec and the whole address of each that is to be looked at."""
    for name, table in settings.channels.items():
        try:
            hidden = secret(table.secret_file, table.secret_env, name).reveal()
        except NightrakeError:  # told by itself; without it the address is not whole
            continue
        spec = ChannelSpec(name, table.url, hidden, table.ca_file, table.text, table.timeout_s)
        reaching = [(i, p.reach[name]) for i, p in settings.people.items() if name in p.reach] or [("", ADDRESS)]
        yield from ((name, person, spec, spec.filled(address)) for person, address in reaching[:TRIED])


def _looked_at(asked: Mapping[int, tuple[ChannelSpec, str]]) -> dict[int, Mapping[str, Any]]:
    lines = "".join(
        json.dumps({"id": n, "url": url, "look": True, "hide": [spec.secret]}) + "\n"
        for n, (spec, url) in asked.items()
    )
    done = subprocess.run(
        [sys.executable, "-m", "nightrake.channels.worker", "--look"],
        input=lines.encode(),
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        timeout=WITHIN_S,
        check=True,
    )
    answers = [json.loads(line) for line in done.stdout.splitlines()]
    if len(answers) != len(asked):
        raise ValueError("the process that sends ended before it had answered")
    return {int(a["id"]): a for a in answers}
