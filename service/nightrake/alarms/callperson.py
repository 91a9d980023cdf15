"""What waits for one person, what they have had lately, and what they may get when. Pure.

Of urgent calls a person gets `URGENT_SINGLY` in a minute one by one; what comes on top goes as one urgent message, at
least `URGENT_APART_S` apart. Of the rest, `Limit.messages` in any `Limit.within_s`: the last of them for one message
that says how many more there are; a third of the others is kept for what the person does not know yet (the first call
of something that is not low), so that reminders cannot use it up. Should it be used up all the same, such a first call
still goes, with all that waits, `FIRST_APART_S` apart: the limit keeps a telephone usable, and is no reason to tell
nobody that another thing has failed.
"""

from __future__ import annotations

from collections import Counter, deque

from nightrake.alarms.callout import Call, Limit, More

IN_FLIGHT = 100
"""More than ever is on its way at once: times of what is given back must not push out those of what arrived."""
GATHER_S = 5.0
"""So long 'and N more' waits for others."""
FIRST_APART_S = 60.0
"""Between two messages about what is new, beyond the limit (own choice)."""
URGENT_SINGLY, URGENT_SPAN_S = 10, 60.0
"""Urgent calls one by one within a span; more than that nobody reads one by one (own choice)."""
URGENT_GATHER_S, URGENT_APART_S = 1.0, 10.0
"""So long urgent calls beyond it wait for one another, and so far their messages are apart."""
GONE = 50
"""Alarms that need nobody any more and are named; the rest are counted."""
NEVER_S, AT_ONCE_S = float("inf"), float("-inf")


