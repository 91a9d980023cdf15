"""One PLC's poller: one connection, one request in flight, a scan for every period whatever happens.

Silence is a scan too: while there is no connection, every due block gives a bad reply. The poller never raises for what
a device or a network does; what it raises is a fault of ours and ends the watch loudly.
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable, Iterable
from typing import Protocol

from nightrake.domain.inputs import BlockReply, Got, RawScan
from nightrake.domain.readplan import Block, ReadPlan, also_read
from nightrake.domain.site import EndpointSpec, PointSpec
from nightrake.field.adapter import Reading
from nightrake.field.connection import Connection
from nightrake.field.linknews import LinkNews
from nightrake.field.probe import Probed, Probing, probe_point
from nightrake.field.refusals import IN_A_ROW, Refusals
from nightrake.field.schedule import Schedule
from nightrake.field.stats import Stats

MISSES = 3
"""This many failed reads in a row of one unit open its breaker; this many scans without any reply rebuild the link."""
SPLITTING = (2, 3)
"""Exception codes that blame an address or a count: the block is split once to find out which."""
NO_ANSWER = frozenset((Got.NO_REPLY, Got.NO_CONNECTION, Got.GARBAGE, Got.UNIT_SILENT))
"""What is no sign of a Modbus device: of such alone no link is up, and the back-off goes on growing."""
WAITED_OUT = frozenset((Got.NO_REPLY, Got.WRONG_TRANSACTION, Got.WRONG_UNIT))
"""What is known only when the time-out is over: the unit is not asked again in this scan, that would cost as much."""
SHARE = 2
"""One part in so many of the time until the next scan is for what is asked beside the scans."""
STUCK_NS = 20_000_000_000
"""Nothing moves for this long beyond what a scan's next request may take: the poller is stuck."""


class Clock(Protocol):
    """The time that scans are stamped with."""

    def mono_ns(self) -> int:
        """Monotonic nanoseconds."""
        ...

    def utc_ms(self) -> int:
        """UTC milliseconds."""
        ...


