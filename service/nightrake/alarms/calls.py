"""What an escalation knows: the alarm as it stands, and where the calls for it are. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import NamedTuple


class Need(StrEnum):
    """What an alarm needs of people now."""

    CALL = "call"  # unacknowledged, and active or latched
    RESPOND = "respond"  # acknowledged, and still active
    REST = "rest"  # it stands, but calls nobody: returned, latched and acknowledged, shelved, suppressed, in test
    OVER = "over"  # normal again
    AWAY = "away"  # what it is about was taken out of the settings: nobody watches it


class Standing(NamedTuple):
    """One alarm as the escalation has to know it.

    Attributes:
        alarm, occurrence: Which; the text form of its key (`alarms.keys`).
        drive, direction: What it is about, "" where it is about no drive.
        need: What it needs of people.
        priority: ``urgent``, ``high``, ``low``; anything else calls nobody.
        respond_ns: Time to respond after an acknowledgement, 0 = it does not call again.
        first_step: Index of the step with which it begins.
        severity: Rank; a higher one than before is 'worse'.
    """

    alarm: str
    occurrence: int
    need: Need
    priority: str
    respond_ns: int
    drive: str = ""
    direction: str = ""
    first_step: int = 0
    severity: int = 0


class Escalation(NamedTuple):
    """Where the calls for one alarm stand.

    Attributes:
        standing: The alarm as last seen.
        calling: Somebody has to answer; False: somebody has, or nobody had to yet.
        step, round: Step last called (-1: none), and the how-manieth time through the chain, from 1.
        due_ns: When something is next to be done while the alarm needs it, 0 = nothing.
        until_ns: When the step's wait is over.
        seen_ns, seen_utc_ms: When this was last changed, so that a restart knows what has passed since.
        told: Everybody called in this occurrence, in that order.
        acked_by, acked_utc_ms: Who acknowledged last in this occurrence, and when.
        apart_ns: Before this an alarm that merely comes again calls nobody: it was called a moment ago.
        worst: Severity of the worst that was called since somebody last answered, or a moment ago.
    """

    standing: Standing
    calling: bool = False
    step: int = -1
    round: int = 1
    due_ns: int = 0
    until_ns: int = 0
    seen_ns: int = 0
    seen_utc_ms: int = 0
    told: tuple[str, ...] = ()
    acked_by: str = ""
    acked_utc_ms: int = 0
    apart_ns: int = 0
    worst: int = 0

    @property
    def is_used_up(self) -> bool:
        """Nobody has answered, and nobody is called any more: the rounds are over, or the site has no steps for it."""
        return self.calling and not self.due_ns

    @property
    def next_ns(self) -> int:
        """When the clock has to be looked at for this one, 0 = never."""
        return self.due_ns if self.standing.need in (Need.CALL, Need.RESPOND) else 0


class Late(NamedTuple):
    """What is remembered of an escalation that has ended: `Escalation.apart_ns`, `Escalation.worst`."""

    apart_ns: int
    worst: int


class Escalations(NamedTuple):
    """All that are running.

    Attributes:
        running: By the alarm's text form. due_ns: a moment before which none is due, 0 = none ever is.
        late: Of alarms that are over and were called a moment ago: what comes again at once is no news.
    """

    running: Mapping[str, Escalation] = {}
    due_ns: int = 0
    late: Mapping[str, Late] = {}
