"""Commands to a running watch: reset, test, reload."""

from __future__ import annotations

import os
import textwrap
from collections.abc import Mapping
from pathlib import Path

from nightrake.cli.asking import asking
from nightrake.control.client import ControlClient
from nightrake.settings import load

CAUTION = (
    "This resets the service's own record only. It isolates no energy and proves nothing about the machine: "
    "a stopped rake can hold a wound-up gear train. Lock out, verify zero energy, release wind-up slowly, follow "
    "the manufacturer's instructions and local codes, and leave the work to qualified people."
)


def run_command(
    folder: Path, overrides: Mapping[str, str | int | float], verb: str, drive: str, direction: str, arg: str
) -> int:
    """Ask the watch for one thing and print its answer; exit code 0 accepted, 1 refused."""
    with asking(folder, overrides) as (site, client):
        if verb == "reset" and drive in site.drives:
            print(textwrap.fill(CAUTION, 80))
        answer = client.ask("command", what=verb, drive=drive, direction=direction, arg=arg)
    print(textwrap.fill(answer["text"], 80))
    return 0 if answer["ok"] else 1


def run_reload(folder: Path, overrides: Mapping[str, str | int | float]) -> int:
    """Ask the watch to take the changed folder; it checks the folder itself and refuses it whole if it must."""
    settings = load(folder, overrides)
    with ControlClient(settings.control.socket, timeout_s=30.0) as client:
        answer = client.ask("reload", folder=os.path.abspath(folder))
    for line in answer["lines"]:
        print(textwrap.fill(line, 80, subsequent_indent="  ", break_on_hyphens=False, break_long_words=False))
    return 0 if answer["ok"] else 1
