"""A poller through moments that could blind it: refusals, reloads in mid-connect, garbage, late replies, probes."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace

import pytest

from clocks import ManualClock
from nightrake.domain.inputs import Got
from nightrake.domain.readplan import make_plan
from nightrake.domain.site import PointSpec
from nightrake.errors import FieldError
from nightrake.field.probe import PROBES, REST, SILENT_IN_ALL, SILENT_PROBES, Probed, Probing, not_asked
from plc import rogue as ways
from plc.rogue import Request, Rogue, honest
from shell.field.running import MS, polling, word

POINTS = [word(n) for n in (10, 11, 12, 40)]


def refusing(*addresses: int) -> ways.Behaviour:
    """Exception 2 to whatever touches one of these."""
    return ways.mapped(*addresses)


@pytest.mark.asyncio
@pytest.mark.parametrize("code", [2, 3])
async def test_plc_that_refuses_everything_for_a_moment_is_read_at_once_when_it_is_well(
    rogue: Rogue, code: int
) -> None:
    """As during a download: it is asked on, so the first scan after it has everything, in the whole plan."""
    async with polling(rogue.own_port, *POINTS) as run:
        await run.until(lambda: Got.GOOD in run.outcomes())
        rogue.behave = ways.exception(code)
        begin = len(run.scans)
        await run.until(lambda: len(run.scans) >= begin + 12)
        refused = run.scans[-1]
        rogue.behave = honest
        begin = len(run.scans)
        await run.until(lambda: len(run.scans) >= begin + 3)

    assert {b.got for b in refused.blocks} == {Got.EXCEPTION}
    assert f"exception {code}" in refused.blocks[0].detail
    assert [b.got for b in run.scans[-1].blocks] == [Got.GOOD, Got.GOOD]
    assert run.scans[-1].plan.refused == ()
    assert run.links == [(True, "")]


@pytest.mark.asyncio
async def test_points_refused_for_a_moment_come_back_by_themselves(rogue: Rogue) -> None:
    """They are asked on their own beside the scans; meanwhile, and when they come back, the others lose no scan."""
    async with polling(rogue.own_port, *POINTS) as run:
        await run.until(lambda: Got.GOOD in run.outcomes())
        rogue.behave = refusing(10, 11, 12)
        await run.until(lambda: len(run.scans[-1].plan.refused) == 3)
        rogue.behave = honest
        begin = len(run.scans)
        await run.until(lambda: not run.scans[-1].plan.refused)
        await run.until(lambda: all(b.got is Got.GOOD for b in run.scans[-1].blocks))

    others = [b.got for s in run.scans[begin:] for b in s.blocks if s.plan.blocks[b.block].address == 40]
    assert set(others) == {Got.GOOD}
    assert [(b.address, b.count) for b in run.scans[-1].plan.blocks] == [(10, 3), (40, 1)]


@pytest.mark.asyncio
async def test_hole_that_stays_costs_its_neighbours_nothing(rogue: Rogue) -> None:
    """It is asked again on its own for as long as it is refused; no scan after the split has a bad block."""
    rogue.behave = refusing(11)
    async with polling(rogue.own_port, *POINTS) as run:
        await run.until(lambda: bool(run.scans and run.scans[-1].plan.refused))
        begin, asked = len(run.scans), len(rogue.requests)
        await run.until(lambda: sum(r.address <= 11 < r.address + r.length for r in rogue.requests[asked:]) >= 2)

    assert {b.got for s in run.scans[begin:] for b in s.blocks} == {Got.GOOD}
    assert {s.plan.layout for s in run.scans[begin:]} == {run.scans[-1].plan.layout}


@pytest.mark.asyncio
async def test_large_plc_that_refuses_for_a_moment_holds_nobody_up(rogue: Rogue) -> None:
    """Hundreds of blocks refused at once, some of them a little longer: the loop is not held (see the guards)."""
    points = [word(10 * n + k, period_ms=200) for n in range(190) for k in range(3)]
    async with polling(rogue.own_port, *points, timeout_ns=5_000 * MS) as run:
        await run.until(lambda: Got.GOOD in run.outcomes())
        for behave in (ways.exception(2), refusing(*range(950))):
            rogue.behave = behave
            begin = len(run.scans)
            await run.until(lambda begin=begin: len(run.scans) >= begin + 4)  # type: ignore[misc]
        rogue.behave = honest
        await run.until(
            lambda: len(run.scans[-1].blocks) == 190 and {b.got for b in run.scans[-1].blocks} == {Got.GOOD}
        )

    assert len({s.plan.layout for s in run.scans}) < 10
    assert run.links == [(True, "")]


@pytest.mark.asyncio
async def test_reload_of_something_else_forgets_no_hole(rogue: Rogue) -> None:
    """The PLC is asked the same as before: no scan shows its neighbours bad once more. Another PLC is asked anew."""
    rogue.behave = refusing(11)
    async with polling(rogue.own_port, *POINTS) as run:
        await run.until(lambda: bool(run.scans and run.scans[-1].plan.refused))
        begin = len(run.scans)
        run.poller.replace(replace(run.spec, unit_retry_ns=1_000 * MS), make_plan(run.spec, POINTS))
        await run.until(lambda: len(run.scans) >= begin + 3)
        assert {b.got for s in run.scans[begin:] for b in s.blocks} == {Got.GOOD}

        run.poller.replace(replace(run.spec, timeout_ns=90 * MS), make_plan(run.spec, POINTS))
        begin = len(run.scans)
        await run.until(lambda: len(run.scans) > begin)

    assert run.scans[begin].plan.refused == ()


@pytest.mark.asyncio
async def test_reload_in_mid_connect_gives_the_old_connection_up(rogue: Rogue) -> None:
    """The old PLC has not accepted yet when the settings name another: the new one is read, without waiting for it."""
    with socket.socket() as full, closing_all() as fill:
        full.bind(("127.0.0.1", 0))
        full.listen(0)
        for _ in range(3):  # its queue is full now: further connections wait to be accepted
            fill(full.getsockname()[1])
        async with polling(full.getsockname()[1], word(7), timeout_ns=60_000 * MS) as run:
            while run.poller.stats.connects == 0:  # noqa: ASYNC110  # the poller is another task of this loop
                await asyncio.sleep(0)
            spec = replace(run.spec, port=rogue.port)
            run.poller.replace(spec, make_plan(spec, [word(7)]))
            await run.until(lambda: run.outcomes()[-1:] == [Got.GOOD])
            begin = len(run.scans)
            await run.until(lambda: len(run.scans) >= begin + 5)

    assert set(run.outcomes()[begin:]) == {Got.GOOD}
    assert run.poller.stats.connects == 2


@contextmanager
def closing_all() -> Iterator[Callable[[int], None]]:
    """Gives a function that begins a connection to a port and leaves it; all are closed at the end."""
    with ExitStack() as stack:

        def begin(port: int) -> None:
            one = stack.enter_context(socket.socket())
            one.setblocking(False)
            one.connect_ex(("127.0.0.1", port))

        yield begin


@pytest.mark.asyncio
async def test_scan_begun_at_the_old_plc_is_not_given_out_for_the_new_one(rogue: Rogue) -> None:
    """A reload in mid-scan: what the old PLC had answered by then is nobody's reading."""
    new = Rogue(honest)
    await new.start()
    async with polling(rogue.own_port, word(7), word(50)) as run:
        await run.until(lambda: Got.GOOD in run.outcomes())
        held = asyncio.Event()

        async def second_hangs(request: Request) -> None:
            if request.address == 50:
                held.set()
                return
            await honest(request)

        rogue.behave = second_hangs
        await held.wait()
        spec = replace(run.spec, port=new.own_port)
        begin = len(run.scans)
        run.poller.replace(spec, make_plan(spec, [word(7), word(50)]))
        await run.until(lambda: len(run.scans) > begin and run.outcomes()[-1] is Got.GOOD)
    await new.stop()

    mixed = [s for s in run.scans[begin:] if len({b.got for b in s.blocks}) > 1]
    assert mixed == []


