"""One request at a time against a server that misbehaves: each fault has a name, and no number comes of it."""

from __future__ import annotations

import asyncio
import random
import time
from dataclasses import replace
from typing import Any

import pytest

from nightrake.domain.inputs import Got
from nightrake.domain.readplan import Block
from nightrake.domain.site import EndpointSpec, Table
from nightrake.errors import FieldError
from nightrake.field.adapter import ModbusLink
from plc import rogue as ways
from plc.rogue import Request, Rogue

TIMEOUT_NS = 500_000_000
"""Long enough for a good reply on a busy machine."""
BLOCK = Block(1, Table.HOLDING, 40, 4, 0)
GOOD = bytes((0, 40, 0, 41, 0, 42, 0, 43))


async def linked(server: Rogue, *, zero_ok: bool = False, timeout_ns: int = TIMEOUT_NS) -> ModbusLink:
    """A link that is connected."""
    spec = EndpointSpec("P", "127.0.0.1", server.port, timeout_ns=timeout_ns, transaction_zero_ok=zero_ok)
    link = ModbusLink(spec)
    assert await link.connect() == ""
    return link


@pytest.mark.asyncio
@pytest.mark.parametrize("table", list(Table))
async def test_each_table_is_read_with_its_function_code(rogue: Rogue, table: Table) -> None:
    """Registers come as sent; of bits only those asked for, whatever the device pads with."""
    link = await linked(rogue)

    reading = await link.read(Block(1, table, 41, 3, 0))

    assert reading.got is Got.GOOD
    assert reading.data == (bytes((0b101,)) if table.holds_bits else bytes((0, 41, 0, 42, 0, 43)))
    assert rogue.requests[-1].function == table.function_code
    link.close()


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("behave", "got", "words"),
    [
        (ways.altered(count=-1), Got.WRONG_COUNT, "asked 4 registers, answered 3"),
        (ways.altered(count=1), Got.WRONG_COUNT, "asked 4 registers, answered 5"),
        (ways.altered(count=-4), Got.WRONG_COUNT, "asked 4 registers, answered 0"),
        (ways.altered(function=4), Got.WRONG_FUNCTION, "asked function 3, answered function 4"),
        (ways.altered(function=0x55), Got.WRONG_FUNCTION, "answered function 85"),
        (ways.altered(transaction=1), Got.WRONG_TRANSACTION, "answered transaction"),
        (ways.altered(zero=True), Got.WRONG_TRANSACTION, "answered transaction 0"),
        (ways.altered(unit=1), Got.WRONG_UNIT, "asked unit 1, answered unit 2"),
        (ways.altered(unit=-1), Got.WRONG_UNIT, "asked unit 1, answered unit 0"),
        (ways.raw(b"HTTP/1.1 400 Bad Request\r\n"), Got.GARBAGE, "no Modbus/TCP frame"),
        (ways.raw(b"\x00\x01\x00\x00\x00\x00\x01\x03"), Got.GARBAGE, "no Modbus/TCP frame"),
        (ways.silent, Got.NO_REPLY, "no reply within 0.5 s"),
        (ways.reset_in_mid_frame, Got.NO_CONNECTION, "connection lost"),
        *[(ways.exception(c), Got.EXCEPTION, f"exception {c} ") for c in (1, 2, 3, 4, 5, 6, 8, 10, 11)],
    ],
)
async def test_fault_has_its_name_and_gives_no_number(
    rogue: Rogue, behave: ways.Behaviour, got: Got, words: str
) -> None:
    """Each way of answering wrongly is told apart, names what came back, and the next good read is good."""
    link = await linked(rogue)
    rogue.behave = behave

    reading = await link.read(BLOCK)

    assert (reading.got, reading.data) == (got, b"")
    assert words in reading.detail
    rogue.behave = ways.honest
    if not link.connected:
        assert await link.connect() == ""
    assert (await link.read(BLOCK)).data == GOOD
    link.close()


@pytest.mark.asyncio
async def test_transaction_zero_is_taken_where_the_settings_allow_it(rogue: Rogue) -> None:
    """A device that zeroes the id can be used, on purpose only."""
    rogue.behave = ways.altered(zero=True)
    link = await linked(rogue, zero_ok=True)

    reading = await link.read(BLOCK)

    assert (reading.got, reading.data, reading.transaction) == (Got.GOOD, GOOD, 0)
    link.close()


