"""A poller against servers that misbehave: a scan each period whatever happens, neighbours undisturbed."""

from __future__ import annotations

import asyncio
from itertools import pairwise

import pytest

from nightrake.domain.inputs import Got
from nightrake.domain.readplan import make_plan
from nightrake.domain.site import EndpointSpec
from nightrake.field.schedule import Schedule
from plc import rogue as ways
from plc.rogue import Request, Rogue
from shell.field.running import MS, polling, word


@pytest.mark.asyncio
async def test_plc_that_is_off_at_the_start_is_found_when_it_comes(free_port: int, rogue: Rogue) -> None:
    """Silence is a scan with bad quality; the connection is made when there is one to make."""
    await rogue.stop()
    async with polling(rogue.own_port, word(7)) as run:
        await run.until(lambda: len(run.scans) >= 3)
        assert set(run.outcomes()) == {Got.NO_CONNECTION}
        assert run.links[0][0] is False

        await rogue.start(rogue.own_port)

        await run.until(lambda: run.outcomes()[-1] is Got.GOOD)
        assert run.links[-1] == (True, "")
        assert run.scans[-1].blocks[0].data == bytes((0, 7))


@pytest.mark.asyncio
async def test_hang_up_and_silence_are_survived_with_one_connection_at_a_time(rogue: Rogue) -> None:
    """However it misbehaves, the PLC never sees a second connection of ours."""
    async with polling(rogue.own_port, word(7)) as run:
        await run.until(lambda: Got.GOOD in run.outcomes())
        for behave in (ways.reset_in_mid_frame, ways.silent, ways.raw(b"garbage garbage"), ways.reset_in_mid_frame):
            rogue.behave = behave
            begin = len(run.scans)
            await run.until(lambda begin=begin: any(g is not Got.GOOD for g in run.outcomes()[begin:]))  # type: ignore[misc]
            rogue.behave = ways.honest
            await run.until(lambda: run.outcomes()[-1] is Got.GOOD)

    assert rogue.most_at_once == 1
    assert rogue.connections >= 3


@pytest.mark.asyncio
async def test_silent_unit_leaves_its_neighbours_their_period(rogue: Rogue) -> None:
    """Behind a gateway one dead unit is tried now and then; the other goes on being read every period."""

    async def one_dead(request: Request) -> None:
        if request.unit != 2:
            await ways.honest(request)

    rogue.behave = one_dead
    async with polling(rogue.own_port, word(7, 1), word(8, 2), unit_retry_ns=300 * MS) as run:
        await run.until(lambda: len(run.scans) >= 40)
        outcomes = [{run.poller._plan.blocks[b.block].unit: b.got for b in s.blocks} for s in run.scans]
        rogue.behave = ways.honest
        await run.until(lambda: all(b.got is Got.GOOD for b in run.scans[-1].blocks))

    assert all(o[1] is Got.GOOD for o in outcomes)
    tried = [o[2] for o in outcomes].count(Got.NO_REPLY)
    assert 3 <= tried <= 12
    assert [o[2] for o in outcomes].count(Got.UNIT_SILENT) > 20


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("behave", "got"), [(ways.altered(unit=1), Got.WRONG_UNIT), (ways.altered(transaction=1), Got.WRONG_TRANSACTION)]
)
async def test_wrong_unit_and_transaction_cost_a_scan_one_time_out(
    rogue: Rogue, behave: ways.Behaviour, got: Got
) -> None:
    """The device answers, never to what was asked: of three blocks the first is waited for, all are told as that."""
    rogue.behave = behave
    async with polling(rogue.own_port, *(word(n) for n in (10, 300, 600)), timeout_ns=200 * MS) as run:
        await run.until(lambda: len(run.scans) >= 2)
        scans = [[b.got for b in scan.blocks] for scan in run.scans]
        requests = len(rogue.requests)

    assert scans[:2] == [[got] * 3] * 2
    assert requests <= 3


