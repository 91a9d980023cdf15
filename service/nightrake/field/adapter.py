"""The one door to pymodbus: reads blocks, and cannot send anything else.

pymodbus gives the transport, the request bytes, transaction ids and the timeout. What came back is judged here, on the
raw frame and before the library decodes it, since the library takes replies with another function code, with too few
or too many values and with transaction id 0 for good.

Frame, Modbus Messaging on TCP/IP Implementation Guide V1.0b, section 3.1.3:
    transaction id (2) | protocol id = 0 (2) | length (2) | unit id (1) | function code (1) | data
"""

from __future__ import annotations

import asyncio
import logging
import os
import struct
from collections import deque
from typing import Any, NamedTuple

from pymodbus.client import AsyncModbusTcpClient
from pymodbus.exceptions import ConnectionException, ModbusException
from pymodbus.pdu import ModbusPDU
from pymodbus.pdu.bit_message import ReadCoilsRequest, ReadDiscreteInputsRequest
from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, ReadInputRegistersRequest

from nightrake.domain.inputs import NO_FRAME, Got
from nightrake.domain.readplan import Block
from nightrake.domain.site import EndpointSpec, Table
from nightrake.errors import FieldError

# One line per change of state is logged by the watch itself; the library logs every lost reply.
logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL)
logging.getLogger("pymodbus").setLevel(logging.CRITICAL)

READ_CODES = frozenset((1, 2, 3, 4))
HEADER = struct.Struct(">HHHBB")
MAX_LENGTH = 254
"""Largest value of the length field: unit id, function code and 252 bytes of data."""
UNANSWERED = 64
"""So many of the requests that went unanswered are remembered, to know a late reply by."""

EXCEPTIONS = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "device failure",
    5: "acknowledge, still busy",
    6: "device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target did not respond",
}
"""Exception codes, Modbus Application Protocol V1.1b3, section 7."""

_REQUESTS: dict[Table, type[ModbusPDU]] = {
    Table.COIL: ReadCoilsRequest,
    Table.DISCRETE: ReadDiscreteInputsRequest,
    Table.HOLDING: ReadHoldingRegistersRequest,
    Table.INPUT: ReadInputRegistersRequest,
}


class Reading(NamedTuple):
    """What came of one request.

    Attributes:
        got: Outcome.
        data: As in `inputs.BlockReply`; b"" unless good.
        detail: "" when good, else a few words naming what came back.
        code: Modbus exception code, 0 otherwise.
        unit, transaction: What the device echoed, -1 where nothing came. asked_transaction: what was asked.
    """

    got: Got
    data: bytes = b""
    detail: str = ""
    code: int = 0
    unit: int = -1
    transaction: int = -1
    asked_transaction: int = -1


class _Reply:
    """Takes the place of the library's decoded reply: only what its transaction manager looks at, and our verdict."""

    __slots__ = ("dev_id", "reading", "retries", "transaction_id")

    def __init__(self, unit: int, transaction: int, reading: Reading) -> None:
        self.dev_id = unit
        self.transaction_id = transaction
        self.retries = 0
        self.reading = reading


class _Gone(Exception):
    """The connection went away while a request waited."""