class Person:
    """See the module. Times are monotonic seconds.

    Args:
        limit: In force now.
    """

    def __init__(self, limit: Limit) -> None:
        self.urgent: dict[str, Call] = {}
        self.apart: dict[str, Call] = {}
        self.held: dict[str, Call] = {}  # everything else
        self.first: dict[str, None] = {}  # those of the held ones that are first calls
        self.beyond: Counter[str] = Counter()
        self.gone: dict[str, str] = {}  # name -> subject line
        self.gone_beyond = 0
        self.since_s: float | None = None  # since when 'and N more' waits
        self.first_since_s: float | None = None  # since when a first call among it does
        self.urgent_since_s: float | None = None
        self.more_s = self.urgent_more_s = AT_ONCE_S
        self.mores: list[More] = []  # on their way
        self.times_s: deque[float] = deque()  # of what was sent and counts
        self.minor_s: deque[float] = deque()  # of reminders and the like among it
        self.urgent_s: deque[float] = deque(maxlen=URGENT_SINGLY + IN_FLIGHT)
        self.set_limit(limit)

    def set_limit(self, limit: Limit) -> None:
        """From now on this limit holds."""
        self._limit = limit
        self.times_s = deque(self.times_s, maxlen=limit.messages + IN_FLIGHT)
        self.minor_s = deque(self.minor_s, maxlen=limit.messages + IN_FLIGHT)

    # --- what waits ---------------------------------------------------------------------------------------------------

    @property
    def waits(self) -> bool:
        """Whether anything that is not urgent waits."""
        return bool(self.held or self.beyond or self.gone or self.gone_beyond or self.apart)

    def place_of(self, call: Call) -> dict[str, Call]:
        """Where a call waits."""
        return self.apart if call.apart else self.urgent if call.urgent else self.held

    def put(self, call: Call) -> None:
        """It waits from now on, in the place of what waited under its name."""
        self.pop(call.alarm)
        self.place_of(call)[call.alarm] = call
        if call.first and not (call.urgent or call.apart):
            self.first[call.alarm] = None

    def get(self, alarm: str) -> Call | None:
        """What waits under a name."""
        return self.urgent.get(alarm) or self.held.get(alarm) or self.apart.get(alarm)

    def pop(self, alarm: str) -> Call | None:
        """Take it out."""
        self.first.pop(alarm, None)
        return self.urgent.pop(alarm, None) or self.held.pop(alarm, None) or self.apart.pop(alarm, None)

    def no_longer(self, alarm: str, subject: str) -> None:
        """Something needs the person no more, and nobody has told them of it singly."""
        if alarm in self.gone or len(self.gone) < GONE:
            self.gone[alarm] = subject
        else:
            self.gone_beyond += 1

    # --- when ---------------------------------------------------------------------------------------------------------

    def urgent_room_s(self) -> float:
        """From when an urgent call may go by itself."""
        times_s = self.urgent_s
        return times_s[-URGENT_SINGLY] + URGENT_SPAN_S if len(times_s) >= URGENT_SINGLY else AT_ONCE_S

    def urgent_together_s(self, now_s: float) -> float:
        """From when those beyond may go as one."""
        begun_s = now_s if self.urgent_since_s is None else self.urgent_since_s
        return max(begun_s + URGENT_GATHER_S, self.urgent_more_s + URGENT_APART_S)

    def room_s(self) -> float:
        """From when a first call may go by itself."""
        return self._after_s(self.times_s, self._limit.messages - 1)

    def minor_room_s(self) -> float:
        """From when anything else may."""
        singly = self._limit.messages - 1
        return max(self.room_s(), self._after_s(self.minor_s, singly - singly // 3))

    def more_s_of(self, now_s: float) -> float:
        """From when one message in the place of many may go."""
        begun_s = now_s if self.since_s is None else self.since_s
        due_s = max(begun_s + GATHER_S, self.more_s + self._limit.within_s)
        if not self.first:
            return due_s
        begun_s = now_s if self.first_since_s is None else self.first_since_s
        return min(due_s, max(begun_s + GATHER_S, self.more_s + FIRST_APART_S))

    def _after_s(self, times_s: deque[float], most: int) -> float:
        if most < 1:
            return NEVER_S
        return times_s[-most] + self._limit.within_s if len(times_s) >= most else AT_ONCE_S

    def next_s(self, now_s: float) -> list[float]:
        """When to look again."""
        times_s = []
        if self.urgent and (room_s := self.urgent_room_s()) > now_s:
            times_s += [room_s, self.urgent_together_s(now_s)]
        if self.first:
            times_s.append(self.room_s())
        if len(self.held) > len(self.first):
            times_s.append(self.minor_room_s())
        if self.since_s is not None and self.waits:
            times_s.append(self.more_s_of(now_s))
        return times_s

    # --- what was sent ------------------------------------------------------------------------------------------------

    def sent(self, call: Call, now_s: float) -> None:
        """A call is on its way."""
        if call.apart:
            return
        self.times_s.append(now_s)
        if call.urgent:
            self.urgent_s.append(now_s)
        elif not call.first:
            self.minor_s.append(now_s)

    def not_sent(self, call: Call, at_s: float) -> None:
        """It did not arrive, and does not count."""
        for times_s in (self.times_s, self.urgent_s if call.urgent else self.minor_s):
            if not call.apart and at_s in times_s and not (times_s is self.minor_s and call.first):
                times_s.remove(at_s)

    def gather(self, name: str, calls: tuple[Call, ...], now_s: float) -> More:
        """One message in the place of all that waits and is not urgent, now on its way."""
        for call in calls:
            self.pop(call.alarm)
        ended, gone = tuple(self.gone.items()), len(self.gone) + self.gone_beyond
        more = More(name, calls, dict(self.beyond), gone, ended)
        self.beyond, self.gone, self.gone_beyond = Counter(), {}, 0
        self.since_s, self.first_since_s, self.more_s = None, None, now_s
        self.times_s.append(now_s)
        self.mores.append(more)
        return more

    def gather_urgent(self, name: str, calls: tuple[Call, ...], now_s: float) -> More:
        """One urgent message in the place of many, now on its way."""
        for call in calls:
            self.pop(call.alarm)
        self.urgent_since_s, self.urgent_more_s = None, now_s
        more = More(name, calls, {}, 0, urgent=True)
        self.mores.append(more)
        return more

    def take_back(self, more: More) -> None:
        """It did not arrive; its calls are the queue's to put back."""
        self._landed(more)
        if more.urgent:
            self.urgent_more_s = AT_ONCE_S
            return
        if self.more_s in self.times_s:
            self.times_s.remove(self.more_s)
        self.more_s = AT_ONCE_S
        self.beyond.update(more.beyond)
        for alarm, subject in more.ended:
            self.no_longer(alarm, subject)
        self.gone_beyond += more.gone - len(more.ended)

    def arrived(self, more: More) -> None:
        """It has."""
        self._landed(more)

    def _landed(self, more: More) -> None:
        self.mores = [m for m in self.mores if m is not more]
