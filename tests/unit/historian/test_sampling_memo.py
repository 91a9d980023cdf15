"""What is kept at hand of a point's values changes nothing: each scan gives what a sampler without a past gives."""

from __future__ import annotations

import random
import struct

import pytest

from nightrake.domain.inputs import BlockReply, Got, RawScan
from nightrake.domain.readplan import ReadPlan
from nightrake.domain.wiring import wire_site
from nightrake.historian.sampling import Sampler
from nightrake.polling import plan_of
from nightrake.settings import load
from shell.forward.plantless import CONFIG

SITE = load(CONFIG).site
WIRES = wire_site(SITE)


def scan_of(plan: ReadPlan, chance: random.Random) -> RawScan:
    """A scan of few different values, so that they come again; now and then a block fails or is not asked."""
    replies = []
    for number, block in enumerate(plan.blocks):
        if chance.random() < 0.1:
            continue
        if chance.random() < 0.1:
            replies.append(BlockReply(number, Got.NO_REPLY, b"", 0))
        elif block.table.holds_bits:
            replies.append(BlockReply(number, Got.GOOD, chance.randbytes((block.count + 7) // 8), 0))
        else:
            words = [chance.choice((0, 4_000, 8_000, 12_000, 16_000, 65_535)) for _ in range(block.count)]
            replies.append(BlockReply(number, Got.GOOD, struct.pack(f">{block.count}H", *words), 0))
    return RawScan(plan.endpoint, plan, 0, 0, tuple(replies))


@pytest.mark.parametrize("endpoint", list(SITE.endpoints))
@pytest.mark.parametrize("memo", [1, 3, 64])
def test_memo_changes_nothing(endpoint: str, memo: int) -> None:
    """Hundreds of scans by one sampler, each beside one by a new sampler."""
    plan, chance = plan_of(SITE, endpoint), random.Random(memo)
    kept = Sampler(plan, WIRES, memo)
    for _ in range(200):
        scan = scan_of(plan, chance)
        assert kept.texts(scan) == Sampler(plan, WIRES).texts(scan)


def test_reply_that_is_too_short_is_an_error_each_time() -> None:
    """It is not taken for what was read before, nor kept."""
    plan = plan_of(SITE, next(iter(SITE.endpoints)))
    number = next(n for n, block in enumerate(plan.blocks) if not block.table.holds_bits)
    sampler = Sampler(plan, WIRES)
    short = RawScan(plan.endpoint, plan, 0, 0, (BlockReply(number, Got.GOOD, b"", 0),))
    whole = bytes([16, 0]) * plan.blocks[number].count
    for _ in range(2):
        with pytest.raises((struct.error, IndexError)):
            sampler.texts(short)
        assert sampler.texts(RawScan(plan.endpoint, plan, 0, 0, (BlockReply(number, Got.GOOD, whole, 0),)))
