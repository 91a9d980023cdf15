"""What is left of a plan when a device refuses parts of it, and how what it serves again comes back. Pure."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from nightrake.domain.readplan import Block, make_plan
from nightrake.domain.site import EndpointSpec, Table
from nightrake.field.refusals import RETRY_NS, Refusals, without
from nightrake.field.schedule import Schedule
from shell.field.running import MS, word

SPEC = EndpointSpec("P", "h")
BASE = make_plan(SPEC, [word(n) for n in (10, 11, 12, 20, 21)])
FIRST, SECOND = BASE.blocks


def single(address: int) -> Block:
    """The request for one register."""
    return Block(1, Table.HOLDING, address, 1, 30 * MS)


@given(st.permutations([FIRST, single(11), single(10), single(20), SECOND]))
def test_what_is_left_does_not_hang_on_the_order(refused: list[Block]) -> None:
    """The same refusals give the same plan, under the same name in the store."""
    plan = without(BASE, refused)

    assert [(b.address, b.count) for b in plan.blocks] == [(12, 1), (21, 1)]
    assert {p.address for p in plan.refused} == {10, 11, 20}
    assert plan.layout == without(BASE, [FIRST, single(10), single(11), SECOND, single(20)]).layout


def test_plan_of_which_nothing_is_left_is_asked_on_as_it_was() -> None:
    """A PLC that refuses everything is asked everything: so it is heard at once when it is well."""
    refusals = Refusals(BASE)
    refusals.learn([FIRST, SECOND], [], 0)
    refusals.learn([single(n) for n in (10, 11, 12, 20, 21)], [], 0)
    assert refusals.plan is BASE

    refusals.learn([FIRST, SECOND], [], 0)
    assert refusals.plan is BASE
    refusals.learn([SECOND], [FIRST], 0)
    assert [(b.address, b.count) for b in refusals.plan.blocks] == [(10, 3)]


def test_refused_blocks_are_asked_again_in_turn_and_come_back_whole() -> None:
    """Each two seconds one; the whole block counts for its points; nothing else of the plan is touched."""
    refusals = Refusals(BASE)
    refusals.learn([FIRST], [], 0)
    refusals.learn([single(11)], [], 0)
    assert refusals.next_block(RETRY_NS - 1) is None

    now_ns, asked = RETRY_NS, []
    for _ in range(4):
        block = refusals.next_block(now_ns)
        assert block is not None
        asked.append((block.address, block.count))
        refusals.asked(block, False, now_ns)
        assert refusals.next_block(now_ns) is None
        now_ns += RETRY_NS
    refusals.asked(FIRST, True, now_ns)

    assert asked == [(10, 3), (11, 1)] * 2
    assert not refusals
    assert refusals.plan.blocks == BASE.blocks


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