@pytest.mark.asyncio
async def test_reply_in_single_bytes_is_put_together(rogue: Rogue) -> None:
    """A slow serial gateway sends as the bytes come in."""
    rogue.behave = ways.byte_by_byte
    link = await linked(rogue)

    assert (await link.read(BLOCK)).data == GOOD
    link.close()


@pytest.mark.asyncio
async def test_lost_connection_ends_the_wait_at_once(rogue: Rogue) -> None:
    """A connection that breaks in mid-request is no silence: it is known long before the time-out."""
    link = await linked(rogue, timeout_ns=10_000_000_000)
    rogue.behave = ways.reset_in_mid_frame
    begin = time.monotonic()

    reading = await link.read(BLOCK)

    assert reading.got is Got.NO_CONNECTION
    assert time.monotonic() - begin < 5.0
    link.close()


@pytest.mark.asyncio
async def test_late_replies_are_never_taken_for_the_next_one(rogue: Rogue) -> None:
    """Replies that come after their time-out, or glued to the next, give no wrong value in 400 rounds."""
    link = await linked(rogue, timeout_ns=4_000_000)
    chance = random.Random(3)
    late: set[asyncio.Task[None]] = set()

    async def tardy(request: Request) -> None:
        async def answer() -> None:
            await asyncio.sleep(chance.choice((0.0, 0.0, 0.003, 0.006, 0.009)))
            request.writer.write(ways.frame(request.transaction, request.unit, ways.values(request)))

        late.add(asyncio.create_task(answer()))

    rogue.behave = tardy
    wrong = good = 0
    for round_ in range(400):
        reading = await link.read(Block(1, Table.HOLDING, 1000 + round_, 1, 0))
        if reading.got is Got.GOOD:
            good += 1
            wrong += reading.data != (1000 + round_).to_bytes(2, "big")

    assert wrong == 0
    assert good > 50
    await asyncio.gather(*late)
    link.close()


@pytest.mark.asyncio
@pytest.mark.timeout(90)
async def test_ten_thousand_reads_each_get_their_own_value(rogue: Rogue) -> None:
    """On one connection, through the recorder: every value belongs to its own request."""
    link = await linked(rogue, timeout_ns=2_000_000_000)
    wrong = 0

    for n in range(10_000):
        reading = await link.read(Block(1 + n % 3, Table.HOLDING, n, 1, 0))
        wrong += reading.data != n.to_bytes(2, "big")
        rogue.requests.clear()

    assert wrong == 0
    link.close()


@pytest.mark.asyncio
async def test_cancelled_read_passes_on_and_the_next_is_right(rogue: Rogue) -> None:
    """Cancelling is no Modbus fault (up to pymodbus 3.15 it came out as one)."""
    link = await linked(rogue, timeout_ns=5_000_000_000)
    rogue.behave = ways.silent
    waiting = asyncio.create_task(link.read(BLOCK))
    while not rogue.requests:  # noqa: ASYNC110  # the server is another task of this loop
        await asyncio.sleep(0.001)

    waiting.cancel()
    with pytest.raises(asyncio.CancelledError):
        await waiting

    rogue.behave = ways.honest
    assert (await link.read(BLOCK)).data == GOOD
    link.close()


@pytest.mark.asyncio
async def test_cancellation_that_comes_with_the_reply_is_not_lost(rogue: Rogue) -> None:
    """A stop in the very turn of the loop in which the reply arrives still ends the read."""
    link = await linked(rogue, timeout_ns=2_000_000_000)
    lost = 0
    for _ in range(100):
        waiting = asyncio.create_task(link.read(BLOCK))
        while link._client.ctx.response_future.done() or link._asked is None:  # noqa: ASYNC110  # to the very turn
            await asyncio.sleep(0)
        while not link._client.ctx.response_future.done():  # noqa: ASYNC110  # to the very turn
            await asyncio.sleep(0)
        waiting.cancel()
        lost += not (await asyncio.gather(waiting, return_exceptions=True) and waiting.cancelled())

    assert lost == 0
    link.close()


