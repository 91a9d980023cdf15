"""What the demo shows: drives and events while it runs, and a summary at its end."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from typing import Any

from nightrake.alarms.zones import Zone
from nightrake.cli.status import drives_table, shell_lines, worst_first
from nightrake.cli.text import event_text

QUIET_EVENTS = {"contact_edge", "delivered", "call_released"}
"""What says less than the line that follows it: of a call that was held back the next line says whom it calls."""


class Screen:
    """Drives above, events below. A terminal is redrawn; a pipe gets each event as a line.

    Attributes:
        address: Of the page; "" while there is none.
    """

    def __init__(self, zone: Zone) -> None:
        from rich.console import Console

        self.zone = zone
        self.console = Console(highlight=False)
        self.events: deque[str] = deque(maxlen=12)
        self.counts: dict[str, int] = {}
        self.all_events = 0
        self.address = ""

    def take(self, rows: list[Mapping[str, Any]]) -> None:
        """Rows of the journal that are new."""
        for row in rows:
            self.all_events += 1
            self.counts[row["event"]] = self.counts.get(row["event"], 0) + 1
            if row["event"] in QUIET_EVENTS:
                continue
            self.events.append(event_text(row, self.zone))
            if not self.console.is_terminal:
                print(self.events[-1], flush=True)

    def render(self, drives: list[Mapping[str, Any]], left_s: float) -> Any:
        """Everything as it stands, for a terminal; `left_s` 0 = no end is set."""
        from rich.console import Group
        from rich.text import Text

        tail = f"ends in {left_s:.0f} s" if left_s > 0 else "Ctrl-C ends"
        page = f"; page: {self.address}" if self.address else ""
        title = Text(f"Fennmark, simulated; {self.zone.name} time; {tail}{page}", style="bold")
        return Group(
            title,
            drives_table(drives, self.zone),
            Text(""),
            *(Text(e, overflow="ellipsis", no_wrap=True) for e in self.events),
        )


def say(text: str) -> None:
    """A line, at once, whoever reads it."""
    print(text, flush=True)


def summary(status: Mapping[str, Any], screen: Screen, rang: int, code: int | None) -> None:
    """What the demo did, at its end."""
    console = screen.console
    if not console.is_terminal:
        console.print(drives_table(worst_first(status["drives"]), screen.zone))
    scans = status["scans"]
    counts = screen.counts
    say("")
    say(f"drives: {len(status['drives'])}")
    say(f"scans: {scans['due']} due, {scans['done']} done, {scans['late']} late, {scans['missed']} missed")
    say(f"samples stored: {status['store']['tail_rows']} scans in the hot tail")
    say(
        f"events: {screen.all_events}, of them {counts.get('alarm_operated', 0)} alarm and "
        f"{counts.get('shutdown_operated', 0)} shutdown; stop confirmed {_confirmed(status)}"
    )
    raised, called = counts.get("raised", 0), counts.get("called", 0)
    say(f"alarms raised: {raised}; people called {called} times; messages to mail and telephones: {rang}")
    say(f"messages acknowledged by the broker: {status['mqtt']['acked']}")
    for line in shell_lines(status)[:1]:
        say(line)
    if code not in (0, None):
        say(f"the watch ended with code {code}")


def _confirmed(status: Mapping[str, Any]) -> str:
    stops = [v["drive"] for v in status["drives"] if v["stop"] == "confirmed"]
    return f"for {', '.join(stops)}" if stops else "for none"
