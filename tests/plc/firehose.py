"""A PLC port gone mad: whoever connects gets bytes without end, as fast as they are taken.

usage: firehose.py garbage|frames    prints its own port, serves until it is ended
garbage: no Modbus/TCP at all. frames: well-formed replies, none of which answers anything that was asked.
"""

from __future__ import annotations

import asyncio
import contextlib
import struct
import sys

STREAMS = {
    "garbage": b"\xa5" * 65536,
    # Transaction 0xFFFF, protocol 0, length 5, unit 1, function 4, two bytes: one register.
    "frames": struct.pack(">HHHBBBH", 0xFFFF, 0, 5, 1, 4, 2, 0x4242) * 6000,
}


async def _serve(data: bytes) -> None:
    async def on_client(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while True:
                writer.write(data)
                await writer.drain()
        except OSError:
            writer.transport.abort()

    server = await asyncio.start_server(on_client, "127.0.0.1", 0)
    print(server.sockets[0].getsockname()[1], flush=True)
    await asyncio.get_running_loop().create_future()


if __name__ == "__main__":
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(_serve(STREAMS[sys.argv[1]]))
