"""Read plans: fewest requests within the device's limits, never over a hole that nobody said is readable."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from nightrake.domain.readplan import also_read, make_plan, pieces_of, split
from nightrake.domain.site import EndpointSpec, Gap, PointSpec, Table, ValueType

ENDPOINT = EndpointSpec("P", "127.0.0.1", max_registers=16, max_bits=40)


def number(address: int, kind: ValueType = ValueType.UINT16, unit: int = 1) -> PointSpec:
    """A holding register value."""
    return PointSpec("P", unit, Table.HOLDING, address, kind)


points = st.sets(
    st.builds(
        PointSpec,
        st.just("P"),
        st.integers(1, 2),
        st.sampled_from(list(Table)),
        st.integers(0, 60),
        st.just(ValueType.BIT),
        period_ns=st.sampled_from([250, 1000]),
    )
    | st.builds(number, st.integers(0, 60), st.sampled_from([ValueType.UINT16, ValueType.FLOAT32])),
    min_size=1,
    max_size=30,
)


@given(points=points, most=st.integers(2, 16))
def test_every_point_lies_whole_in_a_block_within_the_limits(points: set[PointSpec], most: int) -> None:
    """Nothing is cut, nothing asked that no point uses, no request is too large."""
    plan = make_plan(EndpointSpec("P", "127.0.0.1", max_registers=most, max_bits=most), points)
    used: dict[int, set[int]] = {}
    for point in points:
        index, offset = plan.places[point]
        block = plan.blocks[index]
        assert (block.unit, block.table, block.period_ns) == (point.unit, point.table, point.period_ns)
        assert block.address + offset == point.address
        assert offset + point.words <= block.count <= most
        used.setdefault(index, set()).update(range(offset, offset + point.words))

    assert all(used[i] == set(range(b.count)) for i, b in enumerate(plan.blocks))


def test_gap_is_bridged_only_where_the_settings_say_so() -> None:
    """Some devices skip unmapped addresses and shift what follows."""
    two = [number(0), number(5)]
    gap = Gap(1, Table.HOLDING, 1, 4)

    assert len(make_plan(ENDPOINT, two).blocks) == 2
    assert len(make_plan(EndpointSpec("P", "h", readable_gaps=(gap,)), two).blocks) == 1
    assert len(make_plan(EndpointSpec("P", "h", readable_gaps=(gap._replace(last=3),)), two).blocks) == 2


def test_refused_block_is_split_once_and_a_refused_point_is_dropped() -> None:
    """After exception 2 each point is asked alone; the one that is refused again is named and no longer asked."""
    plan = make_plan(ENDPOINT, [number(n) for n in range(4)] + [number(9)])
    apart = split(plan, {plan.blocks[0]})
    without = split(apart, {apart.blocks[2]})

    assert [b.count for b in apart.blocks] == [1, 1, 1, 1, 1]
    assert apart.places[number(9)] == (4, 0)
    assert without.refused == (number(2),)
    assert without.places == {number(0): (0, 0), number(1): (1, 0), number(3): (2, 0), number(9): (3, 0)}
    assert len({plan.layout, apart.layout, without.layout}) == 3


@given(points=points, which=st.sets(st.integers(0, 200)))
def test_plan_without_many_blocks_is_the_one_of_leaving_them_out_one_by_one(
    points: set[PointSpec], which: set[int]
) -> None:
    """Built once or step by step, in the same order of requests, with the same points refused, under the same name."""
    plan = make_plan(ENDPOINT, points)
    pieces = pieces_of(plan)
    every = [b for block, some in pieces.items() for b in (block, *some)]
    refused = [b for n, b in enumerate(every) if n in which]
    slowly = plan
    for block in refused:
        parent = next((b for b, some in pieces.items() if block in some), block)
        if block in plan.blocks or parent in refused:
            slowly = split(slowly, {block})
    at_once = split(plan, refused)

    assert at_once.blocks == slowly.blocks
    assert at_once.places == slowly.places
    assert set(at_once.refused) == set(slowly.refused)
    assert at_once.layout == slowly.layout


def test_zero_witness_asks_for_the_others_of_its_unit() -> None:
    """Zeros of a fast block are checked against the unit's other witnesses in the same scan."""
    mine, other, far = number(0), number(20), number(40, unit=2)
    plan = make_plan(ENDPOINT, [mine, other, far], frozenset((mine, other, far)))
    at = {p: plan.places[p][0] for p in (mine, other, far)}

    assert also_read(plan, [at[mine]], [at[mine]]) == (at[other],)
    assert also_read(plan, [at[mine]], [at[mine], at[other]]) == ()
    assert also_read(plan, [], [at[mine]]) == ()
