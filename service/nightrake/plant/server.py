"""Modbus/TCP, read only: function codes 1 to 4; everything else is refused with exception 1 and said aloud.

Modbus Application Protocol V1.1b3: exception 2 outside the map, 3 for a count that the device does not give, 6 busy,
0x0B no such unit behind the gateway.
"""

from __future__ import annotations

import asyncio
import struct
import sys
import time
from collections import Counter

from nightrake.plant.fennmark import Plant, Plc

TABLES = {1: "coil", 2: "discrete", 3: "holding", 4: "input"}


def answer(plant: Plant, plc: Plc, unit: int, pdu: bytes) -> bytes:
    """The reply to one request, without the header."""
    function = pdu[0]
    table = TABLES.get(function)
    if table is None:
        return bytes((function | 0x80, 1))
    if len(pdu) != 5:
        return bytes((function | 0x80, 3))
    if unit not in plc.units:
        return bytes((function | 0x80, 0x0B))
    address, count = struct.unpack(">HH", pdu[1:])
    bits = function in (1, 2)
    if not 1 <= count <= (2000 if bits else plc.max_registers):
        return bytes((function | 0x80, 3))
    served = plant.bits(plc.id, unit, table) if bits else plant.registers(plc.id, unit, table)
    if any(address + i not in served for i in range(count)):
        return bytes((function | 0x80, 2))
    zero = time.monotonic() < plc.zero_until_s
    values = [0 if zero else served[address + i] for i in range(count)]
    if bits:
        packed = sum(v << i for i, v in enumerate(values)).to_bytes((count + 7) // 8, "little")
        return bytes((function, len(packed))) + packed
    return bytes((function, 2 * count)) + struct.pack(f">{count}H", *values)


class PlcServer:
    """Serves one PLC on a port of 127.0.0.1.

    Args:
        plant: What is served. plc: Which PLC.
    """

    def __init__(self, plant: Plant, plc: Plc) -> None:
        self._plant = plant
        self._plc = plc
        self._server: asyncio.Server | None = None
        self._writers: set[asyncio.StreamWriter] = set()
        self._port = 0
        self.functions: Counter[int] = Counter()

    async def start(self, port: int) -> int:
        """Listen; gives the port (0 asks for a free one)."""
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", port)
        self._port = int(self._server.sockets[0].getsockname()[1])
        return self._port

    async def stop(self) -> None:
        """Stop listening and drop every connection."""
        if self._server is not None:
            self._server.close()
        for writer in list(self._writers):
            writer.close()
        await asyncio.sleep(0)

    async def vanish(self, seconds: float) -> None:
        """Be gone for a while, port and connections."""
        await self.stop()
        await asyncio.sleep(seconds)
        await self.start(self._port)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if self._plc.one_client and self._writers:
            writer.close()
            return
        self._writers.add(writer)
        last_s = 0.0
        try:
            while True:
                head = await reader.readexactly(7)
                transaction, protocol, length, unit = struct.unpack(">HHHB", head)
                if protocol or not 2 <= length <= 254:
                    return
                pdu = await reader.readexactly(length - 1)
                self.functions[pdu[0]] += 1
                if pdu[0] not in TABLES:
                    print(f"{self._plc.id}: refused function code {pdu[0]}", file=sys.stderr, flush=True)
                now_s = time.monotonic()
                early = self._plc.min_gap_s and now_s - last_s < 0.9 * self._plc.min_gap_s
                reply = bytes((pdu[0] | 0x80, 6)) if early else answer(self._plant, self._plc, unit, pdu)
                last_s = now_s
                if self._plc.gone:
                    continue
                writer.write(struct.pack(">HHHB", transaction, 0, len(reply) + 1, unit) + reply)
                await writer.drain()
        except (asyncio.IncompleteReadError, ConnectionError):
            return
        finally:
            self._writers.discard(writer)
            writer.close()
