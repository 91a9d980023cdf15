"""A line written and read back: a store that acknowledges and keeps nothing, one that keeps twice, one that is mute."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from nightrake.cli.forwardcheck import forward_doubts
from nightrake.historian.readback import Kept, Probe, ReadBack
from nightrake.historian.sending import Sender, StoreTarget, Verdict
from nightrake.settings import load
from peers.fakestore import FakeStore, fake_store
from peers.victoria import Victoria
from shell.forward.plantless import CONFIG, Site, site, until

SAMPLES = "nightrake_drive,"
DROP_ALL = '- action: drop\n  source_labels: [__name__]\n  regex: ".*"\n'
"""Relabelling rules of VictoriaMetrics: it says 204 to everything, and keeps nothing."""
DEDUP = "-dedup.minScrapeInterval=1ms"


async def look(url: str) -> tuple[Kept, str]:
    """What is found of a probe in a store, and how it was asked."""
    target = StoreTarget(url, "-", "bucket", 5.0)
    sender, back = Sender(target), ReadBack(target)
    probe = Probe("fennmark", 7, time.time_ns() // 1_000_000)
    try:
        assert (await sender.send(probe.lines())).verdict is Verdict.TAKEN
        for _ in range(8):
            await asyncio.sleep(1.5)
            kept = await back.look(sender, probe)
            if kept is not Kept.NOT:
                break
        return kept, back.way
    finally:
        sender.close()


@pytest.mark.asyncio
@pytest.mark.timeout(60)
@pytest.mark.parametrize(("flags", "kept"), [((DEDUP,), Kept.ONCE), ((), Kept.TWICE), (("drop",), Kept.NOT)])
async def test_victoriametrics_is_read_back(
    make_victoria: Callable[..., Victoria], tmp_path: Path, flags: tuple[str, ...], kept: Kept
) -> None:
    """With its deduplication, without, and told to drop everything, which it answers with 204."""
    if flags == ("drop",):
        rules = tmp_path / "rules.yml"
        rules.write_text(DROP_ALL)
        flags = (f"-relabelConfig={rules}",)
    store = make_victoria(*flags)
    store.start()

    assert await look(store.url) == (kept, "/api/v1/export")


def flux(store: FakeStore, rows: int) -> Callable[[str, str], str | None]:
    """A store that takes Flux queries, as InfluxDB 2 answers them (form of the answer from memory): annotated CSV."""

    def page(path: str, body: str) -> str | None:
        if not path.startswith("/api/v2/query"):
            return None
        assert 'from(bucket: "bucket") |> range(start: time(v: ' in body
        head = "#group,false\r\n,result,table,_start,_stop,_time,_value,_field,_measurement,site\r\n"
        row = ",_result,0,a,b,c,7,number,nightrake_probe,fennmark\r\n"
        return head + rows * row + "\r\n" if rows else "\r\n"

    return page


@pytest.mark.asyncio
@pytest.mark.parametrize(("rows", "kept"), [(1, Kept.ONCE), (0, Kept.NOT)])
async def test_store_that_takes_flux_is_read_back(rows: int, kept: Kept) -> None:
    """By a query for the one line."""
    async with fake_store() as store:
        store.page = flux(store, rows)
        target = StoreTarget(store.url, "-", "bucket", 2.0)
        sender, back = Sender(target), ReadBack(target)
        found = await back.look(sender, Probe("fennmark", 7, 1_790_000_000_000))
        sender.close()

    assert (found, back.way) == (kept, "/api/v2/query")


@pytest.mark.asyncio
@pytest.mark.parametrize("page", ["<html>Log in</html>", "[1, 2]", "", "_value\r\nx\r\n", None])
async def test_page_that_is_no_answer_is_no_reading_back(page: str | None) -> None:
    """Nothing is concluded from a page of somebody else's: the store cannot be read back."""
    async with fake_store() as store:
        store.page, store.form = (lambda path, body: page), "text/html"
        target = StoreTarget(store.url, "-", "bucket", 2.0)
        sender, back = Sender(target), ReadBack(target)
        found = [await back.look(sender, Probe("fennmark", 7, 1_790_000_000_000))]
        store.form = "application/stream+json"
        found.append(await back.look(sender, Probe("fennmark", 7, 1_790_000_000_000)))
        sender.close()

    assert found[0] is Kept.UNKNOWN
    assert found[1] is (Kept.NOT if page == "" else Kept.UNKNOWN)


