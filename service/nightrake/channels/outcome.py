"""What came of messages to people, as entries of the journal. Pure."""

from __future__ import annotations

from nightrake.alarms.callqueue import Together
from nightrake.alarms.keys import AlarmKey, parse_key
from nightrake.channels.spec import Outcome
from nightrake.domain.rows import Entry


def outcome_entry(outcome: Outcome) -> Entry:
    """What came of a message over a channel, for the journal."""
    event = "delivered" if outcome.ok else "delivery_failed"
    try:
        key = parse_key(outcome.alarm)
    except ValueError:
        key = AlarmKey("site", "", "")  # a test call, or one message in the place of many
    data = {
        "person": outcome.person,
        "channel": outcome.channel,
        "alarm": outcome.alarm,
        "message": outcome.event,
        "row": outcome.seq,
        "tries": outcome.tries,
    }
    if not outcome.ok:
        data |= {"detail": outcome.detail, "again": outcome.again}
    return Entry("call", event, key.drive, key.direction, data)


def together_entry(way: str, told: Together) -> Entry:
    """Calls that were held back and told in one message, for the journal.

    Args:
        way: ``broker`` or ``channels``.
    """
    data = {"person": told.person, "way": way, "counts": dict(told.counts), "over": told.over}
    return Entry("call", "told_together", "", "", {**data, "alarms": list(told.alarms)})
