"""What waits to be told to each person: the latest for every alarm, urgent first, no more than a telephone bears. Pure.

Theory of operation:

- For one person and alarm only the latest counts. One whose alarm no longer calls is dropped before it was ever sent;
  which came and went so is told in one message. Who was told of it gets 'no longer needed' in its place.
- What is urgent goes at once, the worst first; a storm of it goes as one urgent message every few seconds.
- Of the rest a person gets what `callperson` lets through: the last of the limit is for one message that says how many
  more there are, by priority; it waits some seconds, so that a burst becomes one message. What the person does not
  know yet goes before reminders and whatever is low, and is never held back for long.
- A test call is outside all of this: it would prove nothing if it waited.
- What was sent and not acknowledged comes back (`give_back`), and is sent again only while its alarm still calls.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable

from nightrake.alarms.callout import URGENT as URGENT
from nightrake.alarms.callout import Call as Call
from nightrake.alarms.callout import Key as Key
from nightrake.alarms.callout import Limit as Limit
from nightrake.alarms.callout import More as More
from nightrake.alarms.callout import Together as Together
from nightrake.alarms.callperson import AT_ONCE_S, Person
from nightrake.alarms.callperson import GATHER_S as GATHER_S

HELD = 200
"""Messages kept singly for one person, urgent ones apart, and as many first calls; beyond it they are only counted.
They would go as one message in any case."""
NOTED = 200
"""Messages in the place of many that wait to be journalled."""
NAMED = 20
"""Alarms that such a row names."""


class CallQueue:
    """See the module. Times are monotonic seconds.

    Args:
        limit: For each person.
    """

    def __init__(self, limit: Limit = Limit()) -> None:  # noqa: B008  (immutable)
        self._limit = limit
        self._people: dict[str, Person] = {}
        self._flying: dict[Key, tuple[Call, float]] = {}
        self._dead: dict[Key, bool] = {}  # on its way, and its alarm no longer calls; whether the person is to know
        self._told: dict[Key, Call] = {}  # the last call that arrived, while its alarm calls
        self._gathered: dict[Key, Call] = {}  # on its way as one of many
        self._counted: set[Key] = set()  # told only as a number
        self._noted: deque[Together] = deque(maxlen=NOTED)
        self._newest = 0

    # --- coming in ----------------------------------------------------------------------------------------------------

    def set_limit(self, limit: Limit) -> None:
        """From now on this limit holds."""
        self._limit = limit
        for person in self._people.values():
            person.set_limit(limit)

    def mark(self, call: Call) -> None:
        """Something is to be told; it takes the place of what waits under the same key."""
        self._newest = max(self._newest, call.seq)
        if call.ends:
            self._end(call)
            return
        self._dead.pop(call.key, None)
        self._counted.discard(call.key)
        self._of(call.person).gone.pop(call.alarm, None)
        waiting = self._due(call.key)
        if waiting is not None and waiting.first and call.reminder:
            call = call._replace(reminder=False)  # what waits has not been told yet
        self._put(call)

    def pass_over(self, seq: int) -> None:
        """All that a row means for people has been marked, be it nothing."""
        self._newest = max(self._newest, seq)

    def drop(self, alarm: str, knows: str = "") -> None:
        """An alarm no longer calls: what waits because of it is not sent any more.

        Args:
            knows: Who need not be told that.
        """
        for name, person in self._people.items():
            key = (name, alarm)
            waiting = person.get(alarm)
            if waiting is not None and not waiting.ends:
                person.pop(alarm)
                if name != knows and not self._has_gone_out(key):
                    person.no_longer(alarm, waiting.subject)
            if key in self._flying and not self._flying[key][0].ends:
                self._dead[key] = name != knows
            self._told.pop(key, None)
            self._counted.discard(key)
            self._gathered.pop(key, None)

    def again(self, keys: Iterable[Key]) -> None:
        """What was told under these keys may not have arrived: tell it again where the alarm still calls."""
        for key in keys:
            if key in self._told and self._due(key) is None and key not in self._flying:
                self._put(self._told[key])

    def _put(self, call: Call) -> None:
        person = self._of(call.person)
        if call.urgent or call.apart or call.alarm in person.held or self._has_place(person, call):
            person.put(call)
            return
        person.pop(call.alarm)
        if call.ends:
            person.no_longer(call.alarm, call.subject)
        else:
            person.beyond[call.priority] += 1
            self._counted.add(call.key)

    @staticmethod
    def _has_place(person: Person, call: Call) -> bool:
        return len(person.first if call.first else person.held) < HELD

    def _end(self, call: Call) -> None:
        key, person = call.key, self._of(call.person)
        waiting, told = person.pop(call.alarm), self._has_gone_out(key)
        self._told.pop(key, None)
        if key in self._counted:
            self._counted.discard(key)
        elif call.since and not told and not self._was_reached(call.person, call.since):
            pass  # nothing that spoke of it has come to them: it would be stale news
        elif waiting is not None and not waiting.ends and not told:
            person.no_longer(call.alarm, call.subject)
        elif told or call.alarm not in person.gone:  # else it is named there already, and was never told singly
            self._put(call)

    # --- going out ----------------------------------------------------------------------------------------------------

    def take(self, now_s: float) -> Call | More | None:
        """What is to be sent next, which is now on its way; None when nothing may go now."""
        return self.take_urgent(now_s) or self.take_other(now_s)

    def take_urgent(self, now_s: float) -> Call | More | None:
        """The next urgent call, or one message in the place of many."""
        for name, person in self._people.items():
            if person.urgent and (job := self._urgent_of(name, person, now_s)) is not None:
                return job
        return None

    def _urgent_of(self, name: str, person: Person, now_s: float) -> Call | More | None:
        room = now_s >= person.urgent_room_s()
        if not room and person.urgent_since_s is None:
            person.urgent_since_s = now_s
        if not room and now_s < person.urgent_together_s(now_s):
            return None
        ready = self._ready(person.urgent)
        if not ready:
            return None
        if room or len(ready) == 1:
            person.urgent_since_s = person.urgent_since_s if len(ready) > 1 else None
            return self._fly(person, min(ready, key=lambda c: c.order), now_s)
        return self._together(person.gather_urgent(name, tuple(sorted(ready, key=lambda c: c.order)), now_s))

    def take_other(self, now_s: float) -> Call | More | None:
        """The next of the others that its person may get now."""
        for name, person in self._people.items():
            if person.waits and (job := self._next_of(name, person, now_s)) is not None:
                return job
        return None

    def _next_of(self, name: str, person: Person, now_s: float) -> Call | More | None:
        if (apart := self._ready(person.apart)) != []:
            return self._fly(person, apart[0], now_s)
        single = self._single_of(person, now_s)
        if single is not None:
            call = self._fly(person, single, now_s)
            person.since_s = person.since_s if person.waits else None
            person.first_since_s = person.first_since_s if person.first else None
            return call
        return self._more_of(name, person, now_s)

    def _single_of(self, person: Person, now_s: float) -> Call | None:
        """What may go by itself."""
        if person.first and now_s >= person.room_s():
            ready = self._ready({a: person.held[a] for a in person.first})
            if ready:
                return min(ready, key=lambda c: c.order)
        if len(person.held) > len(person.first) and now_s >= person.minor_room_s():
            ready = [c for c in self._ready(person.held) if not c.first]
            return min(ready, key=lambda c: c.order, default=None)
        return None

    def _more_of(self, name: str, person: Person, now_s: float) -> Call | More | None:
        """One message in the place of all that waits; of a single first call, this itself."""
        if person.since_s is None:
            person.since_s = now_s
        if person.first and person.first_since_s is None:
            person.first_since_s = now_s
        if now_s < person.more_s_of(now_s):
            return None
        calls = self._ready(person.held)
        other = person.beyond or person.gone or person.gone_beyond
        if not (calls or other):
            person.since_s = person.first_since_s = None  # what waits is on its way in an older form
            return None
        if len(calls) == 1 and calls[0].first and not other:
            person.since_s, person.first_since_s, person.more_s = None, None, now_s
            return self._fly(person, calls[0], now_s)
        return self._together(person.gather(name, tuple(sorted(calls, key=lambda c: c.order)), now_s))

    def _ready(self, waiting: dict[str, Call]) -> list[Call]:
        return [c for c in waiting.values() if c.key not in self._flying]

    def _together(self, more: More) -> More:
        self._gathered |= {c.key: c for c in more.calls if not c.ends}
        return more

    def _fly(self, person: Person, call: Call, now_s: float) -> Call:
        person.pop(call.alarm)
        self._flying[call.key] = (call, now_s)
        person.sent(call, now_s)
        return call

    # --- what came of it ----------------------------------------------------------------------------------------------

    def done(self, job: Call | More) -> None:
        """It has been sent."""
        if isinstance(job, More):
            self._more_done(job)
            return
        self._flying.pop(job.key, None)
        if self._dead.pop(job.key, None) is not None:
            return
        waiting = self._due(job.key)
        if not job.ends and (waiting is None or not waiting.ends):
            self._told[job.key] = job

    def _more_done(self, more: More) -> None:
        self._of(more.person).arrived(more)
        for call in more.calls:
            if self._gathered.get(call.key) is call:
                del self._gathered[call.key]
                self._told[call.key] = call
        names = tuple(dict.fromkeys((*(c.alarm for c in more.calls), *(a for a, _ in more.ended))))[:NAMED]
        self._noted.append(Together(more.person, more.counts, more.over, names))

    def give_back(self, job: Call | More) -> None:
        """It was not sent after all; it does not count against the limit."""
        person = self._of(job.person)
        if isinstance(job, More):
            self._give_back_more(person, job)
            return
        key = job.key
        _, at_s = self._flying.pop(key, (job, AT_ONCE_S))
        person.not_sent(job, at_s)
        waiting = self._due(key)
        never_told = not job.ends and key not in self._told
        if (dead := self._dead.pop(key, None)) is not None:
            if never_told and dead:
                person.no_longer(job.alarm, job.subject)
        elif waiting is None:
            self._put(job)
        elif waiting.ends and never_told:
            person.pop(job.alarm)
            person.no_longer(job.alarm, waiting.subject)

    def _give_back_more(self, person: Person, more: More) -> None:
        person.take_back(more)
        for call in more.calls:
            waiting, gathered = self._due(call.key), self._gathered.get(call.key)
            if gathered is not None and gathered is not call:
                continue  # a newer one is on its way, likewise as one of many
            self._gathered.pop(call.key, None)
            if call.key in self._flying or (waiting is not None and not waiting.ends):
                continue  # a newer one is on its way, or waits
            if waiting is None and (gathered is call or call.ends):
                self._put(call)
            elif not call.ends and call.key not in self._told:
                person.pop(call.alarm)
                person.no_longer(call.alarm, (waiting or call).subject)

    def noted(self) -> list[Together]:
        """What has been told in one message in the place of many since this was last asked."""
        found = list(self._noted)
        self._noted.clear()
        return found

    # --- looking ------------------------------------------------------------------------------------------------------

    def wait_s(self, now_s: float) -> float | None:
        """How long until something that is held back may go; None = nothing is held back."""
        times_s = [t for p in self._people.values() if p.waits or p.urgent for t in p.next_s(now_s)]
        later = [t for t in times_s if t > now_s]  # what is not later waits only for an acknowledgement
        return min(later) - now_s if later else None

    @property
    def due(self) -> int:
        """How many messages wait."""
        return sum(len(p.urgent) + len(p.held) + len(p.apart) for p in self._people.values())

    @property
    def cursor(self) -> int:
        """Every row up to here has been told, or need not be any more."""
        waiting = [c.seq for c, _ in self._flying.values()]
        for person in self._people.values():
            for place in (person.urgent, person.held, person.apart):
                waiting += (c.seq for c in place.values())
            waiting += (c.seq for more in person.mores for c in more.calls)
        return min((s - 1 for s in waiting if s), default=self._newest)

    def still_calls(self, call: Call) -> bool:
        """Whether a call that is on its way is still right: its alarm calls, and nothing newer waits."""
        return call.key not in self._dead and self._due(call.key) is None

    def _has_gone_out(self, key: Key) -> bool:
        return key in self._told or key in self._flying or key in self._gathered

    def _was_reached(self, person: str, since: int) -> bool:
        return any(key[0] == person and call.seq >= since for key, call in self._told.items())

    def _of(self, name: str) -> Person:
        person = self._people.get(name)
        if person is None:
            person = self._people[name] = Person(self._limit)
        return person

    def _due(self, key: Key) -> Call | None:
        person = self._people.get(key[0])
        return person.get(key[1]) if person else None
