"""What each person is told on a topic of their own: the present state, urgent first, within a limit. No I/O here.

The order, the limit and what is dropped are `alarms.callqueue`. What is added here: an acknowledgement says only that
the broker took a message, so calls are told again after a lost connection, and after a time in which canaries did not
come back, until one has come back (`confirm`) or their alarm no longer calls. They keep their id.
"""

from __future__ import annotations

from nightrake.alarms.callqueue import Call, CallQueue, Key, Limit, More

__all__ = ["Call", "Limit", "More", "People"]


class People:
    """Interface as `States`: mark, take, give_back, all_due; besides, `done` and `confirm`. Times: monotonic seconds.

    Args:
        limit: For each person.
    """

    def __init__(self, limit: Limit) -> None:
        self.queue = CallQueue(limit)
        self._unconfirmed: dict[Key, tuple[int, int]] = {}  # the how-manieth telling, and its row's number
        self._count = 0
        self._candidate = 0

    def mark(self, call: Call) -> None:
        """Something to be told; only the latest for a person and alarm is sent."""
        self.queue.mark(call)

    def drop(self, alarm: str, knows: str = "") -> None:
        """An alarm no longer calls; `knows` need not be told that."""
        self.queue.drop(alarm, knows)

    def take_urgent(self, now_s: float) -> Call | More | None:
        """The next urgent message to send."""
        return self.queue.take_urgent(now_s)

    def take(self, now_s: float) -> Call | More | None:
        """The next message to send, whatever it is."""
        return self.queue.take(now_s)

    def done(self, job: Call | More) -> None:
        """The broker has acknowledged it."""
        self._count += 1
        for call in job.calls if isinstance(job, More) else (job,):
            if not call.ends:
                self._unconfirmed[call.key] = (self._count, call.seq)
        self.queue.done(job)

    def give_back(self, job: Call | More) -> None:
        """It was not acknowledged."""
        self.queue.give_back(job)

    def canary_goes(self) -> None:
        """What was acknowledged until now is confirmed if the canary that is about to go comes back."""
        self._candidate = self._count

    def confirm(self) -> None:
        """It came back."""
        self._unconfirmed = {k: t for k, t in self._unconfirmed.items() if t[0] > self._candidate}

    def all_due(self) -> None:
        """What no canary has confirmed may be lost: it is told again where its alarm still calls."""
        keys, self._unconfirmed = list(self._unconfirmed), {}
        self.queue.again(keys)

    @property
    def cursor(self) -> int:
        """Every row up to here has been delivered to its person, or need not be any more."""
        return min([self.queue.cursor, *(seq - 1 for _, seq in self._unconfirmed.values() if seq)])
