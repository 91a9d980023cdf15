"""A store that dies and has forgotten what it acknowledged: whoever is the first to find the connection dead, the
question for a probe or a line that is refused, everything that was forgotten is sent again."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from nightrake.forwardmarks import RESEND_NS
from peers.fakestore import FakeStore, Reply, fake_store
from shell.forward.plantless import Site, still_site, until

SAMPLES, PROBES = "nightrake_drive,", "nightrake_probe,"
SECOND = 1_000_000_000


class Forgetful:
    """A fake store that can be read back, and can die.

    Attributes:
        store: The store. asked: How often it was.
    """

    def __init__(self, store: FakeStore) -> None:
        self.store, self.asked = store, 0
        store.form = "application/stream+json"
        store.page = self.page

    def page(self, path: str, body: str) -> str | None:
        """What it holds of probes."""
        if not path.startswith("/api/v1/export"):
            return None
        self.asked += 1
        probes = sorted(set(self.store.series(PROBES)))
        pairs = [(int(p.rsplit(" ", 1)[1]), float(p.split("number=")[1].split(" ")[0])) for p in probes]
        return json.dumps({"metric": {}, "timestamps": [ms for ms, _ in pairs], "values": [v for _, v in pairs]})

    def forget(self, keep: int) -> None:
        """All but the first lines, as a kill -9 does; whoever stands before it keeps the connections."""
        del self.store.taken[keep:]

    async def die(self, keep: int) -> None:
        """The same, and the connections end."""
        self.forget(keep)
        ended = list(self.store.tasks)
        for task in ended:
            task.cancel()
        await until(lambda: not any(task in self.store.tasks for task in ended))

    def samples(self) -> int:
        """How many samples it holds, each counted once."""
        return len(set(self.store.series(SAMPLES)))


@asynccontextmanager
async def watched(folder: Path) -> AsyncIterator[tuple[Site, Forgetful]]:
    """Forwarding to a forgetful store."""
    async with fake_store() as store, still_site(folder, store.url) as at, at.forwarded():
        yield at, Forgetful(store)


async def send(at: Site, count: int = 5) -> int:
    """Scans, sent and acknowledged; gives how many samples they are."""
    samples = at.scans(count)
    await until(lambda: at.forwarding.status()["lag_rows"] == 0)
    return samples


async def later(at: Site, true: Callable[[], bool], step_ns: int = SECOND // 2) -> None:
    """Wait, while the monotonic clock makes a step every 10 ms, and stands still else."""

    def look() -> bool:
        at.clock.ahead_ns += step_ns
        return true()

    await until(look)


async def probe_written(at: Site, peer: Forgetful) -> None:
    """Until the next probe is out and has not been looked for."""
    before = len(peer.store.series(PROBES))
    await later(at, lambda: len(peer.store.series(PROBES)) > before)


async def letters(at: Site, count: int) -> None:
    """Until so many dead letters are on disk."""
    async with asyncio.timeout(10.0):
        while len(await at.store.letters_after(0, 10)) != count:  # noqa: ASYNC110
            await asyncio.sleep(0.01)


@pytest.mark.asyncio
async def test_death_that_the_question_for_a_probe_finds_first_loses_nothing(tmp_path: Path) -> None:
    """The line is there, what came after it is forgotten; the question needs a new connection, and the next write does
    not take that for the one that it had."""
    async with watched(tmp_path) as (at, peer):
        wanted = await send(at)
        await probe_written(at, peer)
        keep = len(peer.store.taken)
        wanted += await send(at)
        await peer.die(keep)
        asked, writes = peer.asked, len(peer.store.writes)
        await later(at, lambda: peer.asked > asked)
        assert len(peer.store.writes) == writes, "it is to be asked before anything is written"
        wanted += await send(at, 1)
        await until(lambda: peer.samples() == wanted)


@pytest.mark.asyncio
async def test_probe_that_is_not_there_sends_again_what_was_written_beside_it(tmp_path: Path) -> None:
    """A proxy keeps our connection while the store behind it dies: no write finds anything, and the probe is gone."""
    async with watched(tmp_path) as (at, peer):
        wanted = await send(at)
        keep = len(peer.store.taken)
        await probe_written(at, peer)
        wanted += await send(at)
        peer.forget(keep)
        await later(at, lambda: peer.samples() == wanted)

        assert [up for up, _ in at.links] == [True]


@pytest.mark.asyncio
async def test_death_that_a_refused_line_finds_first_loses_nothing(tmp_path: Path) -> None:
    """The write that needs the new connection is refused, halved, and its good lines are taken."""
    async with watched(tmp_path) as (at, peer):
        wanted = await send(at)
        refused: list[str] = []

        def picky(lines: Sequence[str]) -> Reply:
            if not refused:
                refused.extend(line for line in lines[:1] if line.startswith(SAMPLES))
            return Reply(400, "not this one") if set(lines) & set(refused) else Reply()

        peer.store.answer = picky
        await peer.die(0)
        wanted += await send(at) - 1
        await until(lambda: peer.samples() == wanted)
        await letters(at, 1)


async def put_letter(at: Site) -> str:
    """A line that was refused once; gives it."""
    line = f"{SAMPLES}drive=PC9 x=1.0 {at.utc_ms}"
    at.store.put_dead_letter(at.utc_ms, line, "400: for no reason")
    await letters(at, 1)
    return line


@pytest.mark.asyncio
async def test_death_that_a_dead_letter_finds_first_loses_nothing(tmp_path: Path) -> None:
    """The letter is sent again for itself; what was forgotten beside it comes again as well."""
    async with watched(tmp_path) as (at, peer):
        wanted = await send(at) + 1
        await put_letter(at)
        await peer.die(0)
        assert (await at.forwarding.retry_letters())["taken"] == 1
        await until(lambda: peer.samples() == wanted)


@pytest.mark.asyncio
async def test_letter_that_was_taken_stays_until_a_write_shows_that_the_store_lives(tmp_path: Path) -> None:
    """Forgotten in a death behind which nothing was written: the letter is not given up for taken."""
    async with watched(tmp_path) as (at, peer):
        await send(at)
        at.clock.ahead_ns += 6 * SECOND
        line = await put_letter(at)
        await at.forwarding.retry_letters()
        due_ns = at.clock.mono_ns() + RESEND_NS + SECOND
        await later(at, lambda: bool(peer.store.series(PROBES)), SECOND // 20)
        peer.store.taken.remove(line)
        await peer.die(len(peer.store.taken))
        before, asked = len(peer.store.taken), peer.asked
        await later(at, lambda: peer.asked > asked, SECOND // 20)
        at.clock.ahead_ns += max(0, due_ns - at.clock.mono_ns())
        await until(lambda: line in peer.store.taken)
        assert peer.store.taken[before] == line, "a probe would have found it too"
        await letters(at, 1)

        await at.forwarding.retry_letters()
        at.clock.ahead_ns += RESEND_NS + SECOND
        await letters(at, 0)


@pytest.mark.asyncio
@pytest.mark.timeout(60)
async def test_store_slower_than_we_think_gets_again_what_it_has_forgotten(tmp_path: Path) -> None:
    """It forgets a minute and a half, where half a minute is sent again: the last probes are gone, the third is not."""
    async with watched(tmp_path) as (at, peer):
        wanted, keeps = 0, []
        for _ in range(6):
            wanted += await send(at)
            await probe_written(at, peer)
            asked = peer.asked
            wanted += await send(at)
            await later(at, lambda asked=asked: peer.asked > asked)  # type: ignore[misc]
            keeps.append(len(peer.store.taken))
        old = set(peer.store.taken[: len(at.drives())])
        await peer.die(keeps[2])
        before = len(peer.store.writes)
        wanted += await send(at, 1)
        await until(lambda: peer.samples() == wanted)

    again = {line for lines in peer.store.writes[before:] for line in lines}
    assert not again & old, "what the store has kept for long is not sent again"
