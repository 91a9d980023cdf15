"""Requests per second of the Modbus layer with all its guards, beside a C client in the same call.

modbus_layer.py [--connections 50] [--seconds 2] [--runs 5]
modbus_layer.py --measure PORT ...      one measurement in this process; prints requests wall_s cpu_s errors
"""

from __future__ import annotations

import argparse
import asyncio
import statistics
import time

from nightrake.domain.inputs import Got
from nightrake.domain.readplan import Block
from nightrake.domain.site import EndpointSpec, Table
from nightrake.field.adapter import ModbusLink
from stand import Stand, Verdicts

GOALS = {"asyncio": 0.17, "uvloop": 0.33}
BLOCKS = (
    Block(unit=1, table=Table.DISCRETE, address=0, count=32, period_ns=100_000_000),
    Block(unit=1, table=Table.INPUT, address=0, count=17, period_ns=100_000_000),
)


async def measure(port: int, connections: int, seconds: float) -> str:
    """Read both blocks in turn on every connection, as fast as it goes."""
    links = [ModbusLink(EndpointSpec(f"P{i}", "127.0.0.1", port)) for i in range(connections)]
    for link in links:
        trouble = await link.connect()
        assert not trouble, trouble
    begin_s, begin_cpu_s = time.monotonic(), time.process_time()
    counts = await asyncio.gather(*(read_on(link, begin_s + seconds) for link in links))
    wall_s, cpu_s = time.monotonic() - begin_s, time.process_time() - begin_cpu_s
    for link in links:
        link.close()
    return f"{sum(c[0] for c in counts)} {wall_s:.4f} {cpu_s:.4f} {sum(c[1] for c in counts)}"


async def read_on(link: ModbusLink, end_s: float) -> tuple[int, int]:
    """Requests and errors of one connection."""
    requests = errors = 0
    while time.monotonic() < end_s:
        for block in BLOCKS:
            reading = await link.read(block)
            requests += 1
            errors += reading.got is not Got.GOOD
    return requests, errors


def run_measure(given: argparse.Namespace) -> None:
    """Measure in this process, on the loop asked for."""
    coroutine = measure(given.measure, given.connections, given.seconds)
    if given.uvloop:
        import uvloop

        print(uvloop.run(coroutine))
    else:
        print(asyncio.run(coroutine))


def compare(given: argparse.Namespace) -> int:
    """Interleaved runs of all clients; medians."""
    verdicts = Verdicts()
    rates: dict[str, list[float]] = {"C": [], "asyncio": [], "uvloop": []}
    with Stand() as stand:
        port = stand.plcs(1).ports[0]
        common = ("--measure", port, "--connections", given.connections, "--seconds", given.seconds)
        for _ in range(given.runs):
            for name, result in (
                ("C", stand.ceiling(port, given.connections, given.seconds)),
                ("asyncio", stand.python("modbus_layer.py", *common)),
                ("uvloop", stand.python("modbus_layer.py", *common, "--uvloop")),
            ):
                assert result[3] == 0, f"{name}: {result[3]:.0f} reads failed"
                rates[name].append(result[0] / result[1])
    ceiling = statistics.median(rates["C"])
    for loop, must in GOALS.items():
        rate = statistics.median(rates[loop])
        text = f"Modbus layer, {given.connections} connections, {loop}: {rate:.0f} requests/s, C client {ceiling:.0f}"
        verdicts.goal(f"{text}, {rate / ceiling:.0%} (must be >= {must:.0%})", rate / ceiling >= must)
    return verdicts.code()


def main() -> int:
    """Run it; exit code 1 when a goal was not met."""
    parser = argparse.ArgumentParser(description="The Modbus layer; see the module.")
    parser.add_argument("--connections", type=int, default=50)
    parser.add_argument("--seconds", type=float, default=2.0)
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--measure", type=int, metavar="PORT")
    parser.add_argument("--uvloop", action="store_true")
    given = parser.parse_args()
    if given.measure is None:
        return compare(given)
    run_measure(given)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
