"""A backlog lane that cannot be begun: tried again soon, then rarely, and given up after some minutes, told."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
import pytest_asyncio

from nightrake.forwardbacklog import Damaged, Dead, Order
from nightrake.forwardlanes import Lanes
from nightrake.historian.sending import StoreTarget
from shell.forward.hourglass import Many, many
from shell.longterm.histories import forget_tail, seal

NOWHERE = "http://127.0.0.1:1"


class Tried:
    """Lanes of a site of which some minutes are in the sealed history only, by a clock that the test moves."""

    def __init__(self, at: Many) -> None:
        self.at = at
        self.letters: list[tuple[str, str]] = []
        self.lanes = Lanes(at.store, at.clock, lambda: at.seq, self._put_aside)

    def _put_aside(self, dead: Dead, damaged: Damaged, undated: int) -> None:
        assert (damaged, undated) == ({}, 0)
        self.letters += dead

    def go_on(self, seconds: float) -> None:
        """Time passes."""
        self.at.clock.ahead_ns += round(seconds * 1e9)

    async def may_send(self) -> bool:
        """Whether the live lane may go on with what the tail still holds."""
        return await self.lanes.may_send(self.at.seq - 99)

    def can_begin(self) -> None:
        """From now on there is somewhere to send to."""
        settings = self.at.settings
        self.lanes.backlog.order(Order(StoreTarget(NOWHERE, "o", "b", 1.0, ""), settings))


@pytest_asyncio.fixture
async def tried(tmp_path: Path) -> AsyncIterator[Tried]:
    """Nobody to send to yet, so no process can look through the stretch."""
    async with many(tmp_path, NOWHERE, 8) as at:
        begin_ms = at.clock.utc_ms() // 3_600_000 * 3_600_000 - 3_600_000
        await at.record(begin_ms, 60)
        await at.kept()
        await asyncio.to_thread(seal, at.settings.store_dir)
        await asyncio.to_thread(forget_tail, at.settings.store_dir, at.seq - 100)
        at.store.set_cursor("history", at.store.epoch, at.seq)
        at.begin_at(1)
        at.clock.stand_still()
        yield Tried(at)


@pytest.mark.asyncio
async def test_second_try_comes_after_five_seconds(tried: Tried) -> None:
    """Not before, though it would succeed; a busy machine's process is not asked for again and again."""
    assert not await tried.may_send()
    tried.can_begin()
    tried.go_on(4.9)
    assert not await tried.may_send()
    assert tried.lanes.backlog.starts == 0
    tried.go_on(0.2)
    assert await tried.may_send()

    assert (tried.lanes.backlog.starts, tried.lanes.backlog.left, tried.letters) == (1, tried.at.seq - 1, [])


@pytest.mark.asyncio
async def test_tries_are_further_apart_each_time_and_come_to_an_end(tried: Tried) -> None:
    """5, 10, 20, 40 s and then a minute apart: what only the process could read is given up after 315 s, told once."""
    second, most = 0, 400
    while not await tried.may_send():
        assert tried.letters == []
        tried.go_on(1.0)
        second += 1
        assert second < most, "it is never given up"

    assert second == 5 + 10 + 20 + 40 + 4 * 60
    last = tried.at.seq - 100
    why = "damaged: they are in the sealed history only, and the process that reads it fails"
    assert tried.letters == [(f"inputs 2 to {last}", why)]
    assert not await tried.may_send(), "whoever cannot go on after that tries as often again"
    tried.can_begin()
    tried.go_on(5.1)
    assert await tried.may_send()


@pytest.mark.asyncio
async def test_stretch_ends_with_what_is_on_disk(tried: Tried) -> None:
    """What still waits for the disk is not seen by whoever says how the clock went: it stays the live lane's."""
    on_disk = tried.at.seq
    tried.at.seq += 50
    tried.can_begin()
    assert await tried.lanes.split()

    assert tried.lanes.place.at.tail_seq == on_disk
