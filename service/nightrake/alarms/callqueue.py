"""What waits to be told to each person: the latest for every alarm, urgent first, no more than a telephone bears. Pure.

Theory of operation:

- For one person and alarm only the latest counts. One whose alarm no longer calls is dropped before it was ever sent;
  how many came and went so is told in one message. Who was told of it gets 'no longer needed' in its place.
- What is urgent is sent at once, always, and never held back.
- Of the rest a person gets at most `Limit.messages` in any `Limit.within_s`. The last of these is for one message
  that says how many more there are, by priority; it waits some seconds, so that a burst becomes one message.
- What was sent and not acknowledged comes back (`give_back`), and is sent again only while its alarm still calls.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterable

from nightrake.alarms.callout import URGENT as URGENT
from nightrake.alarms.callout import Call as Call
from nightrake.alarms.callout import Key as Key
from nightrake.alarms.callout import Limit as Limit
from nightrake.alarms.callout import More as More
from nightrake.alarms.callout import rank

HELD = 200
"""Messages kept singly for one person, urgent ones apart; beyond it they are only counted. They would go as one message
in any case."""
IN_FLIGHT = 100
"""More than ever is on its way at once: times of what is given back must not push out those of what arrived."""
GATHER_S = 5.0
"""So long 'and N more' waits for others."""


class _Person:
    """What waits for one person, and what they have had lately."""

    def __init__(self, messages: int) -> None:
        self.held: dict[str, Call] = {}  # by alarm; not urgent
        self.beyond: Counter[str] = Counter()
        self.gone = 0
        self.since_s: float | None = None  # when 'and N more' began to wait
        self.more_s: float | None = None  # when it was last sent
        self.times_s: deque[float] = deque(maxlen=messages + IN_FLIGHT)  # of what was sent
        self.more: More | None = None  # on its way

    @property
    def waits(self) -> bool:
        return bool(self.held or self.beyond or self.gone)


class CallQueue:
    """See the module. Times are monotonic seconds.

    Args:
        limit: For each person.
    """

    def __init__(self, limit: Limit = Limit()) -> None:  # noqa: B008  (immutable)
        self._limit = limit
        self._urgent: dict[Key, Call] = {}
        self._people: dict[str, _Person] = {}
        self._flying: dict[Key, tuple[Call, float]] = {}
        self._dead: set[Key] = set()  # on its way, and its alarm no longer calls
        self._told: dict[Key, Call] = {}  # the last call that arrived, while its alarm calls
        self._counted: set[Key] = set()  # told only as one of many
        self._newest = 0

    # --- coming in ----------------------------------------------------------------------------------------------------

    def set_limit(self, limit: Limit) -> None:
        """From now on this limit holds."""
        self._limit = limit
        for person in self._people.values():
            person.times_s = deque(person.times_s, maxlen=limit.messages + IN_FLIGHT)

    def mark(self, call: Call) -> None:
        """Something is to be told; it takes the place of what waits under the same key."""
        self._newest = max(self._newest, call.seq)
        if call.ends:
            self._end(call)
            return
        self._dead.discard(call.key)
        self._counted.discard(call.key)
        self._put(call)

    def drop(self, alarm: str) -> None:
        """An alarm no longer calls: what waits because of it is not sent any more."""
        for name, person in self._people.items():
            key = (name, alarm)
            waiting = self._due(key)
            if waiting is not None and not waiting.ends:
                self._pop(key)
                person.gone += not self._has_gone_out(key)
            if key in self._flying and not self._flying[key][0].ends:
                self._dead.add(key)
            self._told.pop(key, None)
            self._counted.discard(key)

    def again(self, keys: Iterable[Key]) -> None:
        """What was told under these keys may not have arrived: tell it again where the alarm still calls."""
        for key in keys:
            if key in self._told and self._due(key) is None and key not in self._flying:
                self._put(self._told[key])

    def _put(self, call: Call) -> None:
        person = self._of(call.person)
        if call.urgent:
            person.held.pop(call.alarm, None)
            self._urgent[call.key] = call
            return
        self._urgent.pop(call.key, None)
        if call.alarm not in person.held and len(person.held) >= HELD:
            if call.ends:
                person.gone += 1
            else:
                person.beyond[call.priority] += 1
                self._counted.add(call.key)
            return
        person.held[call.alarm] = call

    def _end(self, call: Call) -> None:
        key, person = call.key, self._of(call.person)
        waiting = self._pop(key)
        told = self._has_gone_out(key)
        self._told.pop(key, None)
        if key in self._counted:
            self._counted.discard(key)
        elif waiting is not None and not waiting.ends and not told:
            person.gone += 1
        else:
            self._put(call)

    # --- going out ----------------------------------------------------------------------------------------------------

    def take(self, now_s: float) -> Call | More | None:
        """What is to be sent next, which is now on its way; None when nothing may go now."""
        return self.take_urgent(now_s) or self.take_other(now_s)

    def take_urgent(self, now_s: float) -> Call | None:
        """The next urgent call."""
        key = next((k for k in self._urgent if k not in self._flying), None)
        return None if key is None else self._fly(self._urgent.pop(key), now_s)

    def take_other(self, now_s: float) -> Call | More | None:
        """The next of the others that its person may get now."""
        for person in self._people.values():
            if person.waits and (job := self._next_of(person, now_s)) is not None:
                return job
        return None

    def _next_of(self, person: _Person, now_s: float) -> Call | More | None:
        room = now_s >= self._room_s(person)
        if room and person.held:
            ready = [c for c in person.held.values() if c.key not in self._flying]
            if ready:
                call = person.held.pop(min(ready, key=lambda c: rank(c.priority)).alarm)
                person.since_s = person.since_s if person.waits else None
                return self._fly(call, now_s)
        if room and not (person.beyond or person.gone):
            return None  # what waits is on its way in an older form
        if person.since_s is None:
            person.since_s = now_s
        return self._more_of(person, now_s) if now_s >= self._more_s(person) else None

    def _more_of(self, person: _Person, now_s: float) -> More | None:
        calls = tuple(c for c in person.held.values() if c.key not in self._flying)
        if not (calls or person.beyond or person.gone):
            return None
        for call in calls:
            del person.held[call.alarm]
            if not call.ends:
                self._counted.add(call.key)
        name = next(n for n, p in self._people.items() if p is person)
        person.more = More(name, calls, dict(person.beyond), person.gone)
        person.beyond, person.gone, person.since_s, person.more_s = Counter(), 0, None, now_s
        person.times_s.append(now_s)
        return person.more

    def _fly(self, call: Call, now_s: float) -> Call:
        self._flying[call.key] = (call, now_s)
        self._of(call.person).times_s.append(now_s)
        return call

    def done(self, job: Call | More) -> None:
        """It has been sent."""
        person = self._of(job.person)
        if isinstance(job, More):
            person.more = None
            return
        self._flying.pop(job.key, None)
        if job.key in self._dead:
            self._dead.discard(job.key)
            return
        waiting = self._due(job.key)
        if not job.ends and (waiting is None or not waiting.ends):
            self._told[job.key] = job

    def give_back(self, job: Call | More) -> None:
        """It was not sent after all; it does not count against the limit."""
        person = self._of(job.person)
        if isinstance(job, More):
            self._give_back_more(person, job)
            return
        key = job.key
        _, at_s = self._flying.pop(key, (job, 0.0))
        if at_s in person.times_s:
            person.times_s.remove(at_s)
        waiting = self._due(key)
        never_told = not job.ends and key not in self._told
        if key in self._dead:
            self._dead.discard(key)
            person.gone += never_told
        elif waiting is None:
            self._put(job)
        elif waiting.ends and never_told:
            self._pop(key)
            person.gone += 1

    def _give_back_more(self, person: _Person, job: More) -> None:
        if person.more_s is not None and person.more_s in person.times_s:
            person.times_s.remove(person.more_s)
        person.more = person.more_s = None
        person.beyond.update(job.beyond)
        person.gone += job.gone
        for call in job.calls:
            if call.ends and self._due(call.key) is None:
                self._put(call)
            elif not call.ends and call.key in self._counted:
                self._counted.discard(call.key)
                self._put(call)
            elif not call.ends and self._due(call.key) is None and not self._has_gone_out(call.key):
                person.gone += 1

    # --- looking ------------------------------------------------------------------------------------------------------

    def wait_s(self, now_s: float) -> float | None:
        """How long until something that is held back may go; None = nothing is held back."""
        times = []
        for person in self._people.values():
            if not person.waits:
                continue
            if person.held:
                times.append(self._room_s(person))
            if person.since_s is not None:
                times.append(self._more_s(person))
        later = [t for t in times if t > now_s]  # what is not later waits only for an acknowledgement
        return min(later) - now_s if later else None

    @property
    def due(self) -> int:
        """How many messages wait."""
        return len(self._urgent) + sum(len(p.held) for p in self._people.values())

    @property
    def cursor(self) -> int:
        """Every row up to here has been told, or need not be any more."""
        waiting = [c.seq for c in self._urgent.values()]
        for person in self._people.values():
            waiting += (c.seq for c in person.held.values())
            waiting += (c.seq for c in (person.more.calls if person.more else ()))
        waiting += (c.seq for c, _ in self._flying.values())
        return min((s - 1 for s in waiting if s), default=self._newest)

    def still_calls(self, call: Call) -> bool:
        """Whether a call that is on its way is still right: its alarm calls, and nothing newer waits."""
        return call.key not in self._dead and self._due(call.key) is None

    def _has_gone_out(self, key: Key) -> bool:
        return key in self._told or key in self._flying

    def _of(self, name: str) -> _Person:
        return self._people.setdefault(name, _Person(self._limit.messages))

    def _due(self, key: Key) -> Call | None:
        person = self._people.get(key[0])
        return self._urgent.get(key) or (person.held.get(key[1]) if person else None)

    def _pop(self, key: Key) -> Call | None:
        person = self._people.get(key[0])
        return self._urgent.pop(key, None) or (person.held.pop(key[1], None) if person else None)

    def _room_s(self, person: _Person) -> float:
        """From when a single message may go: the last of the limit is kept for 'and N more'."""
        singles, times_s = self._limit.messages - 1, person.times_s
        if singles < 1:
            return float("inf")
        return times_s[-singles] + self._limit.within_s if len(times_s) >= singles else float("-inf")

    def _more_s(self, person: _Person) -> float:
        """From when 'and N more' may go."""
        begun_s = (0.0 if person.since_s is None else person.since_s) + GATHER_S
        return begun_s if person.more_s is None else max(begun_s, person.more_s + self._limit.within_s)
