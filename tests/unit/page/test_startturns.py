"""Requests begin one at a time, each address in its turn."""

from __future__ import annotations

import asyncio

import pytest

from nightrake.page.startturns import StartTurns


@pytest.mark.asyncio
async def test_one_who_asks_without_end_waits_for_themselves() -> None:
    """Two hundred requests of one address are here already: the first of another one is the second to begin."""
    turns, order = StartTurns(), list[str]()

    async def request(address: str) -> None:
        await turns.begin(address)
        order.append(address)

    flood = [asyncio.create_task(request("10.0.0.66")) for _ in range(200)]
    await asyncio.sleep(0)
    other = asyncio.create_task(request("10.0.0.9"))
    await asyncio.gather(*flood, other)

    assert order.index("10.0.0.9") <= 2
    assert len(order) == 201


@pytest.mark.asyncio
async def test_whatever_is_live_has_its_moment_between_two_requests() -> None:
    """However many wait, no two begin in the same turn of the event loop."""
    turns, begun, most = StartTurns(), 0, 0

    async def request() -> None:
        nonlocal begun
        await turns.begin("10.0.0.66")
        begun += 1

    tasks = [asyncio.create_task(request()) for _ in range(50)]
    while begun < 50:
        before = begun
        await asyncio.sleep(0)
        most = max(most, begun - before)
    await asyncio.gather(*tasks)

    assert most == 1


@pytest.mark.asyncio
async def test_who_goes_while_waiting_stops_nobody() -> None:
    """Requests that are cancelled before their turn are passed over."""
    turns = StartTurns()
    tasks = [asyncio.create_task(turns.begin("10.0.0.66")) for _ in range(5)]
    await asyncio.sleep(0)
    for task in tasks[1:4]:
        task.cancel()
    await asyncio.wait_for(tasks[4], 5.0)
    await asyncio.wait_for(turns.begin("10.0.0.9"), 5.0)
    found = await asyncio.gather(*tasks, return_exceptions=True)

    assert sum(isinstance(one, asyncio.CancelledError) for one in found) == 3
