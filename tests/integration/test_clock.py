"""The clock set back an hour in mid-run: nothing overwritten, the order kept, both stores agree."""

from __future__ import annotations

import asyncio
from itertools import pairwise
from pathlib import Path

import pytest

from clocks import ManualClock
from integration.site import Site
from nightrake.clock import Segment
from nightrake.domain.inputs import BlockReply, Got, RawScan
from nightrake.domain.state import new_site
from nightrake.domain.tailcodec import unpack_scan
from nightrake.engine import Engine
from nightrake.forwarding import Forwarding
from nightrake.journal.chain import verify
from nightrake.journal.store import Store
from nightrake.polling import plan_of
from nightrake.settings import load
from peers.victoria import Victoria

SCANS = 40


@pytest.mark.asyncio
@pytest.mark.blocks("reads back from the store, blocking")
async def test_hour_back_overwrites_nothing_and_both_stores_agree(victoria: Victoria, tmp_path: Path) -> None:
    """Forty scans with forty different torques, an hour taken off the clock after the twentieth."""
    clock = ManualClock()
    settings = load(Site(tmp_path, [502], 1883, forward_url=victoria.url).folder)
    plan = plan_of(settings.site, "P0")
    store = Store.open(tmp_path / "state", now_utc_ms=clock.utc_ms())
    engine = Engine(
        new_site(settings.site),
        store,
        clock,
        epoch=store.epoch,
        next_seq=store.first_free_seq,
        last_hash=store.last_hash,
        next_input_seq=store.first_free_input_seq,
        segment=Segment("boot", clock.mono_ns(), clock.utc_ms(), True),
        trusted=clock.trusted,
        tellable=lambda: store.reserved_seq,
        tell=lambda row, durable: None,
        changed=lambda drives: None,
    )
    store.start(engine.durable, lambda up, detail: None)
    bits = next(i for i, b in enumerate(plan.blocks) if b.table.holds_bits)
    for n in range(SCANS):
        if n == SCANS // 2:
            clock.step_utc(-3600.0)
        clock.advance(1.0)
        engine.tick()
        data = (
            [(8_000 + 100 * n).to_bytes(2, "big"), b"\x07"] if bits else [b"\x07", (8_000 + 100 * n).to_bytes(2, "big")]
        )
        replies = tuple(BlockReply(i, Got.GOOD, d, clock.mono_ns()) for i, d in enumerate(data))
        engine.submit(RawScan("P0", plan, clock.mono_ns(), clock.utc_ms(), replies))
    assert await store.wait_durable(engine.last_seq, 5.0)

    forwarding = Forwarding(settings, store, clock, lambda: engine.last_input_seq, lambda up, detail: None)
    task = asyncio.create_task(forwarding.run())
    async with asyncio.timeout(15.0):
        while forwarding.status()["lag_rows"] or not forwarding.status()["up"]:  # noqa: ASYNC110  # it has no event
            await asyncio.sleep(0.05)
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    tail = [r for r in await store.tail_after(0, 5000) if r.kind == "scan"]
    rows = await store.rows_after(0, 5000)
    await store.close()
    far = victoria.export_until('nightrake_drive_position_mm{drive="D0"}', SCANS)

    here = [unpack_scan(r, plan).blocks[1 - bits].data for r in tail]
    values = [(int.from_bytes(d, "big") / 1000 - 4.0) / 16.0 * 25.0 for d in here]
    samples = next(iter(far.values()))
    assert len(tail) == SCANS
    assert any(b.utc_ms < a.utc_ms for a, b in pairwise(tail))
    assert [r.seq for r in tail] == sorted(r.seq for r in tail)
    assert verify(rows) == []
    assert sum(r.event == "clock_stepped" for r in rows) == 1
    assert [v for _, v in samples] == pytest.approx(values)
    assert len({stamp for stamp, _ in samples}) == SCANS
