"""Lines that the store refuses, shown and sent again by the command, through a running watch."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Callable, Sequence
from contextlib import closing
from pathlib import Path

import pytest

from integration.site import Site, Watch, until
from nightrake.journal.reader import Reader
from peers.fakestore import Reply, fake_store, take_all
from peers.mosquitto import Mosquitto
from plc.fixtures import LibmodbusServer


def picky(lines: Sequence[str]) -> Reply:  # an `Answer`
    """Refuses the watch's start."""
    return Reply(400, "no such event") if any("event=started" in line for line in lines) else Reply()


async def command(folder: Path, *more: str) -> tuple[int, str]:
    """Exit code and output of `nightrake historian dead-letters`."""
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", "nightrake.cli", "historian", "dead-letters", "--config", str(folder), *more),
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.STDOUT,
    )
    out, _ = await process.communicate()
    return process.returncode or 0, out.decode()


def kept_letters(site: Site) -> int:
    """How many there are on disk."""
    with closing(Reader(site.state / "store.db")) as reader:
        return len(reader.letters_after(0, 10))


@pytest.mark.asyncio
@pytest.mark.timeout(60)
async def test_dead_letters_are_shown_and_sent_again(
    plc: LibmodbusServer, make_recorder: Callable[..., int], mosquitto: Mosquitto, tmp_path: Path
) -> None:
    """Refused with the store's words; refused again while the store says so; taken when it does; a sentence without a
    watch."""
    port = await asyncio.to_thread(make_recorder, plc.port)
    async with fake_store() as store:
        store.answer = picky
        watch = Watch(Site(tmp_path, [port], mosquitto.port, forward_url=store.url))
        await asyncio.to_thread(watch.start)
        try:
            await asyncio.to_thread(
                until, lambda: watch.status()["forward"]["dead_letters"] == 1, "a dead letter", 15.0
            )
            await asyncio.to_thread(until, lambda: kept_letters(watch.site) == 1, "it to be on disk")
            shown = await command(watch.site.folder)
            again = await command(watch.site.folder, "--retry")
            store.answer = take_all
            taken = await command(watch.site.folder, "--retry")
        finally:
            await asyncio.to_thread(watch.end)
        alone = await command(watch.site.folder, "--retry")

    assert shown[0] == 0
    assert "1 x the store says 400: no such event" in shown[1]
    assert again == (1, "0 taken by the store, 1 refused again.\n")
    assert taken[0] == 0
    assert taken[1].startswith("1 taken by the store, 0 refused again")
    assert sum("event=started" in line for line in store.taken) == 1
    assert alone[0] != 0
    assert "Traceback" not in alone[1]
