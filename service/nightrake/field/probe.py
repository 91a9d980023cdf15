"""Reading single points for `check --live`: raw words, what the device echoed, how long it took.

In a running watch the scans come first: a point is read between two of them, and what that takes of their time is paid
back by a rest, so that no caller, nor any number of them, can keep a PLC from being watched.
"""

from __future__ import annotations

import asyncio
import time
from collections import deque
from collections.abc import Awaitable, Callable, Iterable
from typing import NamedTuple

from nightrake.domain.inputs import Got
from nightrake.domain.readplan import Block
from nightrake.domain.site import EndpointSpec, PointSpec
from nightrake.errors import FieldError
from nightrake.field.adapter import ModbusLink, Reading, open_link

PROBES = 4
"""Asked to read single points by more callers at once than this, the watch declines."""
SILENT_PROBES = 2
"""A unit that was silent this often in one reading of points is not asked for the rest of them."""
SILENT_IN_ALL = 4
"""After so many silences in one reading nothing more is asked: each may cost the scans a time-out."""
LONGEST_S = 60.0
"""One reading of points takes no longer; what was not asked by then is not asked."""
REST = 9
"""So many times as long as a reading went on into the scans' time, no other begins: a tenth is theirs at most."""


class Probed(NamedTuple):
    """One point as it was just read.

    Attributes:
        point: The point. got, detail: Outcome. data: Registers as big-endian bytes, or the bit in one byte.
        round_trip_ms: From asking to answer.
        unit, transaction: What the device echoed, -1 = nothing. asked_transaction: what was asked.
    """

    point: PointSpec
    got: Got
    data: bytes
    detail: str
    round_trip_ms: float
    unit: int
    transaction: int
    asked_transaction: int


def block_of(point: PointSpec) -> Block:
    """The request for one point alone."""
    return Block(point.unit, point.table, point.address, point.words, 0)


def not_asked(point: PointSpec, detail: str) -> Probed:
    """The answer for a point that is not asked, and why."""
    return Probed(point, Got.UNIT_SILENT, b"", detail, 0.0, -1, -1, -1)


async def probe_point(link: ModbusLink, point: PointSpec) -> Probed:
    """Read one point on its own."""
    begin_ns = time.monotonic_ns()
    reading: Reading = await link.read(block_of(point))
    took_ms = (time.monotonic_ns() - begin_ns) / 1e6
    return Probed(
        point,
        reading.got,
        reading.data,
        reading.detail,
        took_ms,
        reading.unit,
        reading.transaction,
        reading.asked_transaction,
    )


class Probing:
    """The points of one PLC that somebody wants to have read now, each in its turn.

    Args:
        plc: Id of the PLC. mono_ns: The time. wake: Called when there is something to read.
    """

    def __init__(self, plc: str, mono_ns: Callable[[], int], wake: Callable[[], object]) -> None:
        self._plc = plc
        self._mono_ns = mono_ns
        self._wake = wake
        self._callers = 0
        self._wanted: deque[tuple[PointSpec, asyncio.Future[Probed]]] = deque()
        self._not_before_ns = 0

    def __bool__(self) -> bool:
        return bool(self._wanted) and self._mono_ns() >= self._not_before_ns

    async def read(self, points: Iterable[PointSpec]) -> list[Probed]:
        """Have points read; whoever is cancelled in waiting for them has no more of them read.

        Raises:
            FieldError: Too many callers want that at once.
        """
        if self._callers >= PROBES:
            raise FieldError(f"PLC {self._plc}: others are having its points read already; try again later")
        self._callers += 1
        try:
            return await self._each(points)
        finally:
            self._callers -= 1

    async def _each(self, points: Iterable[PointSpec]) -> list[Probed]:
        results: list[Probed] = []
        silent: dict[int, int] = {}
        end_s = time.monotonic() + LONGEST_S
        for point in points:
            if silent.get(point.unit, 0) >= SILENT_PROBES:
                probed = not_asked(point, f"unit {point.unit} is silent; not asked again")
            elif sum(silent.values()) >= SILENT_IN_ALL:
                probed = not_asked(point, "not asked, since others were silent already and the scans come first")
            else:
                probed = await self._one(point, end_s - time.monotonic())
                if probed.got is Got.NO_REPLY:
                    silent[point.unit] = silent.get(point.unit, 0) + 1
            results.append(probed)
        return results

    async def _one(self, point: PointSpec, within_s: float) -> Probed:
        future: asyncio.Future[Probed] = asyncio.get_running_loop().create_future()
        self._wanted.append((point, future))
        self._wake()
        try:
            async with asyncio.timeout(within_s):
                return await future
        except TimeoutError:
            return not_asked(point, "not asked, since the scans come first and left no time for it; try again later")

    async def serve(self, read: Callable[[PointSpec], Awaitable[Probed]], until_ns: int) -> None:
        """Read one point, and others while there is time until then: the poller's part, between two scans."""
        while self:
            point, future = self._wanted.popleft()
            if future.done():
                continue  # whoever wanted it has gone
            begin_ns = self._mono_ns()
            probed = await read(point)
            if not future.done():
                future.set_result(probed)
            now_ns = self._mono_ns()
            if now_ns >= until_ns:
                self._not_before_ns = now_ns + REST * (now_ns - max(until_ns, begin_ns))
                return
            # The caller's next point is wanted only after it has had its turn.
            await asyncio.sleep(0)
            await asyncio.sleep(0)


async def probe_endpoint(endpoint: EndpointSpec, points: Iterable[PointSpec]) -> list[Probed]:
    """Connect, read every point once, disconnect; for a site that no watch holds.

    Raises:
        FieldError: No connection.
    """
    link = await open_link(endpoint)
    try:
        results = []
        for point in points:
            problem = "" if link.connected else await link.connect()
            if problem:
                results.append(Probed(point, Got.NO_CONNECTION, b"", problem, 0.0, -1, -1, -1))
            else:
                results.append(await probe_point(link, point))
            await asyncio.sleep(endpoint.min_gap_ns / 1e9)
        return results
    finally:
        link.close()
