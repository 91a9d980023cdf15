"""How fast one person may fill the record: whatever is taken is journalled, so there is a bound on what is taken. Pure.

One rule for every way in (page, signed message, control socket), before the walk: what is refused here is no input, so
a replay is the same with it and without. Refusals themselves are counted where there are many (`chatter`).

What can be given once for each thing that has happened (an acknowledgement, a reset, the answer to a test call) is
never held back, however many have happened.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from nightrake.alarms.rights import Role, Who
from nightrake.domain.lockoutrequests import ABOUT_LOCKOUTS

FREE = frozenset({"acknowledge", "answer", "reset"})
LOCKOUTS_A_MINUTE = 30
"""About lockouts: a whole walk of one has some ten steps, and nobody reports one every two seconds by hand for long."""
OTHERS_A_MINUTE = 300
"""Everything else: a script that puts a large site's drives in standby, one by one, gets through. A day of it is some
200 MB (`chatter.SITE_SINGLY`)."""
MINUTE_NS = 60_000_000_000


class Pace(NamedTuple):
    """What everybody has given of late.

    Attributes:
        used_ns: By person and kind of command, when all that was taken of them is no longer counted. Each that is taken
            moves it by its share of a minute (a leaky bucket); a person who has given nothing for a minute is missing.
    """

    used_ns: Mapping[tuple[str, bool], int] = {}

    def why_not(self, verb: str, who: Who, now_ns: int) -> str:
        """Why a command is not taken now, "" = it is.

        Args:
            now_ns: Monotonic.
        """
        if _is_free(verb, who):
            return ""
        most = _most(verb)
        over_ns = self.used_ns.get(_key(verb, who), 0) - now_ns - MINUTE_NS * (most - 1) // most
        if over_ns <= 0:
            return ""
        what = "reports about lockouts" if verb in ABOUT_LOCKOUTS else "commands"
        wait_s = -(-over_ns // 1_000_000_000)
        return (
            f"{who.actor} has given {most} {what} within a minute, and more are not taken from one person; "
            f"give it again in {wait_s} s"
        )

    def and_one(self, verb: str, who: Who, now_ns: int) -> Pace:
        """With one more that was taken."""
        if _is_free(verb, who):
            return self
        key = _key(verb, who)
        left = {k: until_ns for k, until_ns in self.used_ns.items() if until_ns > now_ns}
        return Pace({**left, key: max(left.get(key, 0), now_ns) + MINUTE_NS // _most(verb)})


def _most(verb: str) -> int:
    return LOCKOUTS_A_MINUTE if verb in ABOUT_LOCKOUTS else OTHERS_A_MINUTE


def _key(verb: str, who: Who) -> tuple[str, bool]:
    return who.actor, verb in ABOUT_LOCKOUTS


def _is_free(verb: str, who: Who) -> bool:
    """A user of the machine who is nobody of the settings reports nothing, and sits beside the store."""
    return verb in FREE or who.role == Role.LOCAL
