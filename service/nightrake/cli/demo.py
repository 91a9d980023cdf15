"""`nightrake demo`: the simulated plant, an embedded broker, the store, the watch and its page, watched live.

Plant and watch run in processes of their own, on free ports; the broker runs here. Everything lands in a temporary
folder that is removed at the end.
"""

from __future__ import annotations

import asyncio
import contextlib
import ctypes
import json
import logging
import os
import signal
import socket
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from nightrake.cli.demopage import DemoPage, has_desktop, page_settings
from nightrake.cli.demoscreen import Screen, say, summary
from nightrake.control.client import ControlClient
from nightrake.errors import ControlError, NightrakeError
from nightrake.settings import Settings, load

READY_S = 20.0
PR_SET_PDEATHSIG = 1
"""Source: prctl(2)."""


def run_demo(folder: Path, seconds: float, seed: int, browser: bool = True) -> int:
    """Run the demo; exit code 0 when it ran through, 1 when a part failed.

    Args:
        folder: Settings folder of the example plant.
        seconds: Ends by itself after this long; 0 = runs until Ctrl-C.
        seed: Seed of the plant's chance.
        browser: Open the page where there is a desktop.
    """
    try:
        settings = load(folder)
        page = DemoPage(browser and has_desktop(os.environ))
        for number in (signal.SIGTERM, signal.SIGHUP):  # until the loop takes them, so that no folder is left
            signal.signal(number, _stop_early)
        with tempfile.TemporaryDirectory(prefix="nightrake-demo-") as scratch:
            return asyncio.run(_demo(folder, settings, seconds, seed, page, Path(scratch)))
    except (KeyboardInterrupt, _StoppedEarly):
        with contextlib.suppress(OSError):  # the terminal may be closed
            say("The demo was stopped while it was starting; nothing of it is left.")
        return 1


class _StoppedEarly(Exception):
    """Ctrl-C or the like before everything ran."""


def _stop_early(number: int, frame: object) -> None:  # noqa: ARG001
    raise _StoppedEarly


async def _demo(folder: Path, settings: Settings, seconds: float, seed: int, page: DemoPage, scratch: Path) -> int:
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        loop.add_signal_handler(number, stop.set)
    processes: list[asyncio.subprocess.Process] = []
    broker, mqtt_port = await _broker()
    telephones = _Telephones()
    try:
        ports = await _plant(seed, processes, stop)
        say(f"plant: three PLCs on 127.0.0.1:{', '.join(str(p) for p in ports.values())}")
        say(f"broker: embedded, MQTT 3.1.1, on 127.0.0.1:{mqtt_port}")
        ways = {f"channel.{name}.url": url for name in settings.channels if (url := await telephones.url())}
        sets = {**ways, **await asyncio.to_thread(page_settings, settings.people)}
        watch = await _watch(folder, scratch, ports, mqtt_port, sets)
        processes.append(watch)
        client = await _connect(scratch / "control", watch, stop)
        say(f"watch: running in its own process; six drives; times are those of {settings.duty.rota.zone.name}")
        table = Screen(settings.duty.rota.zone)
        with client:
            ended = await _show(client, watch, stop, seconds, table, page)
            status = await asyncio.to_thread(client.ask, "status")
        await _end(watch)
        with contextlib.suppress(OSError):  # the terminal may be closed
            summary(status, table, telephones.rang, watch.returncode)
        return 0 if ended and watch.returncode == 0 else 1
    except OSError:
        if stop.is_set():  # the terminal was closed: nobody is there to be told anything
            return 1
        raise
    finally:
        for process in reversed(processes):
            await _end(process)
        page.close()
        telephones.close()
        await broker.shutdown()


async def _broker() -> tuple[Any, int]:
    """amqtt on a free port of 127.0.0.1: enough for a demo, not for a plant."""
    try:
        from amqtt.broker import Broker
    except ImportError as error:
        raise NightrakeError(
            "the demo needs the 'demo' extra: run deploy/demo, or pip install 'nightrake[demo]'"
        ) from error
    logging.getLogger("amqtt").setLevel(logging.CRITICAL)
    logging.getLogger("transitions").setLevel(logging.CRITICAL)
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    config = {
        "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{port}"}},
        "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
    }
    broker = Broker(config)
    await broker.start()
    return broker, port


