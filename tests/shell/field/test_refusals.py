"""What is left of a plan when a device refuses parts of it, and how what it serves again comes back. Pure."""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightrake.domain.readplan import Block, ReadPlan, make_plan
from nightrake.domain.site import EndpointSpec, Table
from nightrake.field.refusals import ALONE, CHANGES, IN_A_ROW, WITHIN_NS, Refusals, without
from nightrake.field.schedule import Schedule
from shell.field.running import MS, word

SPEC = EndpointSpec("P", "h")
BASE = make_plan(SPEC, [word(n) for n in (10, 11, 12, 20, 21)])
FIRST, LAST = BASE.blocks
SECOND = 1_000 * MS


def single(address: int) -> Block:
    """The request for one register."""
    return Block(1, Table.HOLDING, address, 1, 30 * MS)


@given(st.permutations([FIRST, single(11), single(10), single(20), LAST]))
def test_what_is_left_does_not_hang_on_the_order(refused: list[Block]) -> None:
    """The same refusals give the same plan, under the same name in the store."""
    plan = without(BASE, refused)

    assert [(b.address, b.count) for b in plan.blocks] == [(12, 1), (21, 1)]
    assert {p.address for p in plan.refused} == {10, 11, 20}
    assert plan.layout == without(BASE, [FIRST, single(10), single(11), LAST, single(20)]).layout


class Device:
    """A PLC that refuses some blocks, scanned every half second and asked alone in between, as the poller does.

    Args:
        base: The plan. refuses: Whether it refuses a block, at a time in ns.
    """

    def __init__(self, base: ReadPlan, refuses: Callable[[Block, int], bool]) -> None:
        self.refusals = Refusals(base)
        self.refuses = refuses
        self.now_ns = 1_000 * SECOND
        self.alone: list[Block] = []
        self.layouts: list[str] = []

    def scan(self, count: int = 1) -> None:
        """Some scans, and what is asked after each."""
        for _ in range(count):
            self.now_ns += SECOND // 2
            blocks = self.refusals.plan.blocks
            refused = [b for b in blocks if self.refuses(b, self.now_ns)]
            self.refusals.learn(refused, [b for b in blocks if b not in refused], self.now_ns)
            self._beside()
            self.refusals.settle(self.now_ns)
            if self.refusals.plan.layout not in self.layouts[-1:]:
                self.layouts.append(self.refusals.plan.layout)

    def _beside(self) -> None:
        refused = 0
        for _ in range(100):
            block = self.refusals.next_block(self.now_ns)
            if block is None or refused == IN_A_ROW:
                return
            self.alone.append(block)
            self.now_ns += MS
            is_refused = self.refuses(block, self.now_ns)
            refused += is_refused
            self.refusals.asked(block, not is_refused, self.now_ns)

    def read(self) -> list[tuple[int, int]]:
        """What a scan asks."""
        return [(b.address, b.count) for b in self.refusals.plan.blocks]


def holes(*addresses: int) -> Callable[[Block, int], bool]:
    """Refuses whatever touches one of these."""
    return lambda block, now_ns: any(block.address <= a < block.address + block.count for a in addresses)


def test_plan_of_which_nothing_is_left_is_asked_on_as_it_was() -> None:
    """A PLC that refuses everything is asked everything: so it is heard at once when it is well."""
    device = Device(BASE, lambda block, now_ns: True)
    device.scan(20)
    assert device.refusals.plan is BASE

    device.refuses = holes()
    device.scan()

    assert not device.refusals
    assert len(device.layouts) == 1


def test_refusal_that_is_not_repeated_leaves_the_plan_alone() -> None:
    """One exception in a scan is one bad reading: asked again on its own the block is served, and that is all."""
    device = Device(BASE, lambda block, now_ns: block == FIRST and not device.alone)
    device.scan(3)

    assert device.alone == [FIRST]
    assert not device.refusals
    assert device.layouts == [BASE.layout]


def test_hole_is_found_beside_the_scans_and_left_out_at_once() -> None:
    """One scan shows it; after that one the rest of its block is read without it."""
    device = Device(BASE, holes(11))
    device.scan()

    assert device.read() == [(10, 1), (12, 1), (20, 2)]
    assert {p.address for p in device.refusals.plan.refused} == {11}
    assert device.alone == [FIRST] * ALONE + [single(n) for n in (10, 11, 12)]


def test_block_of_which_each_part_is_served_is_read_in_parts() -> None:
    """A device that gives one register a request refuses the whole and nothing of it."""
    device = Device(BASE, lambda block, now_ns: block.count > 2)
    device.scan(2)

    assert device.read() == [(10, 1), (11, 1), (12, 1), (20, 2)]
    assert device.refusals.plan.refused == ()


