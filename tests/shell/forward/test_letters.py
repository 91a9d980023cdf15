"""Dead letters: shown by the store's words, sent again on demand, dropped when the store is certain to have them."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from nightrake.cli.historian_letters import letter_lines, retried_text
from nightrake.errors import StoreError
from nightrake.forwardmarks import RESEND_NS
from peers.fakestore import Reply, fake_store, take_all
from shell.forward.plantless import Site, site, until

SAMPLES = "nightrake_drive,"


def picky(lines: Sequence[str]) -> Reply:  # an `Answer`
    """Refuses what is about PC2."""
    return Reply(400, "no such drive PC2\x1b[2J") if any("drive=PC2" in line for line in lines) else Reply()


async def shown(at: Site) -> list[str]:
    """What the command prints."""
    return await asyncio.to_thread(lambda: list(letter_lines(at.settings)))


async def letters(at: Site) -> int:
    """How many there are on disk."""
    return len(await at.store.letters_after(0, 1000))


async def refuse_some(at: Site, scans: int) -> None:
    """Scans of which the lines about PC2 are refused."""
    at.scans(scans)
    at.store.put_dead_letter(at.utc_ms, "hot tail record 7", "damaged: ValueError: payload is cut")
    await until(lambda: at.forwarding.status()["lag_rows"] == 0)
    async with asyncio.timeout(5.0):
        while await letters(at) < scans + 1:  # noqa: ASYNC110
            await asyncio.sleep(0.02)


@pytest.mark.asyncio
async def test_refused_lines_are_sent_again_and_dropped_when_certain(tmp_path: Path) -> None:
    """Taken ones stay for half a minute, since a store that is killed forgets; what is damaged here stays for good."""
    async with fake_store() as store, site(tmp_path, store.url) as at, at.forwarded() as forwarding:
        store.answer = picky
        await refuse_some(at, 3)
        before = await shown(at)
        assert await forwarding.retry_letters() == {"taken": 0, "refused": 3, "no_lines": 1}
        store.answer = take_all
        counts = await forwarding.retry_letters()
        assert await letters(at) == 4
        at.clock.ahead_ns += RESEND_NS + 1_000_000_000
        async with asyncio.timeout(5.0):
            while await letters(at) > 1:  # noqa: ASYNC110
                await asyncio.sleep(0.02)
        after = await shown(at)

    assert counts == {"taken": 3, "refused": 0, "no_lines": 1}
    assert len({line for line in store.series(SAMPLES) if "drive=PC2" in line}) == 3
    assert before[0].startswith("4 dead letters")
    assert "3 x the store says 400: no such drive PC2?[2J" in before
    assert after[0].startswith("1 dead letters")
    assert "1 x damaged: ValueError: payload is cut" in after


@pytest.mark.asyncio
async def test_loss_of_the_connection_keeps_letters_that_were_just_taken(tmp_path: Path) -> None:
    """The store may have forgotten them: they stay, and can be sent once more."""
    async with fake_store() as store, site(tmp_path, store.url) as at, at.forwarded() as forwarding:
        store.answer = picky
        await refuse_some(at, 2)
        store.answer = take_all
        assert (await forwarding.retry_letters())["taken"] == 2
        store.answer = lambda lines: Reply(503)
        at.scans(1)
        await at.link(False)
        store.answer = take_all
        at.scans(1)
        await at.link(True)
        at.clock.ahead_ns += 2 * RESEND_NS
        at.scans(1)
        await until(lambda: forwarding.status()["lag_rows"] == 0)

        assert await letters(at) == 3


@pytest.mark.asyncio
async def test_line_that_is_refused_again_and_again_is_one_letter(tmp_path: Path) -> None:
    """After a lost connection the last half minute comes again, refused lines included."""
    async with fake_store() as store, site(tmp_path, store.url) as at:
        store.answer = picky
        for _ in range(3):
            at.new_forwarding()
            async with at.forwarded():
                await refuse_some(at, 1) if not await letters(at) else at.scans(1)
                await until(lambda: at.forwarding.status()["lag_rows"] == 0)
        async with asyncio.timeout(10.0):
            while await letters(at) < 4:  # noqa: ASYNC110
                await asyncio.sleep(0.02)
        at.happen(1)
        assert await at.store.wait_durable(1, 5.0)  # and with it everything that was handed over before

        assert await letters(at) == 4  # three scans, and the damaged record


@pytest.mark.asyncio
async def test_nothing_can_be_sent_again_while_nothing_is_forwarded(tmp_path: Path) -> None:
    """A sentence with the setting; and the command says that there are none."""
    async with site(tmp_path, "http://127.0.0.1:1") as at:
        forward = at.settings.forward.model_copy(update={"enabled": False})
        at.settings = replace(at.settings, forward=forward)
        with pytest.raises(StoreError, match="forward"):
            await at.new_forwarding().retry_letters()
        assert (await shown(at))[0].startswith("No dead letters")


def test_sentence_on_what_came_of_it() -> None:
    """Counts, and what happens to those taken."""
    assert "3 taken by the store, 0 refused again; those taken are dropped" in retried_text(
        {"taken": 3, "refused": 0, "no_lines": 0}
    )
    assert "2 refused again, 1 cannot be sent" in retried_text({"taken": 0, "refused": 2, "no_lines": 1})
