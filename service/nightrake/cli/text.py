"""How drives and events read in the terminal: one wording for status, demo and check."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from nightrake.domain.cleantext import clean

STATE_WORDS = {"normal": "normal", "alarm": "ALARM", "shutdown": "SHUTDOWN", "unknown": "unknown"}
_STYLES = {"normal": "", "alarm": "bold yellow", "shutdown": "bold red", "unknown": "magenta"}


def clock_text(utc_ms: int) -> str:
    """Local time of day, for people at the terminal; stored stamps stay UTC."""
    return datetime.fromtimestamp(utc_ms / 1000, UTC).astimezone().strftime("%H:%M:%S")


def torque_text(view: Mapping[str, Any]) -> str:
    """Torque in kN.m with what its value says: exact, below, beyond, or none."""
    reading = view["torque_nm"]
    if reading["value"] is None:
        return "-"
    sign = {"below": "<", "beyond": ">"}.get(reading["kind"], "")
    return f"{sign}{with_uncertainty(reading['value'], reading.get('uncertainty'))}"


def with_uncertainty(torque_nm: float, uncertainty_nm: float | None) -> str:
    """Torque in kN.m with its expanded uncertainty, both to the figure that the uncertainty is worth."""
    if uncertainty_nm is None:
        return f"{torque_nm / 1000:.1f}"
    places = 1 if uncertainty_nm >= 95.0 else 2 if uncertainty_nm >= 9.5 else 3
    return f"{torque_nm / 1000:.{places}f} ±{uncertainty_nm / 1000:.{places}f}"


def percent_text(view: Mapping[str, Any]) -> str:
    """Torque as percent of the shutdown torque, or "-"."""
    value, full = view["torque_nm"]["value"], view["shutdown_nm"]
    return f"{100 * value / full:.0f}" if value is not None and full else "-"


def state_of(view: Mapping[str, Any]) -> tuple[str, str]:
    """The worst direction's state in words, and a style for it (never the only sign)."""
    order = ("shutdown", "alarm", "unknown", "normal")
    several = len(view["directions"]) > 1
    worst = min(view["directions"].items(), key=lambda item: order.index(item[1]["state"]))
    side, direction = worst
    text = STATE_WORDS[direction["state"]]
    if several and direction["state"] in ("alarm", "shutdown"):
        text += f" {side}"
    if any(d["latched"] for d in view["directions"].values()):
        text += " latched"
    if not direction["known_now"] and direction["state"] != "unknown":
        text += " (last known)"
    return text, _STYLES[direction["state"]]


def running_text(view: Mapping[str, Any]) -> str:
    """Run feedback in a word."""
    return {True: "runs", False: "stopped", None: "?"}[view["running"]]


def trust_text(view: Mapping[str, Any]) -> str:
    """Quality and the first reason for it."""
    if view["quality"] == "good":
        return "good"
    more = f" (+{len(view['reasons']) - 1})" if len(view["reasons"]) > 1 else ""
    return f"{view['quality']}: {view['reasons'][0]}{more}"


def event_text(row: Mapping[str, Any]) -> str:
    """One journal row as a line for people."""
    data = row["data"]
    what = row["event"].replace("_", " ")
    where = " ".join(x for x in (row["drive"], row["direction"]) if x)
    facts = []
    if data.get("torque_nm") is not None:
        facts.append(f"{with_uncertainty(data['torque_nm'], data.get('torque_uncertainty_nm'))} kN.m")
    if data.get("stop"):
        facts.append(f"stop {data['stop']}")
    facts += [str(data[k]) for k in ("contact", "link", "plc", "reason", "detail") if data.get(k)]
    if "reasons" in data:
        facts.append("; ".join(data["reasons"]) or "good")
    if data.get("in_test"):
        facts.append("in test")
    if "last_data" in data:
        of = data["last_data"].get("link") or data["last_data"].get("actor")
        facts += [str(of)] if of else []
        last = str(data["last"]).replace("_", " ")
        facts.append(f"{data['events']} within a minute, {data['told']} told singly; the last: {last}")
    tail = f" ({', '.join(facts)})" if facts else ""
    return clean(f"{clock_text(row['utc_ms'])}  {where + ': ' if where else ''}{what}{tail}")