def test_refused_blocks_are_asked_again_in_turn_and_come_back_whole() -> None:
    """Each two seconds one; the whole block counts for its points; nothing else of the plan is touched."""
    device = Device(BASE, holes(11))
    device.scan()
    device.alone.clear()
    device.scan(16)
    assert [(b.address, b.count) for b in device.alone] == [(10, 3), (11, 1)] * 2
    assert len(device.layouts) == 1

    device.refuses = holes()
    device.scan(4)

    assert not device.refusals
    assert device.read() == [(10, 3), (20, 2)]


LARGE = make_plan(SPEC, [word(10 * n + k) for n in range(190) for k in range(3)])


def test_large_plc_that_is_well_again_is_read_whole_within_seconds() -> None:
    """Half of it was refused for minutes; once one block is served all the others are asked, and come back in bulk."""
    device = Device(LARGE, lambda block, now_ns: block.address >= 950)
    device.scan(240)
    assert len(device.read()) == 95
    plans = len(device.layouts)

    device.refuses = holes()
    device.scan(8)

    assert device.refusals.plan.blocks == LARGE.blocks
    assert len(device.layouts) <= plans + 2


def test_blocks_left_out_for_good_do_not_keep_others_from_coming_back() -> None:
    """A map with forty holes, and a moment in which a table is not served: what is new is asked again first."""
    lasting = holes(*(10 * n + 1 for n in range(40)))
    device = Device(LARGE, lasting)
    device.scan(240)
    whole = device.read()
    device.refuses = lambda block, now_ns: block.address >= 1500 or lasting(block, now_ns)
    device.scan(120)
    assert device.read() != whole

    device.refuses = lasting
    device.scan(20)

    assert device.read() == whole


def test_moment_that_ends_in_mid_scan_leaves_nothing_out() -> None:
    """What was refused while everything was is asked again before it is left out: it is well, and no plan is made."""
    device = Device(LARGE, lambda block, now_ns: True)
    device.scan(40)
    assert len(device.alone) > 300
    device.refusals.learn(LARGE.blocks[:95], LARGE.blocks[95:], device.now_ns + MS)
    device.refusals.settle(device.now_ns + MS)
    device.refuses = holes()
    device.scan(3)

    assert device.layouts == [LARGE.layout]
    assert not device.refusals


@pytest.mark.parametrize("share", [0.02, 0.3])
def test_refusals_at_random_make_few_plans(share: float) -> None:
    """Ten minutes of them: what is stored and laid out anew is bounded, and all of the PLC is read when it is over."""
    rng = random.Random(7)
    device = Device(LARGE, lambda block, now_ns: rng.random() < share)
    begin_ns = device.now_ns
    device.scan(1200)
    span_ns = device.now_ns - begin_ns
    made = len(set(device.layouts))

    device.refuses = holes()
    device.scan(40)

    assert made <= 2 * CHANGES * (span_ns // WITHIN_NS + 1)
    assert device.refusals.plan.blocks == LARGE.blocks


def test_new_connection_forgets_what_was_refused_but_not_which_plans_were_made() -> None:
    """A device that hangs up again and again makes no more plans; a hole that stays is left out each time at once."""
    device = Device(BASE, holes(11))
    for number in range(3 * CHANGES):
        device.scan()
        assert len(device.read()) == 3, number
        device.refusals.begin_anew()
        assert device.refusals.plan is BASE
    flapping = Device(LARGE, holes())
    for number in range(3 * CHANGES):
        flapping.refuses = holes(10 * number)
        flapping.scan()
        flapping.refusals.begin_anew()

    assert len(set(device.layouts)) == 1
    assert len(set(flapping.layouts)) == CHANGES + 1
    flapping.refuses = holes(10)  # as it was once before
    flapping.scan()
    assert {p.address for p in flapping.refusals.plan.refused} == {10}


def test_plan_that_was_empty_begins_now_and_has_missed_nothing() -> None:
    """A PLC without points gets some by a reload; and a period cut from a minute to 100 ms begins within 100 ms."""
    empty = make_plan(SPEC, [])
    schedule = Schedule(empty, 0)
    assert schedule.next_ns is None
    schedule.replan(make_plan(SPEC, [word(1, period_ms=60_000)]), 5_000_000 * MS)
    assert schedule.next_ns == 5_000_000 * MS
    assert schedule.take(5_000_001 * MS) == ([0], 0, 0)

    schedule.replan(make_plan(SPEC, [word(1, period_ms=100)]), 5_000_002 * MS)

    assert schedule.next_ns == 5_000_102 * MS