class ModbusLink:
    """One TCP connection to one PLC, one request at a time.

    Args:
        endpoint: Where, and what the device is allowed to do.
    """

    def __init__(self, endpoint: EndpointSpec) -> None:
        self._endpoint = endpoint
        self._silence = f"no reply within {endpoint.timeout_ns / 1e9:g} s"
        self._client = AsyncModbusTcpClient(
            endpoint.host,
            port=endpoint.port,
            name=endpoint.id,
            timeout=endpoint.timeout_ns / 1e9,
            retries=0,
            reconnect_delay=0,
            trace_packet=self._packet,
            trace_connect=self._connected,
        )
        self._create = self._client.ctx.call_create
        self._client.ctx.call_create = self._open
        self._why_not = ""
        self._requests: dict[Block, ModbusPDU] = {}
        self._asked: tuple[int, Block] | None = None
        self._unanswered: deque[int] = deque(maxlen=UNANSWERED)
        self._stray = ""
        self._stray_got = Got.NO_REPLY
        self._stray_ids = (-1, -1)

    @property
    def connected(self) -> bool:
        """Whether a connection stands, as far as the socket knows."""
        transport = self._client.ctx.transport
        return transport is not None and not transport.is_closing()

    async def connect(self) -> str:
        """Connect once.

        Returns:
            "" when connected, otherwise why not, in a few words.
        """
        place = f"{self._endpoint.host}:{self._endpoint.port}"
        self._why_not = f"no answer within {self._endpoint.timeout_ns / 1e9:g} s"
        try:
            made = await self._client.connect()
        except (OSError, ModbusException, TimeoutError) as error:
            return f"no connection to {place}: {error}"
        if not made:
            return f"no connection to {place}: {self._why_not}"
        if not self.connected:
            # The library puts a transport in place that was lost while it still waited for it, and would keep it.
            self._client.close()
            return hung_up(self._endpoint)
        return ""

    async def _open(self) -> Any:
        """Make the connection, and keep the reason why not, which the library only logs."""
        try:
            return await self._create()
        except OSError as error:
            known = error.errno is not None and error.errno > 0
            self._why_not = os.strerror(error.errno or 0) if known else error.strerror or str(error)
            raise

    def close(self) -> None:
        """Close the connection; a waiting request ends at once."""
        self._client.close()
        self._fail_waiting()

    async def read(self, block: Block) -> Reading:
        """Read one block.

        Args:
            block: What to ask.

        Returns:
            What came of it. Never raises for anything that a device or a network can do.

        Raises:
            FieldError: The block would need another function code than 1 to 4, or lies outside the protocol's limits.
            asyncio.CancelledError: Passed on.
        """
        if not self.connected:
            return Reading(Got.NO_CONNECTION, detail="not connected")
        request = self._request(block)
        self._stray, self._stray_got, self._stray_ids = "", Got.NO_REPLY, (-1, -1)
        self._asked = (block.unit, block)
        # The library hangs up after a few silent requests; when to begin anew is the poller's to say.
        self._client.ctx.count_until_disconnect = self._client.ctx.max_until_disconnect
        try:
            reply = await self._client.ctx.execute(False, request)
        except _Gone:
            return Reading(Got.NO_CONNECTION, detail="connection lost in mid-request")
        except ConnectionException:
            return Reading(Got.NO_CONNECTION, detail="not connected")
        except ModbusException:
            asked = request.transaction_id
            self._unanswered.append(asked)
            return Reading(
                self._stray_got, b"", self._stray or self._silence, 0, *self._stray_ids, asked_transaction=asked
            )
        except OSError as error:
            return Reading(Got.NO_CONNECTION, detail=f"connection lost: {error.strerror or error}")
        finally:
            self._asked = None
            # Before Python 3.12 wait_for loses a cancellation that comes together with the reply.
            task = asyncio.current_task()
            if task is not None and task.cancelling():
                raise asyncio.CancelledError
        assert isinstance(reply, _Reply)
        if reply.reading.got is Got.GARBAGE:
            self.close()
        return reply.reading

    def _request(self, block: Block) -> ModbusPDU:
        request = self._requests.get(block)
        if request is None:
            try:
                request = _REQUESTS[block.table](address=block.address, count=block.count, dev_id=block.unit)
                request.encode()
            except (ValueError, struct.error) as error:
                raise FieldError(f"{self._endpoint.id}: {block} cannot be asked: {error}") from error
            self._requests[block] = request
        return request

    # --- hooks of the library -----------------------------------------------------------------------------------------

    def _connected(self, up: bool) -> None:
        if not up:
            self._fail_waiting()

    def _fail_waiting(self) -> None:
        """The library would let a request wait out its timeout on a dead connection; end it now."""
        future = self._client.ctx.response_future
        if self._asked is not None and not future.done():
            future.set_exception(_Gone())

    def _packet(self, sending: bool, data: bytes) -> bytes:
        """Sees every packet before the library does."""
        if sending:
            if len(data) != 12 or data[7] not in READ_CODES:
                raise FieldError(f"{self._endpoint.id}: refused to send anything but a read (function codes 1 to 4)")
            return data
        reply = self._judge(data)
        future = self._client.ctx.response_future
        if reply is not None and self._asked is not None and not future.done():
            future.set_result(reply)
        return b""  # nothing is left for the library to decode

    def _judge(self, data: bytes) -> _Reply | None:
        """Find the reply in what has arrived since the request; None = not here yet."""
        if self._asked is None:
            return None
        unit, block = self._asked
        asked = self._client.ctx.request_transaction_id
        at = 0
        while len(data) - at >= 8:
            transaction, protocol, length, its_unit, code = HEADER.unpack_from(data, at)
            if protocol or not 3 <= length <= MAX_LENGTH:
                text = f"{NO_FRAME}: {data[at : at + 8].hex(' ')}"
                return _Reply(unit, asked, Reading(Got.GARBAGE, detail=text, asked_transaction=asked))
            end = at + 6 + length
            if end > len(data):
                return None
            zero_ok = transaction == 0 and self._endpoint.transaction_zero_ok
            if transaction != asked and not zero_ok:
                self._note_transaction(transaction, its_unit, asked)
            elif its_unit != unit:
                self._stray = f"asked unit {unit}, answered unit {its_unit}"
                self._stray_got, self._stray_ids = Got.WRONG_UNIT, (its_unit, transaction)
            else:
                got, payload, detail, exception = _verdict(block, code, data[at + 8 : end])
                reading = Reading(got, payload, detail, exception, its_unit, transaction, asked)
                return _Reply(unit, asked, reading)
            at = end
        return None

    def _note_transaction(self, transaction: int, unit: int, asked: int) -> None:
        """Another transaction id: perhaps a late reply to an earlier request, so the wait goes on."""
        if transaction in self._unanswered:
            # Slow is not wrong: to this request there is no reply, and the next one may be late as well.
            self._unanswered.remove(transaction)
            self._stray = f"{self._silence}; a reply to an earlier request came late"
            self._stray_got, self._stray_ids = Got.NO_REPLY, (unit, transaction)
            return
        self._stray = f"asked transaction {asked}, answered transaction {transaction}"
        self._stray_got, self._stray_ids = Got.WRONG_TRANSACTION, (unit, transaction)