class _Telephones:
    """Takes what the watch would send to people by mail and webhook, and counts it; nothing leaves the machine."""

    def __init__(self) -> None:
        self.rang = 0
        self._server: asyncio.Server | None = None

    async def url(self) -> str:
        """Where a channel sends to."""
        if self._server is None:
            self._server = await asyncio.start_server(self._ring, "127.0.0.1", 0)
        return f"json://127.0.0.1:{self._server.sockets[0].getsockname()[1]}/{{address}}"

    async def _ring(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(OSError, asyncio.IncompleteReadError, asyncio.LimitOverrunError, ValueError):
            head = await reader.readuntil(b"\r\n\r\n")
            length = next((h for h in head.lower().split(b"\r\n") if h.startswith(b"content-length:")), b":0")
            await reader.readexactly(min(int(length.partition(b":")[2]), 65_536))
            self.rang += 1
            writer.write(b"HTTP/1.1 200 OK\r\nContent-Length: 0\r\nConnection: close\r\n\r\n")
            await writer.drain()
        writer.close()

    def close(self) -> None:
        """No more calls."""
        if self._server is not None:
            self._server.close()


async def _plant(seed: int, processes: list[asyncio.subprocess.Process], stop: asyncio.Event) -> dict[str, int]:
    """Start the plant; it is among `processes` whatever becomes of it."""
    if stop.is_set():
        raise _StoppedEarly
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        *("-m", "nightrake.plant", "--ports", "0", "--scenario", "demo", "--seed", str(seed)),
        stdin=asyncio.subprocess.DEVNULL,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.DEVNULL,
        preexec_fn=_end_with(os.getpid()),
        process_group=0,  # Ctrl-C is for the demo, which ends its parts in order
    )
    processes.append(process)
    assert process.stdout is not None
    stopped, line = asyncio.create_task(stop.wait()), asyncio.create_task(process.stdout.readline())
    done, waiting = await asyncio.wait((stopped, line), timeout=READY_S, return_when=asyncio.FIRST_COMPLETED)
    for task in waiting:
        task.cancel()
    if stopped in done:
        raise _StoppedEarly
    try:
        return dict(json.loads(line.result() if line in done else b"")["ports"])
    except (ValueError, KeyError) as error:
        raise NightrakeError("the simulated plant did not start; try 'nightrake simulate' alone to see why") from error


async def _watch(
    folder: Path, scratch: Path, ports: Mapping[str, int], mqtt_port: int, more: Mapping[str, str | int]
) -> asyncio.subprocess.Process:
    sets = {f"plc.{name}.{key}": value for name, port in ports.items() for key, value in _place(port).items()}
    sets |= {"mqtt.host": "127.0.0.1", "mqtt.port": mqtt_port, "mqtt.protocol": 311, "forward.enabled": "false"}
    sets |= {"store.dir": str(scratch / "state"), "control.socket": str(scratch / "control"), **more}
    arguments = [part for key, value in sets.items() for part in ("--set", f"{key}={value}")]
    with (scratch / "watch.log").open("wb") as log:
        return await asyncio.create_subprocess_exec(
            sys.executable,
            *("-m", "nightrake.cli", "watch", str(folder), *arguments),
            stdin=asyncio.subprocess.DEVNULL,
            stdout=log,
            stderr=log,
            preexec_fn=_end_with(os.getpid()),
            process_group=0,
        )


def _end_with(parent: int) -> Callable[[], None]:
    """For a new process: to be ended by the kernel when the demo is gone, however that came about."""
    prctl = ctypes.CDLL(None, use_errno=True).prctl

    def ask() -> None:
        prctl(PR_SET_PDEATHSIG, signal.SIGTERM)
        if os.getppid() != parent:  # it is gone already
            os._exit(1)

    return ask


def _place(port: int) -> dict[str, str | int]:
    return {"host": "127.0.0.1", "port": port}


async def _connect(path: Path, watch: asyncio.subprocess.Process, stop: asyncio.Event) -> ControlClient:
    deadline = time.monotonic() + READY_S
    while True:
        if stop.is_set():
            raise _StoppedEarly
        try:
            return ControlClient(path)
        except ControlError:
            if time.monotonic() > deadline or watch.returncode is not None:
                log = path.parent / "watch.log"
                tail = log.read_text(errors="replace")[-600:] if log.exists() else ""
                raise NightrakeError(f"the watch did not start; its last words: {tail}") from None
            await asyncio.sleep(0.05)


async def _end(process: asyncio.subprocess.Process | None) -> None:
    if process is None or process.returncode is not None:
        return
    process.terminate()
    try:
        async with asyncio.timeout(10.0):
            await process.wait()
    except TimeoutError:
        process.kill()
        await process.wait()


async def _show(
    client: ControlClient,
    watch: asyncio.subprocess.Process,
    stop: asyncio.Event,
    seconds: float,
    screen: Screen,
    page: DemoPage,
) -> bool:
    """Show until the time is up, somebody stops it, or the watch ends; False for the last."""
    from rich.live import Live

    ends = time.monotonic() + seconds if seconds > 0 else float("inf")
    after = 0
    with Live(console=screen.console, auto_refresh=False, transient=False) as live:
        while time.monotonic() < ends and not stop.is_set():
            if watch.returncode is not None:
                return False
            news = await asyncio.to_thread(client.ask, "news", after=after)
            after = news["seq"]
            screen.take(news["rows"])
            if not page.address:
                for line in page.take((await asyncio.to_thread(client.ask, "status"))["page"]):
                    say(line)
                screen.address = page.address
            if screen.console.is_terminal:
                left_s = ends - time.monotonic() if seconds > 0 else 0.0
                live.update(screen.render(news["drives"], left_s), refresh=True)
            try:
                async with asyncio.timeout(min(0.5, max(0.0, ends - time.monotonic()))):
                    await stop.wait()
            except TimeoutError:
                continue
    return True
