"""What goes to one person beside the words: the facts behind them, as plain values. Pure."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from nightrake.domain.rows import Row
from nightrake.messages.about import About
from nightrake.messages.wording import Summary

FACTS_BYTES = 1500
"""Facts of an alarm in a message, as JSON; what is more is left to the journal."""


def call_payload(about: About, row: Row, data: Mapping[str, Any], words: Summary, next_utc_ms: int) -> dict[str, Any]:
    """A message to a person (`alarmpayloads.PersonData`), without the person.

    Args:
        row, data: The journal's row, and its payload. next_utc_ms: When the next call is due, 0 = not known.
    """
    return {
        "event": row.event,
        "drive": row.drive,
        "direction": row.direction,
        "subject": words.subject,
        "text": words.short,
        "alarm": about.alarm,
        "occurrence": about.occurrence,
        "priority": about.priority,
        "title": about.title,
        "since_utc_ms": about.since_utc_ms,
        "why": str(data.get("why", "")),
        "step": int(data.get("step", 0)),
        "steps": int(data.get("steps", 0)),
        "round": int(data.get("round", 0)),
        "called": list(data.get("people", ())),
        "told_before": list(data.get("told_before", ())),
        "next_call_utc_ms": next_utc_ms,
        "torque": about.torque_line,
        "stop": about.stop_line,
        "first_response": list(about.instructions),
        "facts": dict(about.facts),
    }


def bounded(facts: Mapping[str, Any]) -> dict[str, Any]:
    """Facts in the order in which they stand, as many as fit."""
    kept: dict[str, Any] = {}
    size = 0
    for key, value in facts.items():
        size += len(json.dumps({key: value}, default=str))
        if size > FACTS_BYTES:
            break
        kept[key] = value
    return kept