@pytest.mark.asyncio
async def test_one_register_is_no_registers(rogue: Rogue) -> None:
    """Most points that `check --live` reads alone are one."""
    rogue.behave = ways.altered(count=1)
    link = await linked(rogue)

    assert (await link.read(Block(1, Table.HOLDING, 40, 1, 0))).detail == "asked 1 register, answered 2"
    link.close()


@pytest.mark.asyncio
async def test_nothing_but_reads_can_be_sent(rogue: Rogue) -> None:
    """Even the library's own write call does not get past the adapter."""
    link = await linked(rogue)

    for call in (link._client.write_register(1, 7), link._client.write_coil(1, True)):
        with pytest.raises(FieldError, match="anything but a read"):
            await call

    assert rogue.requests == []
    link.close()


@pytest.mark.asyncio
@pytest.mark.parametrize("block", [Block(1, Table.HOLDING, 0, 126, 0), Block(1, Table.COIL, 65535, 2001, 0)])
async def test_block_beyond_the_protocol_is_an_error_of_ours(rogue: Rogue, block: Block) -> None:
    """More than 125 registers or 2000 bits is a broken plan, not a bad reading."""
    link = await linked(rogue)

    with pytest.raises(FieldError, match="cannot be asked"):
        await link.read(block)
    link.close()


@pytest.mark.asyncio
async def test_first_connect_to_a_dead_port_says_why(free_port: int) -> None:
    """No connection is a sentence, not an exception."""
    link = ModbusLink(EndpointSpec("P", "127.0.0.1", free_port, timeout_ns=TIMEOUT_NS))

    assert await link.connect() == f"no connection to 127.0.0.1:{free_port}: Connection refused"
    assert (await link.read(BLOCK)).got is Got.NO_CONNECTION


@pytest.mark.asyncio
async def test_device_that_hangs_up_while_it_is_connected_to_is_not_silent(rogue: Rogue) -> None:
    """A gateway whose one connection is taken does this; the library would keep the dead connection for a good one."""
    link = ModbusLink(EndpointSpec("P", "127.0.0.1", rogue.port, timeout_ns=TIMEOUT_NS))
    create = link._create

    async def lost_meanwhile() -> Any:
        transport, protocol = await create()
        gone = asyncio.get_running_loop().create_future()
        lost = protocol.connection_lost

        def note(error: Exception | None) -> None:
            lost(error)
            gone.set_result(None)

        protocol.connection_lost = note
        transport.abort()
        await gone
        return transport, protocol

    link._create = lost_meanwhile

    problem = await link.connect()

    assert problem.startswith(f"no connection to 127.0.0.1:{rogue.port}: it hangs up before it answers")
    assert not link.connected
    assert (await link.read(BLOCK)).got is Got.NO_CONNECTION
    link.close()


@pytest.mark.asyncio
async def test_mutated_frames_give_no_wrong_number(rogue: Rogue) -> None:
    """300 seeded mutations of a good reply: good data or a named fault, and the link is good again within two reads.

    Six links side by side, told apart by their unit: a silent reply costs a whole timeout, and one that a busy machine
    cannot break by itself is long.
    """
    chance = random.Random(11)
    mutated: set[int] = set()  # units whose next reply is

    async def answer(request: Request) -> None:
        if request.unit not in mutated:
            await ways.honest(request)
            return
        data = bytearray(ways.frame(request.transaction, request.unit, ways.values(request)))
        for _ in range(chance.randint(1, 3)):
            where = chance.randrange(9)  # the header, function code and byte count; values have no check sum
            data[where] = chance.randrange(256)
        request.writer.write(bytes(data)[: chance.choice((len(data), len(data), chance.randrange(1, len(data))))])

    async def fifty(unit: int) -> None:
        block = replace(BLOCK, unit=unit)
        link = await linked(rogue, timeout_ns=300_000_000)
        try:
            for _ in range(50):
                if not link.connected:
                    assert await link.connect() == ""
                mutated.add(unit)
                reading = await link.read(block)
                assert reading.data == (GOOD if reading.got is Got.GOOD else b"")
                mutated.discard(unit)
                for _ in range(2):
                    if not link.connected:
                        assert await link.connect() == ""
                    reading = await link.read(block)
                assert reading.data == GOOD
        finally:
            link.close()

    rogue.behave = answer
    async with asyncio.TaskGroup() as group:
        for unit in range(1, 7):
            group.create_task(fifty(unit))
