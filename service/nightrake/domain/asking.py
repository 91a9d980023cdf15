"""One command on its way through: what was said with it, whether the person may do it, and how it is answered. Pure."""

from __future__ import annotations

import math
from collections.abc import Callable

from nightrake.alarms.asked import Asking
from nightrake.alarms.rights import Who, rule
from nightrake.domain.cleantext import clean
from nightrake.domain.inputs import Command
from nightrake.domain.respond import Responding
from nightrake.domain.rows import Answer, Entry

MAX_TEXT = 500


def _free() -> Answer | None:
    """Nothing stands against it."""
    return None


_FREE: Callable[[], Answer | None] = _free


class Asked:
    """One command on its way through.

    Args:
        work: The site's alarms, which it changes. command: As it came in.
    """

    def __init__(self, work: Responding, command: Command) -> None:
        self.work, self.command = work, command
        self.who = Who(clean(command.actor, 64), clean(command.role, 32), clean(command.known_by, 64))
        self.args = command.args
        self.first: Who | None = None
        self._reason = ""

    # --- what was said with it ---

    def text(self, key: str, limit: int = MAX_TEXT) -> str:
        """A text of the command, "" where there is none."""
        value = self.args.get(key, "")
        return clean(value, limit) if isinstance(value, str) else ""

    @property
    def reason(self) -> str:
        """Why: of both, where two people have asked for it."""
        own = self.text("reason")
        return "; ".join(dict.fromkeys(r for r in (self._reason, own) if r.strip()))

    def number(self, key: str) -> float:
        """A number of the command, 0.0 where there is none that means anything."""
        value = self.args.get(key, 0.0)
        is_number = isinstance(value, (int, float)) and not isinstance(value, bool)
        try:
            return float(value) if is_number and math.isfinite(value) else 0.0
        except OverflowError:
            return 0.0

    def for_ns(self) -> int:
        """The time limit asked for."""
        return int(min(max(self.number("for_s"), 0.0), 1e9) * 1e9)

    def asking(self, alarm: str) -> Asking:
        """The same for the book."""
        by = {**self.who.data(), **({"first": self.first.actor} if self.first is not None else {})}
        return Asking(alarm, by, self.work.now_ns, self.work.utc_ms)

    # --- answers ---

    def refused(self, text: str, drive: str = "", direction: str = "", reason: str = "", **more: object) -> Answer:
        """Refuse, and journal that; `reason`: in fewer words than the answer."""
        why = (reason or text)[:200]
        data = {**self.who.data(), "verb": clean(self.command.verb, 32), **more, "reason": why}
        self.work.entries.append(Entry("command", "refused", drive, direction, data))
        return Answer(False, text)

    @property
    def roles(self) -> dict[str, str]:
        """What everybody is at the site now."""
        return {person: str(known.role) for person, known in self.work.plan.response.rota.people.items()}

    @property
    def takes_two(self) -> bool:
        """The site asks for two different people."""
        return self.command.verb in self.work.plan.response.two_persons

    def ruled(
        self, subject: str, drive: str, mark: str = "", *, said: str = "", why_not: Callable[[], Answer | None] = _FREE
    ) -> Answer | None:
        """The rights of the person, and the second person where the site asks for one; None: it may be done.

        Args:
            subject: What it is about, as people read it. mark: which of it (an occurrence), so that a word given for
                one does not count for the next. said: See `alarms.rights.rule`.
            why_not: Refuses what could not be done now, whoever confirmed it: no first word is taken for that.
        """
        work, verb = self.work, self.command.verb
        two, waiting = work.plan.response.two_persons, work.alarms.seconds
        two = two | {"lockout_cancel"} if "release" in two else two  # or one person could end it in another way
        about, reason = f"{subject}/{mark}", self.text("reason")
        seconds, ruling = rule(
            waiting, two, verb, about, self.who, work.now_ns, said=said, reason=reason, roles=self.roles
        )
        no = why_not() if ruling.waits else None
        if no is not None:
            return no
        work.alarms = work.alarms._replace(seconds=seconds)
        if ruling.go:
            self.first, self._reason = ruling.first, ruling.first_reason
            return None
        if not ruling.waits:
            return self.refused(ruling.text, drive, asked=clean(subject, 80))
        data = {**self.who.data(), "verb": verb, "asked": clean(subject, 80), "said": said}
        work.entries.append(Entry("command", "first_of_two", drive, "", data))
        return Answer(True, f"{subject}: {ruling.text}")