@pytest.mark.asyncio
async def test_server_that_only_sends_garbage_is_never_up_and_asked_less_and_less(rogue: Rogue) -> None:
    """Something else listens there: one word, with what came; a connection only after each longer back-off."""
    rogue.behave = ways.raw(b"HTTP/1.1 400 Bad Request\r\n\r\n")
    async with polling(rogue.own_port, word(7), backoff_max_ns=100_000 * MS) as run:
        await run.until(lambda: rogue.connections >= 4)
        spans = run.poller._connection._backoff_ns
        await run.until(lambda: len(run.scans) >= 20)

    assert [up for up, _ in run.links] == [False]
    assert "no Modbus/TCP frame" in run.links[0][1]
    assert spans >= 8 * 20 * MS
    late = [b.detail for s in run.scans[-5:] for b in s.blocks if b.got is Got.NO_CONNECTION]
    assert all("no Modbus/TCP frame" in text for text in late)


@pytest.mark.asyncio
async def test_link_that_flaps_is_told_once_and_then_counted(rogue: Rogue) -> None:
    """Good and garbage by turns: a few words, not one for each; the state has the count."""

    async def by_turns(request: Request) -> None:
        await (honest if request.number % 2 else ways.raw(b"garbage!"))(request)

    rogue.behave = by_turns
    async with polling(rogue.own_port, word(7), backoff_max_ns=20 * MS) as run:
        await run.until(lambda: run.poller._news.changes >= 20)
        state = run.poller.link_state

    assert len(run.links) <= 8
    assert "comes and goes" in run.links[-1][1]
    assert "20 changes" in state[1]


