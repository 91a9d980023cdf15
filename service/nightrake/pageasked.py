"""What the page worker asks over its own channel: the scene, what people do on the page, and what becomes of sign-ins.

Only on that channel is anybody believed to speak for a person: the worker has looked at their password, and nobody
else holds the channel's other end. What the person may do is looked up here, in the watch's own settings.
"""

from __future__ import annotations

import time
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from nightrake.asked import Asked, plain_args
from nightrake.clock import Clock
from nightrake.control.channel import TextStream
from nightrake.control.server import Caller, Handler
from nightrake.domain.cleantext import clean
from nightrake.domain.rows import Entry
from nightrake.errors import ControlError
from nightrake.scene import Scene

if TYPE_CHECKING:
    from nightrake.app import Watch

KNOWN_BY = "page session"
PAGE = Caller("page", -1)
"""Who is at the other end of the channel, where a verb asks."""
READING = ("status", "journal", "live", "alarms", "summary", "lockout")
"""Verbs of the control socket that change nothing, and that the page may use too."""
EVENTS = ("signed_in", "signed_out", "sign_in_refused", "signed_out_everywhere")
FACTS = {"address": 64, "why": 120, "was": 32}
"""What may stand in a row about a sign-in, and how long each text may be."""
NEVER_NS = 2**63
TOO_LATE = "this was asked so long ago that nobody waits for it any more, and was not done; look before you ask again"
MOST_TIMES = 10**6
"""Refusals that one row can stand for."""


class PageAsked:
    """Answers for one running watch.

    Args:
        watch: The watch. asked: What it answers over the control socket. clock: Its clock.
    """

    def __init__(self, watch: Watch, asked: Asked, clock: Clock) -> None:
        self._watch = watch
        self._asked = asked
        self.scene = Scene(watch, clock)

    def verbs(self) -> dict[str, Handler]:
        """Verb -> who answers it."""
        public = self._asked.verbs()
        reading = {verb: public[verb] for verb in READING}
        return {**reading, "person_command": self._command, "person_note": self._note}

    def streams(self) -> dict[str, TextStream]:
        """Stream -> who gives it."""
        return {"scene": self.scene.stream}

    async def _command(self, caller: Caller, args: Mapping[str, Any]) -> Any:  # noqa: ARG002
        """A command of a person who is signed in; in the journal as theirs."""
        person = str(args["person"])
        if time.clock_gettime_ns(time.CLOCK_BOOTTIME) > int(args.get("until_boottime_ns", NEVER_NS)):
            raise ControlError(TOO_LATE)  # we stood still: suspended, stopped, swapped out
        table = self._watch.settings.people.get(person)
        if table is None or not table.page_password:
            raise ControlError(f"'{clean(person, 32)}' cannot act on the page: no such person has a page_password now")
        what, given = str(args["what"]), plain_args(args.get("args", {}))
        answer, durable = await self._asked.command(
            what,
            str(args.get("drive", "")),
            str(args.get("direction", "")),
            given,
            (person, table.role, KNOWN_BY),
            str(given.get("for_s", "")) if what == "test" else "",
        )
        return {"ok": answer.ok, "text": answer.text, "durable": durable}

    async def _note(self, caller: Caller, args: Mapping[str, Any]) -> Any:  # noqa: ARG002
        """A sign-in, its end, or one that was refused; of strangers no name is kept: it may be a password."""
        event, person = str(args["event"]), str(args.get("person", ""))
        if event not in EVENTS:
            raise ControlError(f"'{clean(event, 32)}' is no event of the page; it knows {', '.join(EVENTS)}")
        known = person if person in self._watch.settings.people else ""
        given = args.get("data") or {}
        if not isinstance(given, Mapping):
            raise ControlError("'data' is an object")
        facts: dict[str, str | int] = {k: clean(str(given[k]), most) for k, most in FACTS.items() if given.get(k)}
        times = given.get("times")
        if type(times) is int and 1 < times <= MOST_TIMES:  # one is the row itself
            facts["times"] = times
        who = {"actor": known} if known else {"stranger": True}
        self._watch.engine.note(Entry("page", event, "", "", {**who, **facts, "known_by": "page"}))
        return {"ok": True}
