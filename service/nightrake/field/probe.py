"""Reading single points for `check --live`: raw words, what the device echoed, how long it took."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Iterable
from typing import NamedTuple

from nightrake.domain.inputs import Got
from nightrake.domain.readplan import Block
from nightrake.domain.site import EndpointSpec, PointSpec
from nightrake.field.adapter import ModbusLink, Reading, open_link


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
    """The answer for a point of a unit that is left alone because it is silent."""
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


async def probe_endpoint(endpoint: EndpointSpec, points: Iterable[PointSpec]) -> list[Probed]:
    """Connect, read every point once, disconnect; for a site that no watch holds.

    Raises:
        FieldError: No connection.
    """
    link = await open_link(endpoint)
    try:
        results = []
        for point in points:
            if not link.connected:
                await link.connect()
            results.append(await probe_point(link, point))
            await asyncio.sleep(endpoint.min_gap_ns / 1e9)
        return results
    finally:
        link.close()
