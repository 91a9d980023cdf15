"""The minimal latency script: poll one PLC, publish a contact's change. The baseline of `latency.py`.

latency_peer.py --plc PORT --mqtt PORT [--hz 20] [--seconds 20]
"""

from __future__ import annotations

import argparse
import asyncio

import aiomqtt
from pymodbus.client import AsyncModbusTcpClient


async def run(given: argparse.Namespace) -> None:
    """Poll without drift until the time is up."""
    loop = asyncio.get_running_loop()
    plc = AsyncModbusTcpClient("127.0.0.1", port=given.plc, timeout=1)
    assert await plc.connect()
    last: bool | None = None
    async with aiomqtt.Client("127.0.0.1", given.mqtt) as broker:
        due_s = loop.time()
        end_s = due_s + given.seconds
        while due_s < end_s:
            await asyncio.sleep(max(0.0, due_s - loop.time()))
            bit = (await plc.read_discrete_inputs(0, count=32, device_id=1)).bits[0]
            due_s += 1 / given.hz
            if last is not None and bit != last:
                await broker.publish("peer/contact", str(int(bit)), qos=1)
            last = bit
    plc.close()


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="The minimal latency script; see the module.")
    parser.add_argument("--plc", type=int, required=True)
    parser.add_argument("--mqtt", type=int, required=True)
    parser.add_argument("--hz", type=float, default=20.0)
    parser.add_argument("--seconds", type=float, default=20.0)
    asyncio.run(run(parser.parse_args()))