class Poller:
    """Polls one endpoint until cancelled.

    Args:
        endpoint: The PLC. plan: Its read plan.
        on_scan: Called with each scan, in order; quick and synchronous.
        on_link: Called on each change: (up, detail).
        clock: Stamps. rng: For the jitter of the back-off.
        start_ns: When the first scan is due (spread over the period, so that PLCs are not all asked at once).
    """

    def __init__(
        self,
        endpoint: EndpointSpec,
        plan: ReadPlan,
        *,
        on_scan: Callable[[RawScan], object],
        on_link: Callable[[bool, str], object],
        clock: Clock,
        rng: random.Random,
        start_ns: int,
    ) -> None:
        self._endpoint = endpoint
        self._plan = plan
        self._refusals = Refusals(plan)
        self.stats = Stats()
        self._on_scan = on_scan
        self._on_link = on_link
        self._clock = clock
        self._schedule = Schedule(plan, start_ns)
        self._line = asyncio.Lock()
        self._connection = Connection(endpoint, clock.mono_ns, rng, self._line, self._connected_anew, self.stats)
        self._changed = asyncio.Event()
        self._news = LinkNews()
        self._misses: dict[int, int] = {}
        self._retry_ns: dict[int, int] = {}
        self._deaf_scans = 0
        self._last_request_ns = 0
        self._moves = 0
        self._probing = Probing(endpoint.id, clock.mono_ns, self._changed.set)

    @property
    def link_state(self) -> tuple[bool, str]:
        """(up, why not)."""
        state = self._news.state
        return state if state is not None else (False, self._connection.why)

    @property
    def reads(self) -> bool:
        """Whether there is anything to read at this endpoint."""
        return self._schedule.next_ns is not None

    def is_stuck(self, now_ns: int) -> bool:
        """Whether nothing has moved for far longer than one request may take.

        A long scan of silent units moves with each of them; a poller that waits for a scan that is due in an hour, or
        that has nothing to read, is not stuck.
        """
        next_ns = self._schedule.next_ns
        if next_ns is None:
            return False
        moved_ns = max(self._last_request_ns, self.stats.last_scan_ns, next_ns)
        return now_ns - moved_ns > STUCK_NS + self._endpoint.timeout_ns + self._endpoint.min_gap_ns

    async def run(self) -> None:
        """Scan until cancelled."""
        try:
            await self._connection.first()
            self._schedule.start(self._clock.mono_ns())
            while True:
                await self._wait()
                self._connection.keep()
                await self._scan()
                if self._refusals:
                    await self._ask_refused()
                if self._probing:
                    await self._serve_probes()
        finally:
            await self._connection.end()

    async def _wait(self) -> None:
        while True:
            next_ns = self._schedule.next_ns
            wait_s = None if next_ns is None else (next_ns - self._clock.mono_ns()) / 1e9
            if wait_s is not None and wait_s <= 0:
                await asyncio.sleep(0)  # a poller that is always behind must still let the others run
                return
            if wait_s is not None and not self._changed.is_set():
                handle = asyncio.get_running_loop().call_later(wait_s, self._changed.set)
                try:
                    await self._changed.wait()
                finally:
                    handle.cancel()
            else:
                await self._changed.wait()
            self._changed.clear()
            if self._probing:
                await self._serve_probes()

    # --- scanning -----------------------------------------------------------------------------------------------------

    async def _scan(self) -> None:
        now_ns = self._clock.mono_ns()
        due, late, missed = self._schedule.take(now_ns)
        if not due:
            return
        self.stats.due += 1 + missed
        self.stats.late += late > 0
        self.stats.missed += missed
        async with self._line:
            plan, moves = self._plan, self._moves
            replies: dict[int, BlockReply] = {}
            refused: list[Block] = []
            silent: dict[int, Reading] = {}
            for index in due:
                await self._read_into(plan, index, replies, refused, silent)
            for index in also_read(plan, _zero_witnesses(plan, replies), tuple(due)):
                await self._read_into(plan, index, replies, refused, silent)
        end_ns, utc_ms = self._clock.mono_ns(), self._clock.utc_ms()
        self.stats.done += 1
        self.stats.last_scan_ns = end_ns
        if moves != self._moves:
            return  # begun at another PLC, which a reload has taken away in mid-scan: none of it is the new one's
        self._supervise(replies, end_ns)
        blocks = tuple(replies[i] for i in sorted(replies))
        self._on_scan(RawScan(self._endpoint.id, plan, end_ns, utc_ms, blocks))
        if (refused or self._refusals) and plan is self._plan:
            good = [plan.blocks[i] for i, r in replies.items() if r.got is Got.GOOD]
            self._refusals.learn(refused, good, end_ns)
            self._settle()

    async def _read_into(
        self,
        plan: ReadPlan,
        index: int,
        replies: dict[int, BlockReply],
        refused: list[Block],
        silent: dict[int, Reading],
    ) -> None:
        block = plan.blocks[index]
        reading = await self._read(plan, block, silent)
        counts = self.stats.got
        counts[reading.got.name] = counts.get(reading.got.name, 0) + 1
        if reading.code in SPLITTING:
            refused.append(block)
        if reading.got in WAITED_OUT:
            silent[block.unit] = reading
        replies[index] = BlockReply(index, reading.got, reading.data, self._clock.mono_ns(), reading.detail)

    async def _read(self, plan: ReadPlan, block: Block, silent: dict[int, Reading]) -> Reading:
        connection = self._connection
        link = connection.link
        if not link.connected:
            return Reading(Got.NO_CONNECTION, detail=connection.why)
        left_alone = self._left_alone(plan, block.unit, silent)
        if left_alone is not None:
            return left_alone
        await self._gap()
        begin_ns = self._clock.mono_ns()
        reading = await link.read(block)
        self._last_request_ns = self._clock.mono_ns()
        self.stats.requests += 1
        self.stats.round_trip_ms = (self._last_request_ns - begin_ns) / 1e6
        answered = reading.got in (Got.GOOD, Got.EXCEPTION)
        self._misses[block.unit] = 0 if answered else self._misses.get(block.unit, 0) + 1
        if not answered:
            self._retry_ns[block.unit] = self._last_request_ns + self._endpoint.unit_retry_ns
            if reading.got in (Got.NO_CONNECTION, Got.GARBAGE):
                connection.why = reading.detail
                # In the words of the scans that follow: others would be told as something new, at each attempt.
                reading = reading._replace(detail=connection.why)
            elif self._endpoint.transaction_zero_ok:
                # Without transaction ids a late reply would be taken for the next one: begin anew.
                link.close()
        return reading

    def _left_alone(self, plan: ReadPlan, unit: int, silent: dict[int, Reading]) -> Reading | None:
        """Not to be asked: its breaker is open, or it gave no right answer a moment ago in this very scan."""
        if unit in silent:
            return silent[unit]
        if self._misses.get(unit, 0) < MISSES or self._clock.mono_ns() >= self._retry_ns.get(unit, 0):
            return None
        if all(b.unit == unit for b in plan.blocks):
            return None
        retry_s = self._endpoint.unit_retry_ns / 1e9
        return Reading(Got.UNIT_SILENT, detail=f"unit {unit} is silent; tried every {retry_s:g} s")

    async def _gap(self) -> None:
        if self._endpoint.min_gap_ns:
            wait_ns = self._last_request_ns + self._endpoint.min_gap_ns - self._clock.mono_ns()
            if wait_ns > 0:
                await asyncio.sleep(wait_ns / 1e9)

    # --- beside the scans ---------------------------------------------------------------------------------------------

    def _until_ns(self) -> int:
        """Until when things may be asked beside the scans."""
        now_ns, next_ns = self._clock.mono_ns(), self._schedule.next_ns
        return now_ns + (STUCK_NS if next_ns is None else (next_ns - now_ns) // SHARE)

    async def _ask_refused(self) -> None:
        """Ask what the device refused on its own, each block in its turn; what it serves again is read again."""
        refusals, until_ns = self._refusals, self._until_ns()
        asked = refused = 0
        while refusals and refused < IN_A_ROW and (asked < IN_A_ROW or self._clock.mono_ns() < until_ns):
            async with self._line:
                block = refusals.next_block(self._clock.mono_ns())
                if refusals is not self._refusals or block is None or not self._connection.link.connected:
                    break
                reading = await self._read(self._plan, block, {})
            if refusals is not self._refusals:
                return  # another plan holds by now
            asked += 1
            refused += reading.code in SPLITTING
            known = reading.got is Got.GOOD or reading.code in SPLITTING
            refusals.asked(block, reading.got is Got.GOOD if known else None, self._clock.mono_ns())
            if not known:
                break
        self._settle()

    def _settle(self) -> None:
        self._refusals.settle(self._clock.mono_ns())
        self._go_on_with(self._refusals.plan)

    def _go_on_with(self, plan: ReadPlan) -> None:
        if plan is not self._plan:
            self._plan = plan
            self._schedule.replan(plan, self._clock.mono_ns())

    # --- the connection -----------------------------------------------------------------------------------------------

    def _supervise(self, replies: dict[int, BlockReply], now_ns: int) -> None:
        """Tell the link's state; rebuild a connection that stands but no longer answers."""
        answered = any(r.got not in NO_ANSWER for r in replies.values())
        if answered:
            self._deaf_scans = 0
            self._connection.answered()
            self._tell(True, "", now_ns)
            return
        self._deaf_scans += 1
        first = next(iter(replies.values()))
        self._tell(False, first.detail, now_ns)
        deaf = self._deaf_scans >= MISSES and any(r.got == Got.NO_REPLY for r in replies.values())
        if deaf and self._connection.link.connected:
            self._deaf_scans = 0
            self._connection.begin_anew(first.detail)

    def _tell(self, up: bool, detail: str, now_ns: int) -> None:
        if self._news.look(up, detail, now_ns) and self._news.told is not None:
            self._on_link(*self._news.told)

    def _connected_anew(self) -> None:
        """Behind a new connection there may be another program: nothing of what was learnt need hold."""
        self._misses.clear()
        if self._refusals:
            self._refusals.begin_anew()
            self._go_on_with(self._refusals.plan)

    # --- from outside -------------------------------------------------------------------------------------------------

    async def probe(self, points: Iterable[PointSpec]) -> list[Probed]:
        """Read each point on its own, between scans, on this poller's connection.

        Raises:
            FieldError: Too many callers want that at once.
        """
        return await self._probing.read(points)

    async def _serve_probes(self) -> None:
        await self._probing.serve(self._probe, self._until_ns())

    async def _probe(self, point: PointSpec) -> Probed:
        async with self._line:
            await self._gap()
            link = self._connection.link
            probed = await probe_point(link, point)
            self._last_request_ns = self._clock.mono_ns()
            cut = self._endpoint.transaction_zero_ok and probed.got is not Got.NO_CONNECTION
            cut = cut and probed.got not in (Got.GOOD, Got.EXCEPTION)
            if cut:
                link.close()  # its late reply would be taken for that to the next request
        if cut:
            await self._connection.first()  # so that the next scan finds a connection
        return probed

    def replace(self, endpoint: EndpointSpec, plan: ReadPlan) -> None:
        """Take changed settings; the connection stands while host, port and time-out are the same."""
        self._endpoint = endpoint
        if plan != self._refusals.base:
            self._refusals = Refusals(plan)
        if self._connection.replace(endpoint):
            self._moves += 1
            self._misses.clear()
            self._deaf_scans = 0
            self._refusals.begin_anew()
        # Of a PLC that is asked the same as before, what it refuses is known.
        self._go_on_with(self._refusals.plan)
        self._changed.set()


def _zero_witnesses(plan: ReadPlan, replies: dict[int, BlockReply]) -> list[int]:
    return [
        i
        for i in plan.witness_blocks
        if i in replies and replies[i].got == Got.GOOD and not replies[i].data.strip(b"\0")
    ]