@pytest.mark.asyncio
async def test_device_slower_than_the_time_out_is_down_and_said_to_be_late(rogue: Rogue) -> None:
    """Late replies are not answers to anything: no going up and down with each of them."""
    late: set[asyncio.Task[None]] = set()

    async def tardy(request: Request) -> None:
        async def answer() -> None:
            await asyncio.sleep(0.12)
            if not request.writer.is_closing():
                await honest(request)

        late.add(asyncio.create_task(answer()))

    rogue.behave = tardy
    async with polling(rogue.own_port, word(7), timeout_ns=80 * MS) as run:
        await run.until(lambda: any("came late" in b.detail for s in run.scans for b in s.blocks))
        begin = len(run.scans)
        await run.until(lambda: len(run.scans) >= begin + 10)
    await asyncio.gather(*late)

    assert {g for g in run.outcomes() if g is not Got.NO_CONNECTION} == {Got.NO_REPLY}
    assert [up for up, _ in run.links] == [False]


@pytest.mark.asyncio
async def test_probes_of_a_silent_unit_leave_the_scans_their_turn(rogue: Rogue) -> None:
    """A crowd of callers: a few wait, the rest are declined; each probe gives a silent unit up after two requests."""

    async def one_dead(request: Request) -> None:
        if request.unit == 1:
            await honest(request)

    rogue.behave = one_dead
    async with polling(rogue.own_port, word(7), timeout_ns=40 * MS) as run:
        await run.until(lambda: Got.GOOD in run.outcomes())
        begin = len(run.scans)
        points = [word(n, 2) for n in range(60)]
        answers = await asyncio.gather(*(run.poller.probe(points) for _ in range(30)), return_exceptions=True)
        scans, probed = len(run.scans) - begin, [r for r in rogue.requests if r.unit == 2]

    declined = [a for a in answers if isinstance(a, FieldError)]
    given = [a for a in answers if isinstance(a, list)]
    assert (len(given), len(declined)) == (PROBES, 30 - PROBES)
    assert "try again" in str(declined[0])
    assert len(probed) == PROBES * SILENT_PROBES
    assert [p.got for a in given for p in a].count(Got.UNIT_SILENT) == PROBES * (60 - SILENT_PROBES)
    assert scans >= REST * len(probed)
    assert set(run.outcomes()[begin:]) == {Got.GOOD}


