"""The naive peer: what an integrator would script in an afternoon. The baseline of `scan_capacity.py`.

One loop over all drives, eight to a connection. For each drive and scan: three reads (contact, contact, position; no
coalescing), position to torque, one synchronous point write, one QoS 1 publish when a value changed. It runs flat out.

    naive_peer.py --plc PORT --store URL --mqtt PORT [--drives 40] [--seconds 5] [--no-mqtt]

Prints: drive-scans wall_s cpu_s publishes errors
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import time

import aiomqtt
from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write.point import Point
from influxdb_client.client.write_api import SYNCHRONOUS
from pymodbus.client import AsyncModbusTcpClient

DRIVES_PER_PLC = 8
FULL_SCALE_MM = 25.0
NM_PER_MM = 1600.0


async def run(given: argparse.Namespace) -> None:
    """Poll, convert, write and publish until the time is up."""
    count = -(-given.drives // DRIVES_PER_PLC)
    plcs = [AsyncModbusTcpClient("127.0.0.1", port=given.plc, timeout=2) for _ in range(count)]
    for plc in plcs:
        assert await plc.connect()
    last: dict[int, tuple[bool, bool, int]] = {}
    scans = publishes = errors = 0
    async with contextlib.AsyncExitStack() as stack:
        store = stack.enter_context(InfluxDBClient(url=given.store, token="unused", org="-"))
        writer = stack.enter_context(store.write_api(write_options=SYNCHRONOUS))
        broker = None if given.no_mqtt else await stack.enter_async_context(aiomqtt.Client("127.0.0.1", given.mqtt))
        begin_s, begin_cpu_s = time.monotonic(), time.process_time()
        while time.monotonic() - begin_s < given.seconds:
            for drive in range(given.drives):
                plc, place = plcs[drive // DRIVES_PER_PLC], drive % DRIVES_PER_PLC
                alarm = await plc.read_discrete_inputs(4 * place, count=1, device_id=1)
                shutdown = await plc.read_discrete_inputs(4 * place + 1, count=1, device_id=1)
                position = await plc.read_input_registers(2 * place, count=1, device_id=1)
                if alarm.isError() or shutdown.isError() or position.isError():
                    errors += 1
                    continue
                values = (alarm.bits[0], shutdown.bits[0], position.registers[0])
                position_mm = (values[2] - 4000) / 16000 * FULL_SCALE_MM
                torque_nm = 8000.0 + position_mm * NM_PER_MM
                name = f"drive{drive:03d}"
                point = Point("drive").tag("drive", name).field("position", position_mm).field("torque", torque_nm)
                writer.write("plant", record=point.field("alarm", values[0]).field("shutdown", values[1]))
                if broker is not None and last.get(drive) != values:
                    await broker.publish(f"plant/{name}/torque", f"{torque_nm:.1f}", qos=1)
                    publishes += 1
                last[drive] = values
                scans += 1
        wall_s, cpu_s = time.monotonic() - begin_s, time.process_time() - begin_cpu_s
    for plc in plcs:
        plc.close()
    print(f"{scans} {wall_s:.4f} {cpu_s:.4f} {publishes} {errors}")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="The naive peer; see the module.")
    parser.add_argument("--plc", type=int, required=True)
    parser.add_argument("--store", required=True)
    parser.add_argument("--mqtt", type=int, required=True)
    parser.add_argument("--drives", type=int, default=40)
    parser.add_argument("--seconds", type=float, default=5.0)
    parser.add_argument("--no-mqtt", action="store_true")
    asyncio.run(run(parser.parse_args()))