class Keeper:
    """A fake store's export of what it was given, if it keeps anything."""

    def __init__(self, store: FakeStore) -> None:
        self.store, self.keeps = store, False
        store.form = "application/stream+json"
        store.page = self.page

    def page(self, path: str, body: str) -> str | None:
        """What it holds of probes."""
        if not path.startswith("/api/v1/export"):
            return None
        probes = sorted(set(self.store.series("nightrake_probe,"))) if self.keeps else []
        pairs = [(int(p.rsplit(" ", 1)[1]), float(p.split("number=")[1].split(" ")[0])) for p in probes]
        return json.dumps({"metric": {}, "timestamps": [ms for ms, _ in pairs], "values": [v for _, v in pairs]})


async def until_later(at: Site, true: Callable[[], bool]) -> None:
    """Poll, while the monotonic clock goes twenty times as fast."""

    def look() -> bool:
        at.clock.ahead_ns += 200_000_000
        return true()

    await until(look)


@pytest.mark.asyncio
async def test_store_that_keeps_nothing_is_told_and_gets_everything_when_it_does(tmp_path: Path) -> None:
    """204 to everything, and no line is ever there: the link is down in words, and what was sent is sent again."""
    async with fake_store() as store, site(tmp_path, store.url) as at, at.forwarded() as forwarding:
        keeper = Keeper(store)
        at.scans(10)
        await until_later(at, lambda: bool(at.links) and not at.links[-1][0])
        words = at.links[-1][1]
        store.taken = []
        at.scans(10)
        keeper.keeps = True
        await until_later(at, lambda: at.links[-1][0] and forwarding.status()["lag_rows"] == 0)
        status = forwarding.status()

    assert store.url in words
    assert "keeps nothing of it" in words
    assert len(set(store.series(SAMPLES))) == 20 * len(at.drives())
    assert status["probe"] == {"read_back": "once", "by": "/api/v1/export"}
    assert status["dead_letters"] == 0


@pytest.mark.asyncio
async def test_store_that_cannot_be_read_back_is_only_said(tmp_path: Path) -> None:
    """It may well keep everything: the link stays up, the status says what is not known."""
    async with fake_store() as store, site(tmp_path, store.url) as at, at.forwarded() as forwarding:
        at.scans(10)
        await until_later(at, lambda: forwarding.status()["probe"]["read_back"] != "")

    assert forwarding.status()["probe"] == {"read_back": "unknown", "by": ""}
    assert [up for up, _ in at.links] == [True]


@pytest.mark.timeout(60)
@pytest.mark.blocks("a command: it has no event loop of its own")
@pytest.mark.parametrize(("flag", "words"), [(DEDUP, ""), ("", "switch on its deduplication"), ("none", "reached")])
def test_check_live_says_what_the_store_does(make_victoria: Callable[..., Victoria], flag: str, words: str) -> None:
    """A sentence where what comes twice is kept twice, or nobody answers; none where all is well."""
    store = make_victoria(*filter(lambda f: f and f != "none", [flag]))
    if flag != "none":
        store.start()
    settings = load(CONFIG, {"forward.enabled": True, "forward.url": store.url})
    found = list(forward_doubts(settings))

    assert len(found) == (1 if words else 0)
    assert all(words in doubt and store.url in doubt for doubt in found)


def test_check_live_asks_nobody_while_nothing_is_forwarded() -> None:
    """No store is needed then."""
    assert list(forward_doubts(load(CONFIG))) == []
