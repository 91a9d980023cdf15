"""A slow, lossy line in front of a PLC: a TCP proxy, in a process of its own, that delays what passes.

usage: slowline.py PLC_PORT SEED    prints its own port, serves until it is ended
Each piece takes 100 to 200 ms each way, in order, as TCP delivers it. One in ten is "lost" once: it comes the time of
a retransmission (`LOST_S`) later, and everything behind it waits.
"""

from __future__ import annotations

import asyncio
import contextlib
import random
import sys

DELAY_S = (0.1, 0.2)
LOST_S = 0.8
LOST_SHARE = 0.1


async def _pump(reader: asyncio.StreamReader, writer: asyncio.StreamWriter, chance: random.Random) -> None:
    """Pass pieces on late: each is held for its own delay, counted from when it came, and none overtakes."""
    loop = asyncio.get_running_loop()
    held: asyncio.Queue[tuple[float, bytes]] = asyncio.Queue(1000)

    async def deliver() -> None:
        while True:
            due_s, data = await held.get()
            await asyncio.sleep(max(0.0, due_s - loop.time()))
            writer.write(data)
            if not data:
                writer.close()
                return

    task = asyncio.create_task(deliver())
    try:
        while True:
            data = await reader.read(65536)
            lost_s = LOST_S if chance.random() < LOST_SHARE else 0.0
            await held.put((loop.time() + chance.uniform(*DELAY_S) + lost_s, data))
            if not data:
                break
        await task
    except OSError:
        task.cancel()
        writer.close()


async def _serve(plc_port: int, seed: int) -> None:
    chance = random.Random(seed)

    async def on_client(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            plc_reader, plc_writer = await asyncio.open_connection("127.0.0.1", plc_port)
        except OSError:
            writer.transport.abort()
            return
        await asyncio.gather(_pump(reader, plc_writer, chance), _pump(plc_reader, writer, chance))

    server = await asyncio.start_server(on_client, "127.0.0.1", 0)
    print(server.sockets[0].getsockname()[1], flush=True)
    await asyncio.get_running_loop().create_future()


if __name__ == "__main__":
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(_serve(int(sys.argv[1]), int(sys.argv[2])))
