"""Too many calls: one alarm that chatters, a flood of many, and what only comes round with the rake. Pure.

Neither rule touches a life: they hold back the call for it, and what is held back is called as soon as they end, if it
still waits for somebody. What is about a shutdown is never held back.

Source of the figures: ANSI/ISA-18.2-2016 clause 16.4 (flood above 10 in 10 minutes until below 5; chattering from 3 a
minute is widely used, from memory).
"""

from __future__ import annotations

from typing import NamedTuple

from nightrake.alarms.rules import AlarmRule
from nightrake.alarms.table import Priority

MINUTE_NS = 60_000_000_000
CHATTER_CALLS = 3
"""So many annunciations of one alarm within a minute are chatter."""
FLOOD_NS = 10 * MINUTE_NS
FLOOD_ABOVE = 10
"""More annunciations than these within `FLOOD_NS` begin a flood."""
FLOOD_BELOW = 5
"""Fewer than these end it."""
ONSETS = 6
"""How many of the last onsets of a condition are kept: enough to see a rhythm."""
RHYTHM = 0.2
"""Two intervals between onsets may differ from half a turn, or a turn, by this part of it (own choice)."""
CHATTERING, IN_FLOOD = "chattering", "alarm flood"
APART = 10
"""Onsets nearer to each other than a turn divided by this are one: a contact that bounces on its ridge."""


class Chatter(NamedTuple):
    """How often one alarm has been annunciated.

    Attributes:
        times: The last annunciations, monotonic. active: it chatters.
        called_ns, called_severity: When a call for it last went out, and how bad it was then.
    """

    times: tuple[int, ...] = ()
    active: bool = False
    called_ns: int = 0
    called_severity: int = 0


QUIET = Chatter()


def chatter_after(chatter: Chatter, now_ns: int) -> Chatter:
    """One more annunciation, whether or not its call is held back."""
    times = (*chatter.times, now_ns)[-CHATTER_CALLS:]
    fast = len(times) == CHATTER_CALLS and now_ns - times[0] < MINUTE_NS
    return chatter._replace(times=times, active=chatter.active or fast)


def chatter_due_ns(chatter: Chatter) -> int:
    """When a minute has passed since the last annunciation: a chatter is over. 0 = there was none."""
    return chatter.times[-1] + MINUTE_NS if chatter.times else 0


class Flood(NamedTuple):
    """The last annunciations of the site, monotonic, and whether they are a flood.

    Attributes:
        times: The last few, as many as the rule needs.
        active: A flood is on. total: annunciations in it; since_utc_ms: when it began.
    """

    times: tuple[int, ...] = ()
    active: bool = False
    total: int = 0
    since_utc_ms: int = 0


def flood_after(flood: Flood, now_ns: int, utc_ms: int) -> Flood:
    """One more annunciation."""
    times = (*flood.times, now_ns)[-(FLOOD_ABOVE + 1) :]
    if flood.active:
        return flood._replace(times=times, total=flood.total + 1)
    if len(times) > FLOOD_ABOVE and now_ns - times[0] < FLOOD_NS:
        return Flood(times, True, len(times), utc_ms)
    return flood._replace(times=times)


def flood_due_ns(flood: Flood) -> int:
    """When the flood is over unless it goes on, 0 = there is none; 1 = at once."""
    if not flood.active:
        return 0
    return flood.times[-FLOOD_BELOW] + FLOOD_NS if len(flood.times) >= FLOOD_BELOW else 1


def held_back(rule: AlarmRule, chatter: Chatter, flood: Flood, now_ns: int, severity: int = 0) -> str:
    """Why this alarm's call is held back, "" = it is not. What is worse than last called is not held back for chatter.

    Chatter holds back for the time to respond at most: what chatters all night is called now and then. In a flood only
    what is low waits; of the rest the pager limits how many messages one person gets.
    """
    if not rule.type.may_filter:
        return ""
    if chatter.active and now_ns < held_until_ns(rule, chatter) and severity <= chatter.called_severity:
        return CHATTERING
    return IN_FLOOD if flood.active and rule.priority is Priority.LOW else ""


def held_until_ns(rule: AlarmRule, chatter: Chatter) -> int:
    """Until when chatter may hold back a call."""
    return chatter.called_ns + max(rule.respond_ns, MINUTE_NS)


def chatter_after_restart(chatter: Chatter, now_ns: int, *, same_boot: bool) -> Chatter:
    """Where monotonic times mean nothing any more, a chatter has a minute to show itself again."""
    if same_boot:
        return chatter
    return Chatter((now_ns,), True, now_ns) if chatter.active else QUIET


def flood_after_restart(flood: Flood, now_ns: int, *, same_boot: bool) -> Flood:
    """Likewise: a flood that was on goes on for its ten minutes unless it is fed."""
    if same_boot:
        return flood
    return flood._replace(times=(now_ns,) * FLOOD_BELOW) if flood.active else Flood()


# --- with the rotation ---


def with_onset(onsets: tuple[int, ...], now_ns: int, turn_ns: int) -> tuple[int, ...]:
    """The condition has come once more."""
    if onsets and (now_ns - onsets[-1]) * APART < turn_ns:
        return onsets
    return (*onsets, now_ns)[-ONSETS:]


def repeats_with_rotation(onsets: tuple[int, ...], turn_ns: int) -> bool:
    """Whether the last three onsets keep time with half a turn or a whole one.

    Args:
        onsets: Monotonic, rising. turn_ns: One turn of the output, 0 = not known.
    """
    if not turn_ns or len(onsets) < 3:
        return False
    first, middle, last = onsets[-3:]
    for beat_ns in (turn_ns // 2, turn_ns):
        slack_ns = beat_ns * RHYTHM
        if abs(middle - first - beat_ns) <= slack_ns and abs(last - middle - beat_ns) <= slack_ns:
            return True
    return False
