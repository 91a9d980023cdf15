"""`nightrake status`: what the running watch says of itself, at 80 columns."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from nightrake.cli.text import (
    lacking_text,
    more_text,
    percent_text,
    running_text,
    since_text,
    state_of,
    torque_text,
    trust_text,
)
from nightrake.control.client import ControlClient
from nightrake.domain.cleantext import clean
from nightrake.settings import load

LINE = 1000
"""Characters of a line at most."""


def run_status(folder: Path, overrides: Mapping[str, str | int | float], *, as_json: bool) -> int:
    """Print the status; exit code 0."""
    settings = load(folder, overrides)
    with ControlClient(settings.control.socket) as client:
        status = client.ask("status")
    if as_json:
        print(json.dumps(status, indent=2))
        return 0
    print_status(status)
    return 0


def drives_table(drives: list[Mapping[str, Any]]) -> Any:
    """The drives as a rich table that fits 80 columns."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, expand=True, padding=(0, 1, 0, 0))
    if lacking := lacking_text(drives):
        table.caption, table.caption_justify = Text(clean(lacking)), "left"
    table.add_column("Drive", no_wrap=True)
    table.add_column("State", min_width=16, max_width=20)
    table.add_column("Since", no_wrap=True)
    table.add_column("kN.m", justify="right", no_wrap=True)
    table.add_column("% of\nstop", justify="right", no_wrap=True)
    table.add_column("Motor", no_wrap=True)
    table.add_column("Trust", ratio=1, min_width=16)
    for view in drives:
        state, style = state_of(view)
        table.add_row(
            Text(clean(view["drive"])),
            Text("\n".join((state, *more_text(view))), style=style),
            Text(since_text(view)),
            Text(torque_text(view)),
            Text(percent_text(view)),
            Text(running_text(view)),
            Text(clean(trust_text(view))),
        )
    return table


def print_status(status: Mapping[str, Any]) -> None:
    """Drives first, worst first; then links, scans, store and telling."""
    from rich.console import Console

    # Much of it comes from outside: none of it is markup, and each line stays one.
    console = Console(highlight=False, markup=False, emoji=False)
    site = status["site"]
    head = f"{clean(site['name'])} ({site['id']}): up {status['uptime_s']:.0f} s"
    console.print(f"{head}, settings {status['settings'][:12]}, {status['memory_mb']:.0f} MB", soft_wrap=True)
    console.print(drives_table(worst_first(status["drives"])))
    console.print()
    for line in alarm_lines(status) + plc_lines(status) + shell_lines(status):
        console.print(clean(line, LINE), soft_wrap=True)


def worst_first(drives: list[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Shutdown, alarm, unknown, normal; within each as the site lists them."""
    order = {"SHUTDOWN": 0, "ALARM": 1, "unknown": 2, "normal": 3}
    return sorted(drives, key=lambda v: order.get(state_of(v)[0].split()[0], 4))


def alarm_lines(status: Mapping[str, Any]) -> list[str]:
    """Alarms in a line; `nightrake alarms` shows each."""
    alarms = status["alarms"]
    if not alarms["standing"]:
        parts = ["Alarms: none"]
    else:
        parts = [f"Alarms: {alarms['standing']} stand, {alarms['calling']} of them call; see nightrake alarms"]
    parts += [f"locked out: {', '.join(alarms['locked_out'])}"] if alarms["locked_out"] else []
    parts += [f"standby: {', '.join(alarms['standby'])}"] if alarms["standby"] else []
    return ["; ".join(parts)]


def plc_lines(status: Mapping[str, Any]) -> list[str]:
    """The PLCs, a line each."""
    lines = []
    for name, plc in status["plcs"].items():
        link = "up" if plc["up"] else f"DOWN: {plc['detail']}"
        lines.append(
            f"PLC {name}: {link}; scans {plc['done']} of {plc['due']} due, {plc['late']} late, "
            f"{plc['missed']} missed; last reply {plc['round_trip_ms']:.1f} ms"
        )
    return lines


def shell_lines(status: Mapping[str, Any]) -> list[str]:
    """Store, broker and forwarding, a line each."""
    store, mqtt, forward = status["store"], status["mqtt"], status["forward"]
    lines = [
        f"Store: {'ok' if store['up'] else 'DOWN: ' + store['detail']}; journal row {store['durable_seq']}, "
        f"{store['queued']} waiting, commit p99 {store['commit_p99_ms']:.1f} ms",
        f"Broker: {'up' if mqtt['up'] else 'DOWN: ' + mqtt['detail']}; cursor {mqtt['cursor']}, "
        f"{mqtt['queued']} waiting, {mqtt['acked']} acknowledged",
    ]
    if forward["enabled"]:
        lines.append(
            f"Forwarding: {'up' if forward['up'] else 'DOWN: ' + forward['detail']}; cursor {forward['cursor']}, "
            f"{forward['lag_rows']} behind, {forward['dead_letters']} dead letters"
        )
    else:
        lines.append("Forwarding: off")
    if status["log"]["dropped"]:
        lines.append(
            f"Log: {status['log']['dropped']} lines given up, for nobody took them; the journal has everything"
        )
    return lines