@pytest.mark.asyncio
async def test_refused_block_is_split_once_and_the_address_is_named(rogue: Rogue) -> None:
    """A hole in the map: the rest is read, the refused point is known, and nothing is shifted."""
    rogue.behave = ways.mapped(11)
    async with polling(rogue.own_port, *(word(n) for n in (10, 11, 12))) as run:
        await run.until(lambda: bool(run.scans and run.scans[-1].plan.refused))
        await run.until(lambda: len(run.scans[-1].blocks) == 2)
        last = run.scans[-1]

    refusals = {b.detail for s in run.scans for b in s.blocks if b.got is Got.EXCEPTION}
    assert refusals == {"exception 2 (illegal data address) at holding 10"}
    assert last.plan.refused == (word(11),)
    assert [b.data for b in last.blocks] == [bytes((0, 10)), bytes((0, 12))]


@pytest.mark.asyncio
@pytest.mark.parametrize(("limit", "requests"), [(1, 6), (16, 1)])
async def test_device_limits_are_kept(rogue: Rogue, limit: int, requests: int) -> None:
    """A device that gives one register, or sixteen, a request is asked for no more."""
    rogue.behave = ways.mapped(most=limit)
    async with polling(rogue.own_port, *(word(n) for n in range(6)), max_registers=limit) as run:
        await run.until(lambda: len(run.scans) >= 2)

    assert all(b.got is Got.GOOD for s in run.scans for b in s.blocks)
    assert len(run.scans[0].blocks) == requests


@pytest.mark.asyncio
async def test_gap_between_requests_is_kept(rogue: Rogue) -> None:
    """A gateway that needs 20 ms gets them."""
    stamps: list[float] = []

    async def timed(request: Request) -> None:
        stamps.append(asyncio.get_running_loop().time())
        await ways.honest(request)

    rogue.behave = timed
    async with polling(rogue.own_port, word(1), word(50), word(99), min_gap_ns=20 * MS) as run:
        await run.until(lambda: len(run.scans) >= 3)

    assert min(b - a for a, b in pairwise(stamps)) >= 0.0195


@pytest.mark.asyncio
async def test_probe_reads_single_points_between_scans(rogue: Rogue) -> None:
    """`check --live` goes over the connection that stands, and tells what the device echoed."""
    async with polling(rogue.own_port, word(7)) as run:
        await run.until(lambda: Got.GOOD in run.outcomes())

        (probed,) = await run.poller.probe([word(300, unit=4)])

    assert (probed.got, probed.data, probed.unit) == (Got.GOOD, bytes((1, 44)), 4)
    assert probed.transaction == probed.asked_transaction
    assert rogue.most_at_once == 1


@pytest.mark.asyncio
async def test_poller_ends_at_once_when_cancelled_in_a_silent_read(rogue: Rogue) -> None:
    """A stop does not wait for a PLC."""
    rogue.behave = ways.silent
    async with polling(rogue.own_port, word(7), timeout_ns=30_000 * MS):
        while not rogue.requests:  # noqa: ASYNC110  # the server is another task of this loop
            await asyncio.sleep(0.005)
    # leaving the block cancelled it; the guards would fail a task or socket left behind


def test_schedule_does_not_drift_and_skips_what_it_missed() -> None:
    """Due times stay on the grid; a late scan is counted, missed periods are counted and not made up for."""
    spec = EndpointSpec("P", "h")
    plan = make_plan(spec, [word(1, period_ms=100), word(50, period_ms=400)])
    schedule = Schedule(plan, 0)
    taken = [schedule.take(t * MS) for t in (3, 104, 201, 300, 401)]
    late = schedule.take(570 * MS)
    missed = schedule.take(985 * MS)

    assert [len(blocks) for blocks, _, _ in taken] == [2, 1, 1, 1, 2]
    assert [counts for _, *counts in taken] == [[0, 0]] * 5
    assert late[1:] == (1, 0)
    assert missed[2] == 3
    assert schedule.next_ns == 1000 * MS
