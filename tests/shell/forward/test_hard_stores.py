"""Stores that are hard to get on with: that keep nothing, forget what they had, ask for pauses, take no large batch."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from nightrake import forwardbacklog
from nightrake.forwardbacklog import CURSOR as BACKLOG
from peers.fakestore import FakeStore, Reply, fake_store, take_all
from shell.forward.hourglass import Many, many
from shell.forward.plantless import until
from shell.forward.test_backlog import done
from shell.forward.test_catching_up import DRIVES, record

SAMPLES = "nightrake_drive,"


@pytest.fixture
def soon(monkeypatch: pytest.MonkeyPatch) -> None:
    """Far behind is some minutes; what was acknowledged a second ago is certain, a probe is there after a moment."""
    monkeypatch.setattr("nightrake.forwardlanes.FAR_INPUTS", 1_000)
    monkeypatch.setattr("nightrake.forwardlanes.FAR_MS", 10_000)
    monkeypatch.setattr(forwardbacklog, "RESEND_S", 1.0)
    monkeypatch.setattr(forwardbacklog, "SETTLE_S", 0.2)


class Keeping:
    """What a fake store keeps of what it takes; it can be read back.

    Attributes:
        kept: Lines. keeps: Whether it keeps anything.
    """

    def __init__(self, store: FakeStore) -> None:
        self.kept: set[str] = set()
        self.keeps = True
        store.form, store.page, store.answer = "application/stream+json", self.page, self.answer

    def answer(self, lines: Sequence[str]) -> Reply:
        """It acknowledges everything."""
        self.kept |= set(lines) if self.keeps else set()
        return Reply()

    def page(self, path: str, body: str) -> str | None:
        """What it holds of probes of the lane that is asked for."""
        lane = "lane%3D%22backlog" in path
        probes = [line for line in self.kept if line.startswith("nightrake_probe,") and ("lane=" in line) == lane]
        pairs = [(int(p.rsplit(" ", 1)[1]), float(p.split("number=")[1].split(" ")[0])) for p in probes]
        return json.dumps({"metric": {}, "timestamps": [ms for ms, _ in pairs], "values": [v for _, v in pairs]})

    def samples(self) -> int:
        """How many samples it holds."""
        return sum(line.startswith(SAMPLES) for line in self.kept)


def small_writes(at: Many, lines: int) -> None:
    """So many lines in one write at most."""
    forward = at.settings.forward.model_copy(update={"batch_lines": lines})
    at.settings = replace(at.settings, forward=forward)
    at.new_forwarding()


def certain_until(at: Many) -> int:
    """The input up to which the watch has noted that the store is certain to have a stretch; 0: none."""
    cursor = at.store.get_cursor(BACKLOG)
    return 0 if cursor is None else cursor[1]


def detail(at: Many) -> str:
    """What the status says of the backlog lane."""
    return str(at.forwarding.status()["backlog"]["detail"])


@pytest.mark.asyncio
@pytest.mark.timeout(200)
async def test_store_that_keeps_nothing_of_a_backlog_gets_it_again(tmp_path: Path, soon: None) -> None:
    """It says 204 to everything: that is said, the stretch stays, and all of it comes when the store keeps it."""
    async with fake_store() as store, many(tmp_path, store.url, DRIVES) as at:
        peer = Keeping(store)
        count = await record(at)
        peer.keeps = False
        async with at.forwarded() as forwarding:
            await until(lambda: "keeps nothing of it" in detail(at), 30.0)
            assert forwarding.status()["backlog"]["stretches"] == 1
            peer.keeps = True
            await until(lambda: forwarding.status()["backlog"]["stretches"] == 0, 20.0)

    before = [line for line in store.series(SAMPLES) if line not in peer.kept]
    assert peer.samples() >= count - len(set(before))
    assert len(set(before)) < count // 2, "only what the live lane had sent may be missing: its own probe is not due"


@pytest.mark.asyncio
@pytest.mark.timeout(300)
async def test_store_that_forgets_what_counted_as_certain_gets_it_again(
    tmp_path: Path, soon: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It dies behind a probe that was found, and has forgotten everything: the stretch begins where it had begun.

    How far something counts as certain when the last line is sent again, to see whether the connection stands, depends
    on the machine. So the store takes its time over the last quarter until most of the stretch is certain.
    """
    monkeypatch.setattr(forwardbacklog, "RESEND_S", 3.0)
    async with fake_store() as store, many(tmp_path, store.url, DRIVES) as at:
        peer = Keeping(store)
        store.pause_s = 0.02
        small_writes(at, 20)
        count = await record(at)
        await at.kept()  # all of it is one stretch

        died = list[int]()

        def mortal(lines: Sequence[str]) -> Reply:
            is_certain = certain_until(at) > at.seq // 2
            store.pause_s = 0.02 if died or is_certain or peer.samples() < count * 3 // 4 else 1.0
            is_touch = len(lines) == 1 and lines[0].startswith(SAMPLES) and lines[0] in peer.kept
            if died or not is_touch:
                return peer.answer(lines)
            died.append(certain_until(at))
            peer.kept.clear()
            for task in list(store.tasks):
                task.cancel()
            return Reply(0)

        store.answer = mortal
        async with at.forwarded():
            await until(lambda: bool(died), 150.0)
            await until(lambda: done(at), 120.0)

    assert died[0] > at.seq // 2, "nothing had counted as certain yet"
    assert peer.samples() == count


@pytest.mark.asyncio
@pytest.mark.timeout(200)
async def test_store_that_asks_for_a_pause_every_few_writes_gets_everything(tmp_path: Path, soon: None) -> None:
    """429 to each third write: the backlog drains, and hardly a line is sent twice."""
    async with fake_store() as store, many(tmp_path, store.url, DRIVES) as at:
        small_writes(at, 400)
        count = await record(at)

        def limited(lines: Sequence[str]) -> Reply:
            return Reply(429, "too many") if len(store.writes) % 3 == 0 else take_all(lines)

        store.answer = limited
        async with at.forwarded():
            await until(lambda: done(at), 50.0)

    taken = store.series(SAMPLES)
    assert len(set(taken)) == count
    assert len(taken) < 1.5 * count


@pytest.mark.asyncio
@pytest.mark.timeout(200)
async def test_live_lane_leaves_the_old_out_though_no_large_batch_is_ever_taken(tmp_path: Path, soon: None) -> None:
    """Every fourth write ends without an answer, so that no batch of many writes goes through whole."""
    async with fake_store() as store, many(tmp_path, store.url, DRIVES) as at:
        small_writes(at, 100)
        count = await record(at)
        store.answer = lambda lines: Reply(503, "busy") if len(store.writes) % 4 == 0 else take_all(lines)
        async with at.forwarded() as forwarding:
            await until(lambda: forwarding.status()["backlog"]["stretches"] == 1, 20.0)
            store.answer = take_all
            await until(lambda: done(at), 30.0)

    assert len(set(store.series(SAMPLES))) == count
