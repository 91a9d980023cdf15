"""`nightrake status`: what the running watch says of itself, at 80 columns."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from nightrake.alarms.told import counted
from nightrake.alarms.zones import UTC_ZONE, Zone, wall_text
from nightrake.cli.asking import asking
from nightrake.cli.text import (
    clock_text,
    lacking_text,
    more_text,
    percent_text,
    running_text,
    since_text,
    state_of,
    torque_text,
    trust_text,
)
from nightrake.domain.cleantext import clean
from nightrake.errors import ControlError

LINE = 1000
"""Characters of a line at most."""


def run_status(folder: Path, overrides: Mapping[str, str | int | float], *, as_json: bool) -> int:
    """Print the status; exit code 0."""
    with asking(folder, overrides) as (site, client):
        status = client.ask("status")
    if as_json:
        print(json.dumps(status, indent=2))
        return 0
    try:
        print_status(status, site.zone)
    except (KeyError, TypeError) as error:
        raise ControlError(
            "the running watch gives another status than this command knows: it was started before the program was "
            "exchanged, or is of another version; restart it"
        ) from error
    return 0


def drives_table(drives: list[Mapping[str, Any]], zone: Zone = UTC_ZONE) -> Any:
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
            Text("\n".join((state, *more_text(view, zone))), style=style),
            Text(since_text(view, zone)),
            Text(torque_text(view)),
            Text(percent_text(view)),
            Text(running_text(view)),
            Text(clean(trust_text(view))),
        )
    return table


def print_status(status: Mapping[str, Any], zone: Zone = UTC_ZONE) -> None:
    """Drives first, worst first; then links, scans, store and telling.

    Args:
        status: As the watch gives it. zone: In which the site tells the time.
    """
    from rich.console import Console

    # Much of it comes from outside: none of it is markup, and each line stays one.
    console = Console(highlight=False, markup=False, emoji=False)
    site = status["site"]
    head = f"{clean(site['name'])} ({site['id']}): up {status['uptime_s']:.0f} s"
    _print_line(console, f"{head}, settings {status['settings'][:12]}, {status['memory_mb']:.0f} MB")
    console.print(drives_table(worst_first(status["drives"]), zone))
    console.print(f"Times are those of {zone.name}.")
    console.print()
    links = plc_lines(status) + shell_lines(status) + history_lines(status["history"])
    links += learning_lines(status.get("learning"), zone) + page_lines(status.get("page"))
    for line in alarm_lines(status, zone) + links:
        _print_line(console, clean(line, LINE))


def _print_line(console: Any, line: str) -> None:
    """A line: for people wrapped with an indent, for a pipe whole."""
    if console.is_terminal:
        line = textwrap.fill(line, console.width, subsequent_indent="  ", break_on_hyphens=False)
    console.print(line, soft_wrap=True)


def worst_first(drives: list[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Shutdown, alarm, unknown, normal; within each as the site lists them."""
    order = {"SHUTDOWN": 0, "ALARM": 1, "unknown": 2, "normal": 3}
    return sorted(drives, key=lambda v: order.get(state_of(v)[0].split()[0], 4))


def alarm_lines(status: Mapping[str, Any], zone: Zone = UTC_ZONE) -> list[str]:
    """Alarms in a line, and a flood in another; `nightrake alarms` shows each."""
    alarms = status["alarms"]
    if not alarms["standing"]:
        parts = ["Alarms: none"]
    elif not alarms["calling"]:
        parts = [f"Alarms: {alarms['standing']} stand, nobody is being called; see nightrake alarms"]
    else:
        call = "calls" if alarms["calling"] == 1 else "call"
        parts = [f"Alarms: {alarms['standing']} stand, {alarms['calling']} of them {call}; see nightrake alarms"]
    parts += [f"locked out: {', '.join(alarms['locked_out'])}"] if alarms["locked_out"] else []
    parts += [f"standby: {', '.join(alarms['standby'])}"] if alarms["standby"] else []
    return ["; ".join(parts), *flood_lines(alarms, zone)]


def flood_lines(alarms: Mapping[str, Any], zone: Zone) -> list[str]:
    """That there is an alarm flood, and what becomes of its calls; nothing where there is none."""
    if not alarms.get("flood_since_utc_ms"):
        return []
    held = alarms["held_back"]
    waits = f"; {held} {'waits' if held == 1 else 'wait'} now" if held else ""
    return [
        f"ALARM FLOOD since {clock_text(alarms['flood_since_utc_ms'], zone)}, {alarms['flood_count']} alarms so far: "
        f"low alarms do not call until it is over{waits}"
    ]


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


