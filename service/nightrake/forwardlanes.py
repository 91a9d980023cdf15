"""When the live lane is far behind, it leaves what is old to the backlog lane and goes on with what is new."""

from __future__ import annotations

from collections.abc import Callable

from nightrake.clock import Clock
from nightrake.crashpoint import reach
from nightrake.forwardbacklog import Backlog, Damaged, Dead
from nightrake.forwardmarks import Place
from nightrake.historian.split import split_of
from nightrake.historian.stamps import Stamps
from nightrake.journal.store import Store
from nightrake.keeping import CURSOR as SEALED

FAR_INPUTS, FAR_MS = 10_000, 60_000
"""Further behind than both, and what is old is left to the backlog lane: caught up with in the watch, it would hold up
what is new for more than some seconds."""
TRIES, FIRST_TRY_NS, LONGEST_TRY_NS = 9, 5_000_000_000, 60_000_000_000
"""So often a backlog lane that cannot be begun is tried again, soon at first (a machine that is busy has no time for
its process), then a minute apart; after some five minutes what only it could read is given up, told."""


class Lanes:
    """Both lanes of one forwarding.

    Args:
        store: The tail. clock: Durations and UTC. newest_input: Gives the number of the newest input.
        put_aside: See `Backlog`.

    Attributes:
        place: Where the live lane is. backlog: The other lane.
    """

    def __init__(
        self,
        store: Store,
        clock: Clock,
        newest_input: Callable[[], int],
        put_aside: Callable[[Dead, Damaged, int], None],
    ) -> None:
        self._store, self._clock, self._newest_input = store, clock, newest_input
        self._put_aside = put_aside
        self.place = Place(store, clock.mono_ns, newest_input)
        self.backlog = Backlog(store, clock, put_aside, self._go_on_behind)
        self.backlog.drop_beyond(self.place.at.tail_seq)
        self._tries = self._try_again_ns = 0

    @property
    def lag_rows(self) -> int:
        """Inputs that the live lane is behind."""
        return max(0, self._newest_input() - self.place.at.tail_seq)

    def is_far_behind(self, sent_utc_ms: int) -> bool:
        """Whether the live lane has more to do than it should; `sent_utc_ms`: stamp of the last input it has sent."""
        return self.lag_rows > FAR_INPUTS and self._clock.utc_ms() - sent_utc_ms > FAR_MS

    async def may_send(self, first_seq: int) -> bool:
        """Whether what comes next in the tail is what comes next at all, or what lies between has been seen to.

        Args:
            first_seq: Number of the first input behind the live lane's place that the tail holds.

        Raises:
            StoreError: The tail cannot be read now.
        """
        if not await self._is_gone(first_seq) or await self.split():
            return True
        if self._tries < TRIES:
            return False
        self._tries = 0
        lost = f"inputs {self.place.at.tail_seq + 1} to {first_seq - 1}"
        self._put_aside(
            [(lost, "damaged: they are in the sealed history only, and the process that reads it fails")], {}, 0
        )
        return True

    async def _is_gone(self, first_seq: int) -> bool:
        """Whether what comes next is no longer in the hot tail, but sealed. Numbers that a crash has burnt are not."""
        at_seq, sealed = self.place.at.tail_seq, self._store.get_cursor(SEALED)
        if not at_seq or first_seq <= at_seq + 1 or sealed is None or sealed[1] <= at_seq:
            return False
        return (await self._store.tail_span())[0] >= first_seq

    async def split(self) -> bool:
        """Leave everything up to now to the backlog lane; False where that cannot be now.

        Raises:
            StoreError: The tail cannot be read now.
        """
        now_ns = self._clock.mono_ns()
        if self._tries and now_ns < self._try_again_ns:
            return False
        to_seq = await self._kept_until()
        safe = self.place.safe
        extent = await self.backlog.measure(safe.tail_seq, to_seq, safe.stamps.samples)
        if extent is None:
            self._try_again_ns = now_ns + min(FIRST_TRY_NS << self._tries, LONGEST_TRY_NS)
            self._tries += 1
            return False
        self._tries = 0
        split = split_of(safe.stamps.samples, extent, self._clock.utc_ms())
        self.backlog.leave_out(safe.tail_seq, to_seq, safe.stamps.samples, hold=split.hold)
        reach("after-left-out")
        self.place.jump(to_seq, split.stamps)
        reach("after-jump")
        return True

    async def _kept_until(self) -> int:
        """Number of the newest input on disk: the process that looks at the stretch does not see what still waits."""
        newest = self._newest_input()
        last = (await self._store.tail_span())[1]
        return min(newest, last) if last else newest

    def _go_on_behind(self, stamps: Stamps) -> None:
        """What the live lane has waited for is done."""
        self.place.jump(self.place.at.tail_seq, stamps)
