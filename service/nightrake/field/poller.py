"""One PLC's poller: one connection, one request in flight, a scan for every period whatever happens.

Silence is a scan too: while there is no connection, every due block gives a bad reply. The poller never raises for what
a device or a network does; what it raises is a fault of ours and ends the watch loudly.
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Protocol

from nightrake.domain.inputs import BlockReply, Got, RawScan
from nightrake.domain.readplan import ReadPlan, also_read, split
from nightrake.domain.site import EndpointSpec, PointSpec
from nightrake.field.adapter import ModbusLink, Reading
from nightrake.field.probe import Probed, probe_point
from nightrake.field.schedule import Schedule

MISSES = 3
"""This many failed reads in a row of one unit open its breaker; this many scans without any reply rebuild the link."""
REPLAN_NS = 600_000_000_000
"""How often points that the device refused are tried again on a standing connection."""
SPLITTING = (2, 3)
"""Exception codes that blame an address or a count: the block is split once to find out which."""


class Clock(Protocol):
    """The time that scans are stamped with."""

    def mono_ns(self) -> int:
        """Monotonic nanoseconds."""
        ...

    def utc_ms(self) -> int:
        """UTC milliseconds."""
        ...


@dataclass(slots=True)
class Stats:
    """Counts since start. due = done + missed (+ the scan under way); late ones are among the done."""

    due: int = 0
    done: int = 0
    late: int = 0
    missed: int = 0
    requests: int = 0
    connects: int = 0
    round_trip_ms: float = 0.0
    last_scan_ns: int = 0
    got: dict[str, int] = field(default_factory=dict)


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
        self._base = self._plan = plan
        self._on_scan = on_scan
        self._on_link = on_link
        self._clock = clock
        self._rng = rng
        self._schedule = Schedule(plan, start_ns)
        self._link = ModbusLink(endpoint)
        self._line = asyncio.Lock()
        self._changed = asyncio.Event()
        self._connecting: asyncio.Task[None] | None = None
        self._connect_after_ns = 0
        self._backoff_ns = endpoint.backoff_min_ns
        self._told: tuple[bool, str] | None = None
        self._why = "not connected yet"
        self._misses: dict[int, int] = {}
        self._retry_ns: dict[int, int] = {}
        self._deaf_scans = 0
        self._last_request_ns = 0
        self._replan_at_ns = 0
        self.stats = Stats()

    @property
    def link_state(self) -> tuple[bool, str]:
        """(up, why not)."""
        return self._told if self._told is not None else (False, self._why)

    async def run(self) -> None:
        """Scan until cancelled."""
        try:
            await self._begin()
            while True:
                await self._wait()
                self._keep_connected()
                await self._scan()
        finally:
            if self._connecting is not None:
                self._connecting.cancel()
                await asyncio.gather(self._connecting, return_exceptions=True)
            self._link.close()

    async def _begin(self) -> None:
        """Give the first connection a moment, so that a start does not report every point as lost."""
        self._keep_connected()
        if self._connecting is not None:
            await asyncio.wait({self._connecting}, timeout=self._endpoint.timeout_ns / 1e9)
        self._schedule.start(self._clock.mono_ns())

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
            plan = self._plan
            replies: dict[int, BlockReply] = {}
            refused: list[int] = []
            asked = set(due)
            for index in due:
                await self._read_into(plan, index, replies, refused)
            for index in also_read(plan, _zero_witnesses(plan, replies), tuple(asked)):
                await self._read_into(plan, index, replies, refused)
        end_ns, utc_ms = self._clock.mono_ns(), self._clock.utc_ms()
        self._supervise(replies, end_ns)
        self.stats.done += 1
        self.stats.last_scan_ns = end_ns
        blocks = tuple(replies[i] for i in sorted(replies))
        self._on_scan(RawScan(self._endpoint.id, plan, end_ns, utc_ms, blocks))
        self._learn(refused)

    async def _read_into(self, plan: ReadPlan, index: int, replies: dict[int, BlockReply], refused: list[int]) -> None:
        reading = await self._read(plan, index, replies)
        counts = self.stats.got
        counts[reading.got.name] = counts.get(reading.got.name, 0) + 1
        if reading.code in SPLITTING:
            refused.append(index)
        replies[index] = BlockReply(index, reading.got, reading.data, self._clock.mono_ns(), reading.detail)

    async def _read(self, plan: ReadPlan, index: int, replies: dict[int, BlockReply]) -> Reading:
        block = plan.blocks[index]
        if not self._link.connected:
            return Reading(Got.NO_CONNECTION, detail=self._why)
        silent = self._silent(plan, block.unit, replies)
        if silent is not None:
            return silent
        await self._gap()
        begin_ns = self._clock.mono_ns()
        reading = await self._link.read(block)
        self._last_request_ns = self._clock.mono_ns()
        self.stats.requests += 1
        self.stats.round_trip_ms = (self._last_request_ns - begin_ns) / 1e6
        answered = reading.got in (Got.GOOD, Got.EXCEPTION)
        self._misses[block.unit] = 0 if answered else self._misses.get(block.unit, 0) + 1
        if not answered:
            self._retry_ns[block.unit] = self._last_request_ns + self._endpoint.unit_retry_ns
            if reading.got is Got.NO_CONNECTION:
                self._why = reading.detail
            elif self._endpoint.transaction_zero_ok:
                # Without transaction ids a late reply would be taken for the next one: begin anew.
                self._link.close()
        return reading

    def _silent(self, plan: ReadPlan, unit: int, replies: dict[int, BlockReply]) -> Reading | None:
        """Not to be asked: its breaker is open, or it was silent a moment ago in this very scan."""
        for index, reply in replies.items():
            if plan.blocks[index].unit == unit and reply.got == Got.NO_REPLY:
                return Reading(Got.NO_REPLY, detail=reply.detail)
        several = any(b.unit != unit for b in plan.blocks)
        if several and self._misses.get(unit, 0) >= MISSES and self._clock.mono_ns() < self._retry_ns.get(unit, 0):
            retry_s = self._endpoint.unit_retry_ns / 1e9
            return Reading(Got.UNIT_SILENT, detail=f"unit {unit} is silent; tried every {retry_s:g} s")
        return None

    async def _gap(self) -> None:
        if self._endpoint.min_gap_ns:
            wait_ns = self._last_request_ns + self._endpoint.min_gap_ns - self._clock.mono_ns()
            if wait_ns > 0:
                await asyncio.sleep(wait_ns / 1e9)

    def _learn(self, refused: list[int]) -> None:
        """Split refused blocks, last one first so that the indices before it stay; now and then try all again."""
        now_ns = self._clock.mono_ns()
        plan = self._plan
        for index in sorted(refused, reverse=True):
            plan = split(plan, index)
        if plan is self._plan and plan.refused and now_ns >= self._replan_at_ns:
            plan = self._base
        if plan is not self._plan:
            self._replan_at_ns = now_ns + REPLAN_NS
            self._plan = plan
            self._schedule.replan(plan)

    # --- the connection -----------------------------------------------------------------------------------------------

    def _supervise(self, replies: dict[int, BlockReply], now_ns: int) -> None:
        """Tell the link's state; rebuild a connection that stands but no longer answers."""
        answered = any(r.got not in (Got.NO_REPLY, Got.NO_CONNECTION, Got.UNIT_SILENT) for r in replies.values())
        if answered:
            self._deaf_scans = 0
            self._backoff_ns = self._endpoint.backoff_min_ns
            self._tell(True, "")
            return
        self._deaf_scans += 1
        first = next(iter(replies.values()))
        self._tell(False, first.detail)
        if self._link.connected and self._deaf_scans >= MISSES and any(r.got == Got.NO_REPLY for r in replies.values()):
            self._why = first.detail
            self._link.close()
            self._deaf_scans = 0
            self._connect_after_ns = now_ns + self._jittered()

    def _tell(self, up: bool, detail: str) -> None:
        if self._told is None or self._told[0] != up:
            self._told = (up, detail)
            self._on_link(up, detail)

    def _jittered(self) -> int:
        """The next back-off: between half and the whole of a span that doubles up to its limit."""
        span_ns = self._backoff_ns
        self._backoff_ns = min(2 * span_ns, self._endpoint.backoff_max_ns)
        return int(span_ns * self._rng.uniform(0.5, 1.0))

    def _keep_connected(self) -> None:
        if self._link.connected or self._connecting is not None or self._clock.mono_ns() < self._connect_after_ns:
            return
        self._connecting = asyncio.create_task(self._connect(), name=f"connect {self._endpoint.id}")

    async def _connect(self) -> None:
        """Connect beside the scans, which go on saying that there is no connection; then put the new link in place."""
        try:
            self._link.close()
            self.stats.connects += 1
            link = ModbusLink(self._endpoint)
            try:
                problem = await link.connect()
            except asyncio.CancelledError:
                link.close()
                raise
            # A device that accepts and hangs up at once must not be hammered: only an answer resets the back-off.
            self._connect_after_ns = self._clock.mono_ns() + self._jittered()
            if problem:
                self._why = problem
                link.close()
                return
            async with self._line:
                self._link = link
                self._misses.clear()
                if self._plan is not self._base:
                    self._plan = self._base
                    self._schedule.replan(self._base)
        finally:
            self._connecting = None

    # --- from outside -------------------------------------------------------------------------------------------------

    async def probe(self, points: Iterable[PointSpec]) -> list[Probed]:
        """Read each point on its own, between scans, on this poller's connection."""
        results = []
        for point in points:
            async with self._line:
                await self._gap()
                results.append(await probe_point(self._link, point))
                self._last_request_ns = self._clock.mono_ns()
        return results

    def replace(self, endpoint: EndpointSpec, plan: ReadPlan) -> None:
        """Take changed settings; the connection stands while host, port and time-out are the same."""
        same = (endpoint.host, endpoint.port, endpoint.timeout_ns, endpoint.transaction_zero_ok) == (
            self._endpoint.host,
            self._endpoint.port,
            self._endpoint.timeout_ns,
            self._endpoint.transaction_zero_ok,
        )
        self._endpoint = endpoint
        self._base = self._plan = plan
        self._schedule.replan(plan)
        if not same:
            self._link.close()
            self._connect_after_ns = 0
        self._changed.set()


def _zero_witnesses(plan: ReadPlan, replies: dict[int, BlockReply]) -> list[int]:
    return [
        i
        for i in plan.witness_blocks
        if i in replies and replies[i].got == Got.GOOD and not replies[i].data.strip(b"\0")
    ]
