"""How drives and events read in the terminal: one wording for status, demo and check."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from typing import Any

from nightrake.alarms.table import ALARM_TYPES
from nightrake.alarms.zones import UTC_ZONE, Zone, offset_s
from nightrake.cli.rowwords import facts_of, of_service, words_of
from nightrake.domain.cleantext import clean
from nightrake.domain.torquetext import with_uncertainty as with_uncertainty

STATE_WORDS = {"normal": "normal", "alarm": "ALARM", "shutdown": "SHUTDOWN", "unknown": "unknown"}
_STYLES = {"normal": "", "alarm": "bold yellow", "shutdown": "bold red", "unknown": "magenta"}


def clock_text(utc_ms: int, zone: Zone = UTC_ZONE) -> str:
    """Time of day on the site's wall, for people at the terminal; stored stamps stay UTC."""
    return _on_the_wall(utc_ms, zone).strftime("%H:%M:%S")


def _on_the_wall(utc_ms: int, zone: Zone) -> datetime:
    return datetime.fromtimestamp(utc_ms / 1000 + offset_s(zone, utc_ms // 1000), UTC)


def when_text(utc_ms: int, now_utc_ms: int, zone: Zone = UTC_ZONE, *, short: bool = False) -> str:
    """The site's time as a person says it: today the time of day, before that the day, "-" for never.

    Args:
        zone: Of the site's rota. short: The day alone where it is not today.
    """
    if not utc_ms:
        return "-"
    then, now = (_on_the_wall(ms, zone) for ms in (utc_ms, now_utc_ms))
    if then.date() == now.date():
        return then.strftime("%H:%M:%S")
    day = then.strftime("%d %b" if then.year == now.year else "%Y-%m-%d")
    return day if short else f"{day} {then:%H:%M}"


def torque_text(view: Mapping[str, Any]) -> str:
    """Torque in kN.m with what its value says: exact, below, beyond, or none."""
    reading = view["torque_nm"]
    if reading["value"] is None:
        return "-"
    return f"{_sign(reading['kind'])}{_with_mark(reading['value'], reading)}"


def _sign(kind: str) -> str:
    return {"below": "<", "beyond": ">"}.get(kind, "")


def _with_mark(value: float, reading: Mapping[str, Any]) -> str:
    return with_uncertainty(value, reading.get("uncertainty"), lacks=bool(reading.get("uncertainty_lacks")))


def lacking_text(views: Iterable[Mapping[str, Any]]) -> str:
    """What the mark '*' behind an uncertainty says, "" where there is none."""
    readings = [v["torque_nm"] for v in views]
    marked = [r for r in readings if r.get("uncertainty_lacks") and r.get("uncertainty") is not None]
    sources = dict.fromkeys(s for r in marked for s in r["uncertainty_lacks"])
    return f"*: nothing is known of {', '.join(sources)}; it is not in the ±" if sources else ""


def percent_text(view: Mapping[str, Any]) -> str:
    """Torque as percent of the shutdown torque, or "-"."""
    value, full = view["torque_nm"]["value"], view["shutdown_nm"]
    if value is None or not full:
        return "-"
    return f"{_sign(view['torque_nm']['kind'])}{100 * value / full:.0f}"


def state_of(view: Mapping[str, Any]) -> tuple[str, str]:
    """The worst direction's state in words, and a style for it (never the only sign)."""
    several = len(view["directions"]) > 1
    side, direction = _worst(view)
    text = STATE_WORDS[direction["state"]]
    if several and direction["state"] in ("alarm", "shutdown"):
        text += f" {side}"
    if any(d["latched"] for d in view["directions"].values()):
        text += " latched"
    if not direction["known_now"] and direction["state"] != "unknown":
        text += " (last known)"
    return text, _STYLES[direction["state"]]


def _worst(view: Mapping[str, Any]) -> tuple[str, Mapping[str, Any]]:
    """The direction in the worst state, and that state."""
    order = ("shutdown", "alarm", "unknown", "normal")
    found: tuple[str, Mapping[str, Any]] = min(
        view["directions"].items(), key=lambda item: order.index(item[1]["state"])
    )
    return found


def since_text(view: Mapping[str, Any], zone: Zone = UTC_ZONE) -> str:
    """Since when the state of `state_of` stands."""
    return when_text(_worst(view)[1]["since_utc_ms"], view["utc_ms"], zone, short=True)


def more_text(view: Mapping[str, Any], zone: Zone = UTC_ZONE) -> list[str]:
    """What else belongs to a state, a line each: whether the motor stopped, when the state was last known."""
    stop, direction = str(view["stop"]), _worst(view)[1]
    lines = [{"still running": "STILL RUNNING"}.get(stop, f"stop {stop}")] if stop else []
    if not direction["known_now"] and direction["known_utc_ms"]:
        lines.append(f"known {when_text(direction['known_utc_ms'], view['utc_ms'], zone)}")
    return lines


def running_text(view: Mapping[str, Any]) -> str:
    """Run feedback in a word."""
    return {True: "runs", False: "stopped", None: "?"}[view["running"]]


def trust_text(view: Mapping[str, Any]) -> str:
    """Quality and the first reason for it."""
    if view["quality"] == "good":
        return "good"
    more = f" (+{len(view['reasons']) - 1})" if len(view["reasons"]) > 1 else ""
    return f"{view['quality']}: {_ROLES.sub(_counted, view['reasons'][0])}{more}"


_ROLES = re.compile(r" \(([a-z_]+[:/\w]*(?:, [a-z_]+[:/\w]*){2,})\)$")
"""Three or more roles at the end of a reason."""


def _counted(roles: re.Match[str]) -> str:
    return f" ({roles[1].count(',') + 1} points)"


OLD_MS = 1000
"""A torque older than this is said to be of earlier."""


def _torque_then(data: Mapping[str, Any]) -> str:
    """The torque told with an event, and how much older than the event it is."""
    lacks = bool(data.get("torque_uncertainty_lacks"))
    torque = with_uncertainty(data["torque_nm"], data.get("torque_uncertainty_nm"), lacks=lacks)
    age_ms = data.get("position_age_ms") or 0
    older = f" {age_ms / 1000:.1f} s before" if age_ms > OLD_MS else ""
    return f"{_sign(data.get('torque_is', ''))}{torque} kN.m{older}"


_ALARM_WORDS = {
    "raised": "ALARM",
    "raised_again": "ALARM again",
    "worsened": "WORSE",
    "repeating_with_rotation": "each turn",
}
_TITLED = ("alarm", "call")


def _what(row: Mapping[str, Any]) -> str:
    """What happened: of alarms and calls with the alarm's title, of calls with the people."""
    data, event = row["data"], str(row["event"])
    words = words_of(event)
    if row.get("kind") == "alarm":
        words = f"{words}, but suppressed" if data.get("suppressed") else _ALARM_WORDS.get(event, words)
    if row.get("kind") == "lockout":
        words = f"lockout {data.get('lockout', '')} {words}"
    if row.get("kind") in _TITLED and data.get("alarm"):
        kind = str(data["alarm"]).split("/")
        known = ALARM_TYPES.get(kind[2]) if len(kind) > 2 else None
        words += f": {known.title if known else data['alarm']}"
    if row.get("kind") == "service":
        words += of_service(event, data)
    people = data.get("people") or ([data["person"]] if data.get("person") else [])
    if row.get("kind") == "call" and people:
        words += f" -> {', '.join(map(str, people))}"
    return words


def event_text(row: Mapping[str, Any], zone: Zone = UTC_ZONE) -> str:
    """One journal row as a line for people."""
    data = row["data"]
    what = _what(row)
    where = " ".join(x for x in (row["drive"], row["direction"]) if x)
    # A call repeats what its alarm said when it came; that is no torque of now.
    told = data.get("torque_nm") is not None and row.get("kind") != "call"
    facts = [_torque_then(data)] if told else []
    facts += facts_of(row)
    tail = f" ({', '.join(facts)})" if facts else ""
    return clean(f"{clock_text(row['utc_ms'], zone)}  {where + ': ' if where else ''}{what}{tail}")
