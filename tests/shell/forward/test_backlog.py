"""After an outage of the store forwarded to: what is new goes first, what is old is caught up with beside it."""

from __future__ import annotations

import asyncio
import json
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import apsw
import pytest

from nightrake import forwardbacklog
from nightrake.domain.inputs import SettingsChanged
from nightrake.domain.tailcodec import to_record
from nightrake.forwardbacklog import CURSOR as BACKLOG
from nightrake.forwardbacklog import MOST, Backlog, Span
from nightrake.forwarding import RECORDS
from nightrake.forwardlanes import FAR_INPUTS, FAR_MS
from nightrake.historian.dating import Dating
from nightrake.historian.stamps import Stamps
from nightrake.keptsettings import keep_settings
from nightrake.workers import drawing as drawing_module
from nightrake.workers.drawing import Drawing
from peers.victoria import Victoria
from shell.forward.hourglass import Many, expected, held, many
from shell.forward.plantless import until
from shell.longterm.histories import forget_tail, seal

DRIVES = 16
SECONDS = (FAR_INPUTS + 2 * RECORDS) // 12 + FAR_MS // 1000
"""Far enough behind to be left to the backlog lane: two PLCs and ten ticks a second."""


def done(at: Many) -> bool:
    """Whether both lanes have sent everything."""
    status = at.forwarding.status()
    return int(status["lag_rows"]) + int(status["backlog"]["stretches"]) == 0


async def same_in(at: Many, store: Victoria, field: str = "power_kw") -> None:
    """Assert that the store holds every sample once, with its value."""
    wanted = await asyncio.to_thread(lambda: expected(at.settings, at.records(), field))
    counts = {drive: count for drive, (count, _) in wanted.items()}
    for _ in range(20):
        await asyncio.sleep(1.2)  # a store shows what is new after a moment
        found = await asyncio.to_thread(held, store.url, field, wanted)
        if {drive: count for drive, (count, _) in found.items()} == counts:
            break
    assert {drive: count for drive, (count, _) in found.items()} == counts
    assert found == wanted


@pytest.mark.asyncio
@pytest.mark.timeout(90)
@pytest.mark.parametrize("sealed", [False, True])
async def test_what_is_old_is_caught_up_with_beside_what_is_new(
    victoria: Victoria, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, sealed: bool
) -> None:
    """The backlog comes from the tail, and where that is gone from history; new samples do not wait for it."""
    monkeypatch.setattr(forwardbacklog, "RESEND_S", 1.0)
    monkeypatch.setattr(forwardbacklog, "SETTLE_S", 2.5)
    async with many(tmp_path, victoria.url, DRIVES) as at:
        begin_ms = at.clock.utc_ms() - SECONDS * 1000
        await at.record(begin_ms, SECONDS)
        await at.kept()
        if sealed:
            await asyncio.to_thread(seal, at.settings.store_dir)
            await asyncio.to_thread(forget_tail, at.settings.store_dir, at.seq - 100)
            at.store.set_cursor("history", at.store.epoch, at.seq)
            at.begin_at(1)
        async with at.forwarded() as forwarding:
            await until(lambda: forwarding.status()["backlog"]["stretches"] == 1, 30.0)
            await at.record(begin_ms + SECONDS * 1000, 5)
            await until(lambda: forwarding.status()["lag_rows"] == 0, 20.0)
            was_left = forwarding.status()["backlog"]["stretches"]
            await until(lambda: done(at), 40.0)
        await same_in(at, victoria)

    assert was_left == 1


