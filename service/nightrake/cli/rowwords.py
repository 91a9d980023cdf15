"""Words and facts of a journal row in the terminal, whatever its kind."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from nightrake.alarms.pagewords import REFUSED
from nightrake.alarms.told import step_text
from nightrake.domain.commands import span_text

WORDS = {
    "damage_found": "damage found in the store",
    "row_damaged": "a row is damaged and cannot be shown",
    "rows_lost": "rows given up, because the disk took none",
    "archive_given_up": "the oldest archived rows given up for want of room",
    "image_sound": "PLC image sound again",
    "image_restarting": "PLC restarting",
    "image_suspect": "PLC image suspect, all zero",
    "gap": "not watching",
    "clock_trust_changed": "clock",
    "unheard": "commands over MQTT are not heard",
    "first_of_two": "waits for a second person",
    "nobody_on_duty": "NOBODY ON DUTY",
    "chain_ended": "everybody was called, nobody answered",
    "check_called": "test call",
    "check_answered": "test call answered",
    "check_unanswered": "TEST CALL NOT ANSWERED; told",
    "delivered": "message delivered",
    "delivery_failed": "message not delivered",
    "told_together": "calls held back, told in one message",
    "recording_on_change_began": "recorded on change from now on, not to be replayed",
    "recording_on_change_ended": "everything that is read is recorded again",
    "recomputed": "torque derived anew",
    "trip_given_up": "trip record given up for want of room",
    "lost_again": "history lost once more",
    "report_written": "report on torque creep written",
    "sign_in_refused": "sign-in at the page refused",
    "signed_in": "signed in at the page",
    "signed_out": "signed out at the page",
    "signed_out_everywhere": "signed out everywhere",
    "recompute_failed": "deriving torque anew was broken off; a part may be written",
}
"""Where the event's own name is no good words for it."""
SHOWN = 6
"""Names in one line."""

AGO_S = 1.0
"""What was less than this before is now, to people."""


def words_of(event: str) -> str:
    """An event's name as words."""
    return WORDS.get(event, event.replace("_", " "))


_PLAIN = ("contact", "link", "plc", "reason", "detail", "actor", "channel", "address", "file")


def facts_of(row: Mapping[str, Any]) -> list[str]:
    """What stands behind the words of a row, the torque apart."""
    data = row["data"]
    facts = [f"stop {data['stop']}"] if data.get("stop") else []
    facts += [str(data[k]) for k in _PLAIN if data.get(k)]
    if "unit" in data:
        facts.append(f"unit {data['unit']}")
    if "reasons" in data:
        facts.append("; ".join(data["reasons"]) or "good")
    facts += _of_whole(row)
    if data.get("limit_s"):
        facts.append(f"for {span_text(_seconds(data, 'limit_s'))}")
    if data.get("in_test"):
        facts.append("in test")
    if row.get("kind") == "page":
        facts += _of_page(data)
    if "last_data" in data:
        of = data["last_data"].get("link") or data["last_data"].get("actor")
        facts += [str(of)] if of else []
        facts.append(_counted_text(data))
    return facts


def _of_page(data: Mapping[str, Any]) -> list[str]:
    """Why a sign-in was refused, and how many more with it."""
    why = str(data.get("why") or "")
    times = data.get("times")
    return ([REFUSED.get(why, why)] if why else []) + ([f"and {times - 1} more"] if isinstance(times, int) else [])


def _of_whole(row: Mapping[str, Any]) -> list[str]:
    """Of rows about the settings, and the service as a whole."""
    data, event = row["data"], row["event"]
    if row.get("kind") == "settings":
        return _of_settings(data)
    if event == "started":
        return _of_start(data)
    if event.startswith("recording_on_change"):
        return _of_points(data)
    if event == "gap":
        return [f"for {span_text(_seconds(data, 'seconds'))}", str(data.get("why", ""))]
    return [step_text(_seconds(data, "by_s"))] if event == "clock_stepped" else []


def _seconds(data: Mapping[str, Any], key: str) -> float:
    value = data.get(key)
    return float(value) if isinstance(value, int | float) else 0.0


def of_service(event: str, data: Mapping[str, Any]) -> str:
    """What a row about the service itself is about."""
    if event == "damage_found":
        return f": {data.get('what')}, first at {data.get('where')}"
    if event == "row_damaged":
        says = data.get("says")
        return f"; it says: {' '.join(str(v) for v in says.values() if v)}" if isinstance(says, Mapping) else ""
    if event in ("rows_lost", "archive_given_up"):
        return f": {data.get('first_seq')} to {data.get('last_seq')}"
    if event == "clock_trust_changed":
        return " can be believed" if data.get("trusted") else " can no longer be believed"
    return ""


def _of_settings(data: Mapping[str, Any]) -> list[str]:
    """What came, went or was replaced."""
    keys = (
        ("added", "new:"),
        ("removed", "gone:"),
        ("latched_removed", "gone with a latched shutdown:"),
        ("latched_back", "back with a latched shutdown:"),
        ("which", ""),
    )
    return [f"{words} {_some(data[key])}".strip() for key, words in keys if data.get(key)]


def _some(names: Sequence[Any]) -> str:
    more = f" and {len(names) - SHOWN} more" if len(names) > SHOWN else ""
    return ", ".join(map(str, names[:SHOWN])) + more


def _of_points(data: Mapping[str, Any]) -> list[str]:
    """Points of which not all are named."""
    names, count = [str(name) for name in data.get("names", ())], data.get("points")
    more = " and others" if isinstance(count, int) and count > len(names[:SHOWN]) else ""
    return [f"{count} point{'' if count == 1 else 's'}: {', '.join(names[:SHOWN])}{more}"]


def _of_start(data: Mapping[str, Any]) -> list[str]:
    """What a start found."""
    facts = [f"not watched for {span_text(_seconds(data, 'missed_s'))}"] if data.get("missed_s") else []
    facts += ["not stopped properly before"] if data.get("clean_stop_before") is False else []
    facts += ["the store is new"] if data.get("store_new") else []
    facts += ["the store was copied or restored"] if data.get("store_copied") else []
    facts += [f"the damaged store is kept as {data['store_damaged']}"] if data.get("store_damaged") else []
    facts += [f"the disk takes nothing: {data['store_unwritable']}"] if data.get("store_unwritable") else []
    return facts + ([f"states left out: {_some(data['state_left_out'])}"] if data.get("state_left_out") else [])


def _counted_text(data: Mapping[str, Any]) -> str:
    """Of a row that counts: how many, how long, how it ended."""
    last = str(data["last"])
    within_s, ago_s = _seconds(data, "within_s"), _seconds(data, "last_ago_s")
    within = "a minute" if within_s <= 60.0 else span_text(within_s)
    ago = f", {span_text(ago_s)} ago" if ago_s >= AGO_S else ""
    return f"{data.get('events')} within {within}, {data.get('told')} told singly; the last{ago}: {words_of(last)}"