def history_lines(history: Mapping[str, Any]) -> list[str]:
    """How far what was read is sealed."""
    if not history["enabled"]:
        return ["History: off"]
    state = "ok" if history["up"] else f"DOWN: {history['detail'] or 'its worker is being started'}"
    line = f"History: {state}; sealed up to input {history['sealed_seq']}, {history['behind_s'] / 60:.0f} min behind"
    lines = [f"{line}, {history['bytes'] / 1e6:.1f} MB"]
    if history.get("damage"):
        lines.append(f"History: LOST OR DAMAGED: {history['damage']}")
    if history["given_up"] or history["lost_unsealed"]:
        lines.append(
            f"History: for want of room {history['given_up']} readings went before their time, and "
            f"{history['lost_unsealed']} before they were sealed; make room, or raise quota_mb"
        )
    return lines + trip_lines(history)


def page_lines(page: Mapping[str, Any] | None) -> list[str]:
    """Where the operator's page is; nothing where there is none, or the watch knows of none."""
    if not page or not page["enabled"]:
        return []
    if not page["up"]:
        return [f"Page: DOWN: {page['detail'] or 'its worker is being started'}"]
    browsers = page["browsers"]
    looks = "nobody looks at it" if not browsers else f"{browsers} browser{'' if browsers == 1 else 's'}"
    return [f"Page: {page['address']}, {looks}" + (f"; {page['detail']}" if page["detail"] else "")]


def learning_lines(learning: Mapping[str, Any] | None, zone: Zone) -> list[str]:
    """When torque creep was last looked for."""
    if learning is None or not learning["enabled"]:
        return ["Creep: not looked for"]
    if learning["step"]:
        return [f"Creep: being looked for ({learning['step']})"]
    last_ms = learning["last_utc_ms"]
    state = f"last looked for {wall_text(zone, last_ms // 1000)}" if last_ms else "not yet looked for"
    stands = learning["standing"]
    lines = [f"Creep: {state}" + (f"; {counted(stands, 'notice')}; see nightrake trend" if stands else "")]
    if learning["detail"]:
        lines.append(f"Creep: FAILED: {learning['detail']}; it is tried again every hour")
    return lines


def trip_lines(history: Mapping[str, Any]) -> list[str]:
    """What became of trip records, where anything is to be said of it."""
    lines = []
    if history.get("trips_given_up"):
        lines.append(
            f"Trips: {history['trips_given_up']} records went for want of room since the last start; raise trips_mb"
        )
    if history.get("trips_refused"):
        lines.append(f"Trips: left alone, {history['trips_refused']}")
    return lines


READ_BACK = {
    "once": "reads back right",
    "twice": "KEEPS WHAT COMES TWICE TWICE: switch on its deduplication",
    "not": "DOES NOT KEEP WHAT IT ACKNOWLEDGES",
    "unknown": "cannot be read back",
}
"""What a line that was written and looked for says of the store."""


def forward_lines(forward: Mapping[str, Any]) -> list[str]:
    """Forwarding: the live lane, and the backlog while there is one."""
    if not forward["enabled"]:
        return ["Forwarding: off"]
    link = "up" if forward["up"] else "DOWN: " + forward["detail"]
    kept = READ_BACK.get(forward.get("probe", {}).get("read_back", ""), "")
    lines = [
        f"Forwarding: {link}; {forward['lag_rows']} inputs ({forward.get('lag_s', 0.0):.1f} s) behind, "
        f"{forward.get('lines_per_s', 0.0):.0f} lines/s, {forward['dead_letters']} dead letters"
        + (f"; the store {kept}" if kept else "")
    ]
    backlog = forward.get("backlog", {})
    if backlog.get("stretches"):
        waits = "; what is new waits for it, for the clock was moved" if backlog["holds"] else ""
        lines.append(
            f"Backlog: {backlog['inputs']} inputs in {backlog['stretches']} stretches, {backlog['lines_per_s']:.0f} "
            f"lines/s{waits}" + (f"; {backlog['detail']}" if backlog["detail"] else "")
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
    lines += forward_lines(forward)
    if store.get("archive_detail"):
        lines.append(f"Archive: {store['archive_detail']}; the rows stay in the store meanwhile")
    if status["log"]["dropped"]:
        lines.append(
            f"Log: {status['log']['dropped']} lines given up, for nobody took them; the journal has everything"
        )
    return lines