@pytest.mark.asyncio
@pytest.mark.timeout(90)
async def test_clock_set_back_meanwhile_keeps_both_lanes_apart(
    victoria: Victoria, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ten minutes are lived through twice: what is new waits for what is old, and goes on above its stamps."""
    monkeypatch.setattr(forwardbacklog, "RESEND_S", 1.0)
    monkeypatch.setattr(forwardbacklog, "SETTLE_S", 2.5)
    async with many(tmp_path, victoria.url, DRIVES) as at:
        begin_ms = at.clock.utc_ms() - SECONDS * 1000
        await at.record(begin_ms, SECONDS)
        await at.record(begin_ms + SECONDS * 1000 - 600_000, 400)
        await at.kept()  # only what is on disk is left to the other lane
        async with at.forwarded() as forwarding:
            await until(lambda: forwarding.status()["backlog"]["stretches"] == 1, 30.0)
            held_back = forwarding.status()["backlog"]["holds"]
            await at.record(begin_ms + SECONDS * 1000 - 200_000, 5)
            await until(lambda: done(at), 40.0)
        await same_in(at, victoria)

    assert held_back


@pytest.mark.asyncio
@pytest.mark.timeout(60)
async def test_clock_set_back_a_little_makes_nobody_wait(
    victoria: Victoria, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Three seconds: the live lane begins above what they can have pushed on."""
    monkeypatch.setattr(forwardbacklog, "RESEND_S", 1.0)
    monkeypatch.setattr(forwardbacklog, "SETTLE_S", 2.5)
    async with many(tmp_path, victoria.url, DRIVES) as at:
        begin_ms = at.clock.utc_ms() - SECONDS * 1000
        await at.record(begin_ms, SECONDS - 10)
        await at.record(begin_ms + SECONDS * 1000 - 13_000, 10)
        await at.kept()
        async with at.forwarded() as forwarding:
            await until(lambda: forwarding.status()["backlog"]["stretches"] == 1, 10.0)
            held_back = forwarding.status()["backlog"]["holds"]
            await until(lambda: done(at), 15.0)
        await same_in(at, victoria)

    assert not held_back


@pytest.mark.asyncio
async def test_stretches_survive_a_restart_and_a_damaged_one_is_given_up(tmp_path: Path) -> None:
    """Kept as they were; one that the live lane has not left out after all is dropped; nonsense is told."""
    async with many(tmp_path, "http://127.0.0.1:1", 8) as at:
        at.seq = 100
        at.begin_at(60)
        for extra, count in (
            ([[10, 20, False, "0"], [30, 60, True, "0"]], 2),
            ([[10, 20, False, "0"], [30, 61, False, "0"]], 1),
            ([[10, 20, False, "nonsense"]], 0),
            ([[1]], 0),
            ("x", 0),
        ):
            at.store.set_cursor(BACKLOG, at.store.epoch, 10, json.dumps(extra))
            status = at.new_forwarding().status()["backlog"]
            assert (status["stretches"], status["holds"]) == (count, count == 2)
        at.store.set_cursor(BACKLOG, "another life", 10, json.dumps([[10, 20, False, "0"]]))
        assert at.new_forwarding().status()["backlog"]["stretches"] == 0
        assert [entry.data["where"] for entry in at.store.damage.news()] == [BACKLOG]


def test_more_stretches_than_are_told_apart_become_one(tmp_path: Path) -> None:
    """The last two are joined: what lies between is sent again, and nothing is left out."""

    async def go() -> list[Span]:
        async with many(tmp_path, "http://127.0.0.1:1", 8) as at:
            lane = Backlog(at.store, at.clock, lambda *_: None, lambda _: None)
            for n in range(MOST + 3):
                lane.leave_out(10 * n, 10 * n + 5, Stamps(), hold=n == MOST + 1)
            return Backlog(at.store, at.clock, lambda *_: None, lambda _: None)._spans

    spans = asyncio.run(go())
    assert len(spans) == MOST
    assert (spans[-1].from_seq, spans[-1].to_seq, spans[-1].hold) == (10 * (MOST - 1), 10 * (MOST + 2) + 5, True)
    assert spans[-2] == Span(10 * (MOST - 2), 10 * (MOST - 2) + 5, False, Stamps().kept)


@pytest.mark.asyncio
async def test_backlog_is_drawn_by_the_settings_of_then(tmp_path: Path) -> None:
    """A reload in the middle: lines before it carry the old site's name, lines after it the new one's."""
    async with many(tmp_path, "http://127.0.0.1:1", 8) as at:
        begin_ms = at.clock.utc_ms() - 60_000
        await at.record(begin_ms, 10)
        old = at.settings.site
        at.store.put_snapshot(0, begin_ms, json.dumps({"digest": old.digest}).encode())
        renamed = replace(old, id="renamed", digest="f" * 64)
        at.settings = replace(at.settings, digest="f" * 64, site=renamed, content="{}")
        keep_settings(at.store, at.settings, begin_ms)
        change = SettingsChanged(begin_ms * 1_000_000, begin_ms, renamed, at.settings.response)
        at.store.append((), {}, [to_record(at.seq + 1, change)])
        at.seq += 1
        await at.record(begin_ms + 10_000, 10)
        await at.kept()
        drawing = Drawing(at.settings.store_dir, at.seq, Dating((), ()), old, 5_000)
        drawing.begin(0, Stamps())
        chunk = drawing.chunk()
        assert chunk is not None
        assert drawing.chunk() is None
        drawing.close()

    names = [line.split(",")[1] for line in chunk.lines]
    assert names == 80 * ["site=many"] + 80 * ["site=renamed"]


@pytest.mark.asyncio
async def test_sealed_part_that_cannot_be_read_is_passed_over_and_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A damaged block: its cut is left out whole, named with its numbers, and what comes after it is sent."""
    monkeypatch.setattr(drawing_module, "TRY_S", 0.0)
    async with many(tmp_path, "http://127.0.0.1:1", 8) as at:
        await at.record(at.clock.utc_ms() // 3_600_000 * 3_600_000 - 3_610_000, 20)
        await at.kept()
        state = at.settings.store_dir
        assert await asyncio.to_thread(seal, state) == 2
        with closing(apsw.Connection(str(state / "history.db"))) as db:
            first = db.execute("select min(id) from block").fetchone()
            assert first is not None
            db.execute("update block set head = x'00' where id = ?", first)
        drawing = Drawing(state, at.seq, Dating((), ()), at.settings.site, 5_000)
        drawing.begin(0, Stamps())
        chunks = [chunk for chunk in iter(drawing.chunk, None) if chunk is not None]
        drawing.close()

    assert sum(len(chunk.lines) for chunk in chunks) == 80
    ((what, why), seqs) = next(iter(chunks[0].damaged.items()))
    assert what.startswith("sealed part of the record, from input 1 to")
    assert "cannot be read" in why
    assert seqs == [110]


@pytest.mark.asyncio
async def test_damaged_records_and_undated_ones_stay_here_and_are_named(tmp_path: Path) -> None:
    """A cut payload, an unknown read plan, a time that nobody knows: the rest is drawn."""
    async with many(tmp_path, "http://127.0.0.1:1", 8) as at:
        await at.record(at.clock.utc_ms() - 60_000, 2)
        scan = next(record for record in at.records() if record.kind == "scan")
        bad = [
            scan._replace(seq=at.seq + 1, payload=scan.payload[:-1]),
            scan._replace(seq=at.seq + 2, layout="unheard of"),
            scan._replace(seq=at.seq + 3, layout="unheard of"),
        ]
        at.store.append((), {}, bad)
        at.seq += 3
        await at.kept()
        segments = [("boot", 0, 1_000, False)]
        found = []
        for dating in (Dating((), ()), Dating(segments, [(1, "boot")])):
            drawing = Drawing(at.settings.store_dir, at.seq, dating, at.settings.site, 5_000)
            drawing.begin(0, Stamps())
            chunk = drawing.chunk()
            assert chunk is not None
            drawing.close()
            found.append(chunk)

    assert [(len(chunk.lines), chunk.undated) for chunk in found] == [(16, 0), (0, 3)]
    ((cut, first), (plan, second)) = found[0].damaged.items()
    assert (cut[0], first) == ("hot tail record", [at.seq - 2])
    assert "payload is cut" in cut[1]
    assert (plan[0], second) == ("hot tail record", [at.seq - 1, at.seq])
    assert "unheard of is missing" in plan[1]