def _verdict(block: Block, code: int, body: bytes) -> tuple[Got, bytes, str, int]:
    """Judge the reply to a block: its function code and `body`, what follows it."""
    function = block.table.function_code
    if code == function | 0x80:
        exception = body[0]
        words = EXCEPTIONS.get(exception, "unknown code")
        return Got.EXCEPTION, b"", f"exception {exception} ({words}) at {block.table} {block.address}", exception
    if code != function:
        return Got.WRONG_FUNCTION, b"", f"asked function {function}, answered function {code}", 0
    size = (block.count + 7) // 8 if block.table.holds_bits else 2 * block.count
    if body[0] != size or len(body) != size + 1:
        unit = "byte" if block.table.holds_bits else "register"
        asked, came = (size, len(body) - 1) if block.table.holds_bits else (block.count, (len(body) - 1) / 2)
        many = "" if asked == 1 else "s"
        of = " of bits" if block.table.holds_bits else ""
        return Got.WRONG_COUNT, b"", f"asked {asked} {unit}{many}{of}, answered {came:g}", 0
    data = body[1:]
    if block.table.holds_bits and block.count % 8:
        # What pads the last byte is the device's own; it is no contact.
        data = data[:-1] + bytes((data[-1] & (1 << block.count % 8) - 1,))
    return Got.GOOD, data, "", 0


def hung_up(endpoint: EndpointSpec) -> str:
    """What is said of a device that takes a connection and ends it before anything came over it."""
    return f"no connection to {endpoint.host}:{endpoint.port}: it hangs up before it answers; perhaps it serves no more"


async def open_link(endpoint: EndpointSpec) -> ModbusLink:
    """Connect for a single use.

    Raises:
        FieldError: No connection; says where and why.
    """
    link = ModbusLink(endpoint)
    try:
        problem = await link.connect()
    except asyncio.CancelledError:
        link.close()
        raise
    if problem:
        link.close()
        raise FieldError(f"PLC {endpoint.id}: {problem}")
    return link
