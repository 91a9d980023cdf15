"""Whose question to the store comes next: fair for whoever asks, whatever others ask."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence

import pytest

from nightrake.errors import StoreError
from nightrake.page.ports import Asker
from nightrake.workers.pageturns import HALF_S, IN_A_ROW, OF_ONE, WAITING, Turns

HOG, QUIET, NIGHT1 = Asker("10.0.0.66"), Asker("10.0.0.9"), Asker("a1b2", is_known=True)


class Desk:
    """Turns whose clock the test moves, and in which order they came."""

    def __init__(self) -> None:
        self.mono_s, self.hurried = 1000.0, 0
        self.turns = Turns(lambda: self.mono_s, self._hurry)
        self.order: list[Asker] = []

    def _hurry(self) -> None:
        self.hurried += 1

    async def ask(self, asker: Asker, takes_s: float = 0.0) -> None:
        """One question."""
        async with self.turns.turn(asker):
            self.order.append(asker)
            self.mono_s += takes_s
            await asyncio.sleep(0)

    async def ask_all(self, askers: Sequence[Asker]) -> None:
        """All of them while somebody else is being answered."""
        async with self.turns.turn(Asker("first")):
            tasks = [asyncio.create_task(self.ask(one)) for one in askers]
            await asyncio.sleep(0)
        await asyncio.gather(*tasks)


@pytest.mark.asyncio
async def test_whoever_has_taken_least_comes_first() -> None:
    """One who asks without end waits behind one who asks once, until what was taken is long past."""
    desk = Desk()
    for _ in range(3):
        await desk.ask(HOG, 0.6)
    await desk.ask(QUIET, 0.1)
    desk.order.clear()
    await desk.ask_all([HOG, HOG, QUIET])
    soon = desk.order.copy()
    desk.mono_s += 12 * HALF_S
    await desk.ask(QUIET, 0.1)
    desk.order.clear()
    await desk.ask_all([QUIET, HOG])

    assert soon == [QUIET, HOG, HOG]
    assert desk.order == [HOG, QUIET]


@pytest.mark.asyncio
async def test_people_who_are_signed_in_come_first_but_not_always() -> None:
    """However many strangers ask, the operator is next; however much the operator asks, a stranger is fourth."""
    desk = Desk()
    await desk.ask(NIGHT1, 9.0)
    desk.order.clear()
    await desk.ask_all([*(Asker(f"10.0.0.{n}") for n in range(20)), *[NIGHT1] * 8])

    known = [one.is_known for one in desk.order]
    assert known[:8] == [*[True] * IN_A_ROW, False, *[True] * IN_A_ROW, False]
    assert known.count(True) == 8


@pytest.mark.asyncio
async def test_who_keeps_others_waiting_is_hurried_and_nobody_for_themselves() -> None:
    """Several questions of one asker are no reason to cut any of them short."""
    desk = Desk()
    async with desk.turns.turn(HOG):
        own = asyncio.create_task(desk.ask(HOG))
        await asyncio.sleep(0)
        alone = (desk.hurried, desk.turns.keeps_others)
        other = asyncio.create_task(desk.ask(QUIET))
        await asyncio.sleep(0)
        shared = (desk.hurried, desk.turns.keeps_others)
    await asyncio.gather(own, other)

    assert alone == (0, False)
    assert shared == (1, True)


@pytest.mark.asyncio
async def test_waiting_is_bounded_for_each_and_for_all() -> None:
    """One asker is refused alone; where strangers fill every place, the operator takes that of one of them."""
    desk = Desk()
    async with desk.turns.turn(Asker("first")):
        tasks = [asyncio.create_task(desk.ask(HOG)) for _ in range(OF_ONE + 5)]
        rest = [asyncio.create_task(desk.ask(Asker(f"10.0.1.{n}"))) for n in range(WAITING)]
        await asyncio.sleep(0)
        operator = asyncio.create_task(desk.ask(NIGHT1))
        await asyncio.sleep(0)
    found = await asyncio.gather(*tasks, *rest, operator, return_exceptions=True)

    refused = [one for one in found if isinstance(one, StoreError)]
    assert all("ask again in a moment" in str(one) for one in refused)
    assert sum(isinstance(one, StoreError) for one in found[: OF_ONE + 5]) >= 5
    assert found[-1] is None
    assert len(found) - len(refused) == WAITING - 1


@pytest.mark.asyncio
async def test_whoever_goes_while_waiting_takes_nobodys_turn() -> None:
    """Cancelled while waiting, and just as its turn has come: the next is served all the same."""
    desk = Desk()
    async with desk.turns.turn(HOG):
        tasks = [asyncio.create_task(desk.ask(QUIET)) for _ in range(3)]
        await asyncio.sleep(0)
        tasks[1].cancel()
        await asyncio.sleep(0)
    tasks[0].cancel()  # its turn has come, and it has not run yet
    found = await asyncio.gather(*tasks, return_exceptions=True)

    assert [isinstance(one, asyncio.CancelledError) for one in found] == [True, True, False]
    await asyncio.wait_for(desk.ask(HOG), 5.0)
