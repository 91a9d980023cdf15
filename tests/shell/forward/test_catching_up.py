"""The process that catches up: what it is refused, what it is told, and how it looks through a stretch beforehand."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import psutil
import pytest

from nightrake import forwardbacklog
from nightrake.historian.dating import Dating
from nightrake.historian.split import Extent
from nightrake.workers.extent import extent_of
from peers.fakestore import FakeStore, Reply, fake_store, take_all
from shell.forward.hourglass import Many, many
from shell.forward.plantless import until
from shell.forward.test_backlog import done
from shell.longterm.histories import forget_tail, seal

DRIVES, SECONDS = 8, 500
TOKEN = "a-secret-that-nobody-may-read"


@pytest.fixture
def soon(monkeypatch: pytest.MonkeyPatch) -> None:
    """Far behind is some minutes, and certain is what was acknowledged a second ago."""
    monkeypatch.setattr("nightrake.forwardlanes.FAR_INPUTS", 1_000)
    monkeypatch.setattr("nightrake.forwardlanes.FAR_MS", 10_000)
    monkeypatch.setattr(forwardbacklog, "RESEND_S", 1.0)
    monkeypatch.setattr(forwardbacklog, "SETTLE_S", 0.2)


async def record(at: Many) -> int:
    """An outage's worth; gives how many samples it makes."""
    await at.record(at.clock.utc_ms() - SECONDS * 1000, SECONDS)
    return SECONDS * DRIVES


def samples(store: FakeStore) -> set[str]:
    """What it has taken of samples, each once."""
    return set(store.series("nightrake_drive,"))


@pytest.mark.asyncio
@pytest.mark.timeout(60)
async def test_line_refused_in_the_backlog_becomes_a_dead_letter(tmp_path: Path, soon: None) -> None:
    """The process tells the watch, which keeps it: one line, with the store's words, and all others arrive."""

    async with fake_store() as store, many(tmp_path, store.url, DRIVES) as at:
        count = await record(at)
        bad = f" {at.clock.utc_ms() // 1000 * 1000}"

        def picky(lines: Sequence[str]) -> Reply:
            return Reply(400, "not this one") if any(bad in line and "D0003" in line for line in lines) else Reply()

        stamps = sorted(r.utc_ms for r in at.records() if r.kind == "scan")
        bad = f" {stamps[-20]}"
        store.answer = picky
        async with at.forwarded() as forwarding:
            await until(lambda: forwarding.status()["backlog"]["stretches"] == 1, 20.0)
            await until(lambda: done(at), 20.0)
        letters = await at.store.letters_after(0, 10)

    assert len(samples(store)) == count - 1
    assert [(line.split(" ")[0].rpartition("drive=")[2], why) for _, _, line, why in letters] == [
        ("D0003", "the store says 400: not this one")
    ]


@pytest.mark.asyncio
@pytest.mark.timeout(60)
async def test_busy_store_is_waited_for_and_its_pause_obeyed(tmp_path: Path, soon: None) -> None:
    """503 to the backlog's first writes: nothing lost, said in the status; and a word to stop sends nothing more."""
    async with fake_store() as store, many(tmp_path, store.url, DRIVES) as at:
        count = await record(at)
        busy = [0]

        def sometimes(lines: Sequence[str]) -> Reply:
            if len(samples(store)) < count // 2 or busy[0] >= 4:
                return Reply()
            busy[0] += 1
            return Reply(503, "busy", (("Retry-After", "1"),))

        store.answer = sometimes
        async with at.forwarded() as forwarding:
            await until(lambda: done(at) and forwarding.status()["lines"] > 0, 40.0)

    assert busy[0] == 4
    assert len(samples(store)) == count


@pytest.mark.asyncio
@pytest.mark.timeout(60)
async def test_secret_stands_on_no_command_line_and_other_settings_begin_anew(tmp_path: Path, soon: None) -> None:
    """The token goes through the process's standard input; another address, and another process sends there."""
    (tmp_path / "token").write_text(TOKEN)
    async with fake_store() as first, fake_store() as second, many(tmp_path, first.url, DRIVES) as at:
        forward = at.settings.forward.model_copy(update={"token_file": str(tmp_path / "token")})
        at.settings = replace(at.settings, forward=forward)
        at.new_forwarding()
        count = await record(at)
        seen: list[list[str]] = []

        def busy(lines: Sequence[str]) -> Reply:
            if at.forwarding.status()["backlog"]["stretches"]:
                seen.extend(child.cmdline() for child in psutil.Process().children())
                return Reply(503, "busy")
            return take_all(lines)

        first.answer = busy
        async with at.forwarded() as forwarding:
            await until(lambda: any("nightrake.workers.forwarding" in line for line in seen), 20.0)
            elsewhere = forward.model_copy(update={"url": second.url})
            forwarding.settings_changed(replace(at.settings, forward=elsewhere))
            await until(lambda: done(at), 30.0)

    assert not any(TOKEN in word for line in seen for word in line)
    assert first.tokens | second.tokens == {f"Token {TOKEN}"}
    assert len(samples(first) | samples(second)) == count


@pytest.mark.asyncio
async def test_extent_is_the_same_sealed_or_not(tmp_path: Path) -> None:
    """Of a stretch, whatever part of it is in blocks; a stretch within it spans less."""
    async with many(tmp_path, "http://127.0.0.1:1", 16) as at:
        begin_ms = at.clock.utc_ms() // 3_600_000 * 3_600_000 - 3_600_000
        await at.record(begin_ms, 60)
        await at.kept()
        state, dating = at.settings.store_dir, Dating((), ())
        before = extent_of(state, 0, at.seq, dating)
        part = extent_of(state, 120, 240, dating)
        await asyncio.to_thread(seal, state)
        await asyncio.to_thread(forget_tail, state, at.seq - 50)
        after = extent_of(state, 0, at.seq, dating)
        used = extent_of(state, 0, at.seq, dating, begin_ms + 2_000)

    assert before == after == Extent(begin_ms, begin_ms + 59_500, 0, 0)
    assert part == Extent(begin_ms + 10_000, begin_ms + 19_500, 0, 0)
    assert (used.back_ms, used.again) == (2_000, 0), "time has come past what was used since"
