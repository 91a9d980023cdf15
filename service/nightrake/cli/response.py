"""`nightrake alarms`, `acknowledge`, `shelve` and so on, `lockout`: what people do about alarms, at the machine."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from nightrake.alarms.lockoutsteps import RECORDS_ONLY
from nightrake.cli.alarmlines import Told, alarm_lines, lockout_lines, one_alarm
from nightrake.cli.asking import asking
from nightrake.cli.commands import CAUTION
from nightrake.cli.status import flood_lines
from nightrake.control.client import ControlClient
from nightrake.errors import ControlError
from nightrake.settings.reach import Reach

WIDTH = 80
Overrides = Mapping[str, str | int | float]


def run_alarms(folder: Path, overrides: Overrides, *, as_json: bool) -> int:
    """Print every alarm that stands; exit code 0."""
    with asking(folder, overrides) as (site, client):
        alarms, summary = client.ask("alarms"), client.ask("summary")
    if as_json:
        print(json.dumps(alarms, indent=2))
        return 0
    for line in flood_lines(summary, site.zone):
        print("\n".join(textwrap.wrap(line, WIDTH)))
    print("\n".join(alarm_lines(alarms, told_of(site))))
    return 0


def told_of(site: Reach) -> Told:
    """How this site tells people and times."""
    return Told(site.names, site.zone)


# --- commands ---


def waiting_of(alarms: Sequence[Mapping[str, Any]], what: str, *, is_drive: bool) -> list[Mapping[str, Any]]:
    """The alarms that are meant: one by its name, or all of a drive that wait for somebody (not what is put aside)."""
    meant = [a for a in alarms if what in (a["alarm"], a["drive"]) and a["life"] != "normal"]
    if not is_drive:
        return meant
    aside = ("suppressed", "shelved", "out_of_service")
    return [a for a in meant if a["calling"] or not (a["acked_by"] or any(map(a.get, aside)))]


def run_acknowledge(folder: Path, overrides: Overrides, what: str, occurrence: int | None) -> int:
    """Acknowledge one alarm, or every unanswered one of a drive, as they are shown now.

    Raises:
        ControlError: There is nothing to acknowledge.
    """
    with asking(folder, overrides) as (site, client):
        alarms = client.ask("alarms")
        wanted = waiting_of(alarms, what, is_drive=what in site.drives)
        if not wanted and "/" not in what:
            raise ControlError(f"no alarm of '{what[:64]}' waits for anybody; see: nightrake alarms")
        seen = [(a["alarm"], a["occurrence"]) for a in wanted] or [(what, 0)]
        for alarm in wanted:
            print("\n".join(one_alarm(alarm, told_of(site))))
        code = 0
        for alarm, stands in seen:
            args = {"alarm": alarm, "occurrence": stands if occurrence is None else occurrence}
            code = max(code, _ask(client, "acknowledge", "", args))
    return code


def run_ask(
    folder: Path, overrides: Overrides, verb: str, drive: str, args: Mapping[str, Any], *, caution: bool = False
) -> int:
    """One command and its answer; exit code 0 accepted, 1 refused."""
    with asking(folder, overrides) as (_, client):
        if caution:
            print(textwrap.fill(CAUTION, WIDTH))
        return _ask(client, verb, drive, args)


def _ask(client: ControlClient, verb: str, drive: str, args: Mapping[str, Any]) -> int:
    answer = client.ask("command", what=verb, drive=drive, args=dict(args))
    print("\n".join(answer_lines(answer["text"])))
    return 0 if answer["ok"] else 1


def answer_lines(text: str) -> list[str]:
    """An answer at 80 columns; the caution of a lockout's step stands by itself below it, so that neither hides."""
    said, caution, more = text.partition(RECORDS_ONLY)
    parts = (f"{said.rstrip()}{more}", caution)
    return [line for part in parts for line in textwrap.wrap(part, WIDTH, break_on_hyphens=False)]


def run_lockout_show(folder: Path, overrides: Overrides, drive: str, *, as_json: bool) -> int:
    """Print a drive's lockout; exit code 0."""
    with asking(folder, overrides) as (site, client):
        held = client.ask("lockout", drive=drive)
    if as_json:
        print(json.dumps(held, indent=2))
        return 0
    print("\n".join(lockout_lines(held, told_of(site))))
    return 0
