"""`nightrake simulate`: the plant as a process of its own.

Prints one JSON line when ready: ``{"ready": true, "ports": {"PLCA": ..., "PLCB": ..., "GWC": ...}}``; what happens goes
to standard error. With ``--commands`` each line of standard input is a command, answered on standard output.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import math
import os
import signal
import sys
from collections.abc import Sequence

from nightrake.plant.commands import DEMO, HELP, CommandError, Commands
from nightrake.plant.fennmark import Plant
from nightrake.plant.server import PlcServer

STEP_S = 0.02
CHUNK_BYTES = 65_536
"""Read at a time; a command is shorter."""
PORTS = {"PLCA": 15021, "PLCB": 15022, "GWC": 15023}


def main(argv: Sequence[str] | None = None) -> int:
    """Run the plant until SIGTERM, Ctrl-C or the end of ``--for``; exit code 0, 1 when a port is taken."""
    parser = argparse.ArgumentParser(
        prog="nightrake simulate",
        description="The simulated Fennmark plant: three PLCs on 127.0.0.1, read only.",
        epilog=HELP,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument(
        "--ports", default="example", choices=["example", "0"], help="example: as in config/; 0: free ones"
    )
    parser.add_argument("--speed", type=float, default=1.0, help="how much faster than real time the plant lives")
    parser.add_argument("--scenario", default="quiet", choices=["quiet", "demo"], help="what happens by itself")
    parser.add_argument("--seed", type=int, default=7, help="seed of its chance")
    parser.add_argument(
        "--for", dest="seconds", type=float, default=0.0, help="end after this many seconds (0: run on)"
    )
    parser.add_argument("--commands", action="store_true", help="take commands from standard input")
    arguments = parser.parse_args(argv)
    if not 0.0 < arguments.speed <= 10_000.0:
        print("nightrake simulate: --speed has to be above 0 and up to 10000", file=sys.stderr)
        return 1
    if not 0.0 <= arguments.seconds < math.inf:
        print("nightrake simulate: --for has to be 0 (run on) or a number of seconds", file=sys.stderr)
        return 1
    try:
        return asyncio.run(_run(arguments))
    except OSError as error:
        print(
            f"nightrake simulate: {error.strerror or error}; is another plant running? try --ports 0", file=sys.stderr
        )
        return 1


async def _run(arguments: argparse.Namespace) -> int:
    plant = Plant(arguments.seed, arguments.speed)
    servers = {name: PlcServer(plant, plc) for name, plc in plant.plcs.items()}
    loop = asyncio.get_running_loop()
    tasks: set[asyncio.Task[None]] = set()

    def vanish(name: str, seconds: float) -> None:
        task = loop.create_task(servers[name].vanish(seconds), name=f"vanish {name}")
        tasks.add(task)
        task.add_done_callback(tasks.discard)

    commands = Commands(plant, vanish)
    stop = asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    try:
        ports = {n: await s.start(PORTS[n] if arguments.ports == "example" else 0) for n, s in servers.items()}
        print(json.dumps({"ready": True, "ports": ports}), flush=True)
        if arguments.commands:
            loop.add_reader(sys.stdin.fileno(), Typed(commands, loop).read)
        await _live(plant, commands, stop, DEMO if arguments.scenario == "demo" else (), arguments.seconds)
    finally:
        for task in list(tasks):
            task.cancel()
        for server in servers.values():
            await server.stop()
    return 0


async def _live(
    plant: Plant, commands: Commands, stop: asyncio.Event, script: Sequence[tuple[float, str]], seconds: float
) -> None:
    loop = asyncio.get_running_loop()
    begin = last = loop.time()
    waiting = list(script)
    while not stop.is_set():
        now = loop.time()
        while waiting and now - begin >= waiting[0][0]:
            line = waiting.pop(0)[1]
            print(f"{now - begin:6.1f} s  {line}", file=sys.stderr, flush=True)
            commands.run(line)
        plant.step(min(now - last, 1.0))
        last = now
        for machine in plant.machines.values():
            while machine.log:
                print(f"{now - begin:6.1f} s  {machine.log.pop(0)}", file=sys.stderr, flush=True)
        if seconds and now - begin >= seconds:
            return
        try:
            async with asyncio.timeout(STEP_S):
                await stop.wait()
        except TimeoutError:
            continue


class Typed:
    """Commands from standard input, a line each, however many come together.

    Args:
        commands: Runs them. loop: Says when something has come.
    """

    def __init__(self, commands: Commands, loop: asyncio.AbstractEventLoop) -> None:
        self._commands, self._loop = commands, loop
        self._rest = b""

    def read(self) -> None:
        """Run what has come."""
        came = os.read(sys.stdin.fileno(), CHUNK_BYTES)
        *lines, self._rest = (self._rest + came).split(b"\n")
        if not came:
            self._loop.remove_reader(sys.stdin.fileno())
            lines = [self._rest] if self._rest else []
        elif len(self._rest) >= CHUNK_BYTES:
            self._rest = b""
            print("refused: a line without an end", flush=True)
        for line in lines:
            try:
                print(self._commands.run(line.decode(errors="replace").strip()), flush=True)
            except CommandError as error:
                print(f"refused: {error}", flush=True)


if __name__ == "__main__":
    raise SystemExit(main())
