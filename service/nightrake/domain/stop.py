"""Did the hard-wired stop act? Never assumed: only run feedback confirms it. Pure.

shutdown operates -- feedback off --> confirmed
                  -- feedback on ---> awaited -- off --> confirmed
                                              -- still on when the time is up --> still running -- off --> confirmed
                                              -- no or bad feedback by then ----> not confirmed
                  -- no or bad feedback -> not confirmed -- feedback comes back --> as above
"""

from __future__ import annotations

from typing import NamedTuple

from nightrake.domain.contacts import Moment
from nightrake.domain.debounce import UNKNOWN
from nightrake.domain.rows import Entry
from nightrake.domain.wiring import DriveWire

AWAITED, CONFIRMED, NOT_CONFIRMED, STILL_RUNNING = "awaited", "confirmed", "not confirmed", "still running"
_OPEN = (AWAITED, NOT_CONFIRMED, STILL_RUNNING)
EVENTS = {CONFIRMED: "stop_confirmed", NOT_CONFIRMED: "stop_not_confirmed", STILL_RUNNING: "still_running"}


class Stop(NamedTuple):
    """The verdict on the last shutdown's stop.

    Attributes:
        verdict: "" (no shutdown since the last reset), ``awaited``, ``confirmed``, ``not confirmed`` or
            ``still running``.
        due_ns: From when run feedback that is on means 'still running'.
        direction: Whose shutdown it was.
    """

    verdict: str = ""
    due_ns: int = 0
    direction: str = ""


def judge_stop(
    wire: DriveWire, prev: Stop, running: int, read: bool, shut: str, at: Moment
) -> tuple[Stop, tuple[Entry, ...]]:
    """Take the verdict a step further.

    Args:
        running: Run feedback: 1, 0, or -1 (none or bad). read: this scan has read it.
        shut: Direction whose shutdown has just operated, "" = none.
    """
    if shut:
        verdict = {1: AWAITED, 0: CONFIRMED}.get(running, NOT_CONFIRMED)
        return Stop(verdict, at.now_ns + wire.spec.stop_confirm_ns, shut), ()
    verdict = _next(prev, running, read, at.now_ns)
    if verdict == prev.verdict:
        return prev, ()
    after = prev._replace(verdict=verdict)
    if verdict == AWAITED:
        return after, ()
    return after, (Entry("drive", EVENTS[verdict], wire.spec.id, prev.direction, at.facts, urgent=True),)


def _next(prev: Stop, running: int, read: bool, now_ns: int) -> str:
    due = now_ns >= prev.due_ns
    if prev.verdict not in _OPEN:
        return prev.verdict
    if running == UNKNOWN:
        return NOT_CONFIRMED if due and prev.verdict == AWAITED else prev.verdict
    if running == 0:
        return CONFIRMED if read else prev.verdict
    if due and read:
        return STILL_RUNNING
    return AWAITED if prev.verdict == NOT_CONFIRMED and not due else prev.verdict


def stop_scan_due(stop: Stop, running: int) -> int:
    """From when a fresh reading may change the verdict although the feedback does not; 0 = never, 1 = at once."""
    if stop.verdict not in _OPEN or running == UNKNOWN:
        return 0
    if running == 0:
        return 1
    return 0 if stop.verdict == STILL_RUNNING else stop.due_ns


def stop_tick_due(stop: Stop, running: int) -> int:
    """When time alone changes the verdict; 0 = never."""
    return stop.due_ns if stop.verdict == AWAITED and running == UNKNOWN else 0
