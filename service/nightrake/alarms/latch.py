"""The latch of a shutdown: it holds until a person resets it, whatever the contact does meanwhile. Pure.

The reset is the service's own record. It does nothing in the plant, and says nothing about isolation of energy.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from nightrake.domain.rows import Entry

STILL_OPERATED = "the shutdown contact is still operated: find the cause, clear it and release it first"
NOT_READABLE = "the shutdown contact cannot be read now, so nobody can say that it is released"
NOT_LATCHED = "no shutdown is latched there"


class Latch(NamedTuple):
    """The latch of one drive and direction.

    Attributes:
        latched: A shutdown has happened and was not reset.
        occurrence: Number of this (or the last) life of the alarm; 0 = there was none yet.
        since_utc_ms: When it latched.
        running: Run feedback as last seen since it latched, -1 unknown. ran: 'running before reset' holds now.
    """

    latched: bool = False
    occurrence: int = 0
    since_utc_ms: int = 0
    running: int = -1
    ran: bool = False


def on_drive_entry(latch: Latch, entry: Entry, utc_ms: int) -> tuple[Latch, tuple[Entry, ...]]:
    """A drive's fact may latch: a shutdown outside a function check, or a motor that runs on even inside one."""
    trips = entry.event == "shutdown_operated" and not entry.data.get("in_test")
    if not (trips or entry.event == "still_running") or latch.latched:
        return latch, ()
    after = latch._replace(latched=True, occurrence=latch.occurrence + 1, since_utc_ms=utc_ms, running=-1, ran=False)
    data = {"occurrence": after.occurrence, "because": entry.event}
    return after, (Entry("alarm", "shutdown_latched", entry.drive, entry.direction, data, urgent=True),)


def on_running(latch: Latch, running: int, stop: str, drive: str, direction: str) -> tuple[Latch, tuple[Entry, ...]]:
    """Run feedback that comes on while latched is told once for each start.

    Args:
        running: 1, 0 or -1.
        stop: The drive's verdict on its stop; while that is awaited or 'still running' the motor has not started anew,
            unless it was seen to stand since it latched.
    """
    after = latch._replace(running=running)
    if not latch.latched or running == -1:
        return after, ()
    if running == 0:
        return after._replace(ran=False), ()
    if latch.ran or (latch.running != 0 and stop in ("awaited", "still running")):
        return after, ()
    data = {"occurrence": latch.occurrence}
    entry = Entry("alarm", "running_before_reset", drive, direction, data, urgent=True)
    return after._replace(ran=True), (entry,)


class Answer(NamedTuple):
    """Reply to a command."""

    ok: bool
    text: str


def on_reset(
    latch: Latch, operated: int, known: bool, drive: str, direction: str, by: dict[str, Any]
) -> tuple[Latch, tuple[Entry, ...], Answer]:
    """Reset, or refuse and say why. Either way it is journalled.

    Args:
        operated: State of the shutdown stage, 1, 0 or -1. known: whether it is read well now.
        by: Actor, role and how the actor is known, for the journal.
    """
    where = f"{drive} {direction}"
    refusal = ""
    if not latch.latched:
        refusal = NOT_LATCHED
    elif operated == 1:
        refusal = STILL_OPERATED
    elif not known:
        refusal = NOT_READABLE
    data = {**by, "verb": "reset", "occurrence": latch.occurrence}
    if refusal:
        entry = Entry("command", "refused", drive, direction, {**data, "reason": refusal})
        return latch, (entry,), Answer(False, f"{where}: not reset: {refusal}")
    entry = Entry("alarm", "shutdown_reset", drive, direction, data)
    text = f"{where}: the shutdown latch is reset (in this service's record only; nothing was done in the plant)"
    return latch._replace(latched=False, ran=False), (entry,), Answer(True, text)