@pytest.mark.asyncio
async def test_probes_of_many_silent_units_are_soon_given_up(rogue: Rogue) -> None:
    """Two hundred wrong unit ids are a few time-outs, and the answer says what was not asked."""

    async def one_dead(request: Request) -> None:
        if request.unit == 1:
            await honest(request)

    rogue.behave = one_dead
    async with polling(rogue.own_port, word(7), timeout_ns=40 * MS) as run:
        await run.until(lambda: Got.GOOD in run.outcomes())
        probed = await run.poller.probe([word(1, unit) for unit in range(2, 202)])

    assert [p.got for p in probed] == [Got.NO_REPLY] * SILENT_IN_ALL + [Got.UNIT_SILENT] * (200 - SILENT_IN_ALL)
    assert "the scans come first" in probed[-1].detail
    assert sum(r.unit != 1 for r in rogue.requests) == SILENT_IN_ALL
    assert set(run.outcomes()) == {Got.GOOD}


@pytest.mark.asyncio
async def test_whoever_hangs_up_has_no_more_of_the_points_read(rogue: Rogue) -> None:
    """A client that is gone costs the scans at most the request that is on its way."""
    asked = asyncio.Event()

    async def slow(request: Request) -> None:
        if request.unit == 1:
            await honest(request)
        else:
            asked.set()

    rogue.behave = slow
    async with polling(rogue.own_port, word(7), timeout_ns=40 * MS) as run:
        await run.until(lambda: Got.GOOD in run.outcomes())
        caller = asyncio.create_task(run.poller.probe([word(n, 2) for n in range(60)]))
        await asked.wait()
        caller.cancel()
        begin = len(run.scans)
        await run.until(lambda: len(run.scans) >= begin + 3 * REST)

    assert caller.cancelled()
    assert sum(r.unit == 2 for r in rogue.requests) == 1


@pytest.mark.asyncio
async def test_silent_unit_probed_without_transaction_ids_tells_no_link_down(rogue: Rogue) -> None:
    """Its connection is made anew before the next scan: nobody is told of a PLC that is down, since it is not."""

    async def one_dead(request: Request) -> None:
        if request.unit == 1:
            await ways.altered(zero=True)(request)

    rogue.behave = one_dead
    async with polling(rogue.own_port, word(7, period_ms=200), transaction_zero_ok=True, backoff_max_ns=20 * MS) as run:
        await run.until(lambda: Got.GOOD in run.outcomes())
        await run.poller.probe([word(1, 2)])
        begin = len(run.scans)
        await run.until(lambda: len(run.scans) >= begin + 3)

    assert run.poller.stats.connects == 2
    assert run.links == [(True, "")]


@pytest.mark.asyncio
async def test_time_that_probes_take_from_the_scans_is_paid_back(manual_clock: ManualClock) -> None:
    """A request that went on for a second beyond its time keeps the next one waiting for nine."""
    probing = Probing("P", manual_clock.mono_ns, lambda: None)

    async def slow(point: PointSpec) -> Probed:
        manual_clock.advance(1.5)
        return not_asked(point, "slow")

    async def serve() -> None:
        await probing.serve(slow, manual_clock.mono_ns() + 500 * MS)

    gone = asyncio.create_task(probing.read([word(3)]))
    await asyncio.sleep(0)
    gone.cancel()
    await asyncio.gather(gone, return_exceptions=True)
    before_ns = manual_clock.mono_ns()
    await serve()
    assert manual_clock.mono_ns() == before_ns  # nobody wants it any more
    caller = asyncio.create_task(probing.read([word(1), word(2)]))
    await asyncio.sleep(0)
    await serve()
    await asyncio.sleep(0)
    begin_ns = manual_clock.mono_ns()
    while not caller.done():
        manual_clock.advance(0.25)
        await serve()
        await asyncio.sleep(0)
        await asyncio.sleep(0)

    assert (manual_clock.mono_ns() - begin_ns) / 1e9 == REST * 1.0 + 1.5
    assert [p.detail for p in caller.result()] == ["slow", "slow"]
