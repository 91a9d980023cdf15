"""The bench stand: C peers, Mosquitto, VictoriaMetrics, a generated site of any size, and the watch beside them.

Servers run on the first processor and the program under test on the second, so that they do not take time from each
other. Everything listens on 127.0.0.1, on free ports, and ends with the stand.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import psutil

from nightrake.control.client import ControlClient
from nightrake.errors import ControlError

HERE = Path(__file__).resolve().parent
DRIVES_PER_PLC = 8
START_S = 60.0
"""A site of 2 000 drives takes a while to read its settings and to connect."""
PINNED = (os.cpu_count() or 1) >= 2
SERVERS, SUBJECT = "0", "1"
"""Processors of the servers and of the program under test."""


class Usage(NamedTuple):
    """What a process has used so far: processor seconds of all its threads, and the monotonic time of that look."""

    cpu_s: float
    wall_s: float


class Stand:
    """Everything that a benchmark needs, as a context manager.

    Attributes:
        folder: Scratch folder. mqtt_port: Mosquitto's. store_url: VictoriaMetrics'.
    """

    def __init__(self) -> None:
        self._stack = contextlib.ExitStack()
        self.folder = Path()
        self.mqtt_port = 0
        self.store_url = ""

    def __enter__(self) -> Stand:
        self.folder = Path(self._stack.enter_context(tempfile.TemporaryDirectory(prefix="nr-bench-")))
        try:
            self._build()
            self._start_broker()
            self._start_store()
        except BaseException:
            self._stack.close()
            raise
        return self

    def __exit__(self, *exc: object) -> None:
        self._stack.close()

    def _build(self) -> None:
        for name in ("plc_server", "ceiling_client"):
            source, program = HERE / f"{name}.c", self.folder / name
            subprocess.run(["gcc", "-O2", "-o", str(program), str(source), "-lmodbus"], check=True)

    def _start_broker(self) -> None:
        self.mqtt_port = free_port()
        config = self.folder / "mosquitto.conf"
        config.write_text(
            f"listener {self.mqtt_port} 127.0.0.1\nallow_anonymous true\nset_tcp_nodelay true\n"
            "persistence false\nmax_queued_messages 100000\n"
        )
        self.start(["mosquitto", "-c", str(config)], SERVERS)
        wait_for(lambda: listens(self.mqtt_port), "Mosquitto")

    def _start_store(self) -> None:
        port = free_port()
        self.store_url = f"http://127.0.0.1:{port}"
        flags = ["-retentionPeriod=100y", "-dedup.minScrapeInterval=1ms", "-memory.allowedPercent=20"]
        place = [f"-storageDataPath={self.folder / 'store'}", f"-httpListenAddr=127.0.0.1:{port}"]
        self.start(["victoria-metrics", *place, *flags], SERVERS)
        wait_for(lambda: healthy(f"{self.store_url}/health"), "VictoriaMetrics")

    def start(self, command: Sequence[str], processor: str, **more: Any) -> subprocess.Popen[str]:
        """Start a process on a processor; the stand ends it."""
        settings = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "text": True, **more}
        process: subprocess.Popen[str] = subprocess.Popen(pinned(command, processor), **settings)
        self._stack.callback(end, process)
        return process

    def plcs(self, count: int, *options: str) -> PlcServer:
        """Start a server of many PLCs."""
        command = [str(self.folder / "plc_server"), str(count), *options]
        process = self.start(command, SERVERS, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        return PlcServer(process)

    def ceiling(self, port: int, connections: int, seconds: float) -> list[float]:
        """Run the C client: requests, wall_s, cpu_s, errors."""
        return numbers([str(self.folder / "ceiling_client"), str(port), str(connections), str(seconds)])

    def python(self, script: str, *arguments: object) -> list[float]:
        """Run one of the scripts here on the subject's processor and read the numbers that it prints."""
        return numbers(here_python(script, *arguments))

    @contextlib.contextmanager
    def watch(self, site: Path, before: Sequence[str] = ()) -> Iterator[Watch]:
        """The watch on a generated site, up and reading every PLC; `before` goes before its command."""
        with (self.folder / "watch.log").open("w") as log:
            command = [*before, sys.executable, "-m", "nightrake.cli", "watch", str(site)]
            process = subprocess.Popen(pinned(command, SUBJECT), stdout=log, stderr=log, cwd=self.folder)
            try:
                yield Watch(process, self.folder / "state" / "control", self.folder / "watch.log")
            finally:
                end(process)
                shutil.rmtree(self.folder / "state", ignore_errors=True)


class PlcServer:
    """A running `plc_server`."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        assert process.stdout is not None
        self.process = process
        self.ports = [int(word) for word in process.stdout.readline().split()[1:]]

    def command(self, line: str) -> None:
        """Send one command, for instance ``all 0``."""
        assert self.process.stdin is not None
        self.process.stdin.write(f"{line}\n")
        self.process.stdin.flush()


class Watch:
    """A running watch, seen through its control socket and the kernel."""

    def __init__(self, process: subprocess.Popen[bytes], control: Path, log: Path) -> None:
        self.process = process
        self._seen = psutil.Process(process.pid)
        self._control = control
        self._log = log
        wait_for(self._reads_everything, "the watch (every PLC up)", self._last_words)

    def _reads_everything(self) -> bool:
        if self.process.poll() is not None:
            raise SystemExit(f"the watch ended with code {self.process.returncode}: {self._last_words()}")
        try:
            status = self.status()
        except ControlError:
            return False
        return bool(status["mqtt"]["up"]) and all(plc["up"] for plc in status["plcs"].values())

    def _last_words(self) -> str:
        return self._log.read_text(errors="replace")[-2000:]

    def status(self) -> dict[str, Any]:
        """What `nightrake status --json` shows."""
        with ControlClient(self._control, timeout_s=30.0) as client:
            return dict(client.ask("status"))

    def usage(self) -> Usage:
        """Processor time so far, of the watch and of what it started."""
        processes = [self._seen, *self._seen.children(recursive=True)]
        times = [p.cpu_times() for p in processes]
        return Usage(sum(t.user + t.system for t in times), time.monotonic())

    def memory_mb(self) -> float:
        """Resident memory now."""
        return float(self._seen.memory_info().rss) / 1e6


# --- small things -----------------------------------------------------------------------------------------------------


def free_port() -> int:
    """A free port of 127.0.0.1."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def listens(port: int) -> bool:
    """Whether somebody accepts connections there."""
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


def healthy(url: str) -> bool:
    """Whether an HTTP server answers with 200."""
    try:
        with urllib.request.urlopen(url, timeout=1.0) as answer:
            return bool(answer.status == 200)
    except OSError:
        return False


def wait_for(ready: Callable[[], bool], what: str, words: Callable[[], str] = str) -> None:
    """Look again until it is so; end the benchmark with a sentence when it never is."""
    deadline = time.monotonic() + START_S
    while not ready():
        if time.monotonic() > deadline:
            raise SystemExit(f"{what}: not there within {START_S:.0f} s. {words()}")
        time.sleep(0.05)


def pinned(command: Sequence[str], processor: str) -> list[str]:
    """The command, kept to one processor where there are two."""
    return ["taskset", "-c", processor, *command] if PINNED else list(command)


def here_python(script: str, *arguments: object) -> list[str]:
    """The command that runs one of the scripts here."""
    return [sys.executable, str(HERE / script), *map(str, arguments)]


def numbers(command: Sequence[str]) -> list[float]:
    """Run a program on the subject's processor and read the numbers of its last line."""
    done = subprocess.run(pinned(command, SUBJECT), capture_output=True, text=True, timeout=300, check=False)
    if done.returncode != 0 or not done.stdout.strip():
        raise SystemExit(f"{' '.join(command)}: {done.stderr[-1000:]}")
    return [float(word) for word in done.stdout.splitlines()[-1].split()]


def end(process: subprocess.Popen[Any]) -> None:
    """End a process of ours, politely first."""
    if process.poll() is None:
        process.terminate()
        try:
            process.wait(timeout=15)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
    for pipe in (process.stdin, process.stdout, process.stderr):
        if pipe is not None:
            with contextlib.suppress(OSError):
                pipe.close()


def percentile(values: Sequence[float], share: float) -> float:
    """The smallest value that at least this share (0 to 1) does not exceed."""
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(len(ordered) * share))]


def fsync_p99_ms(folder: Path) -> float:
    """How long this disk takes to make 4 KiB safe, 99th percentile of 200, in ms."""
    took = []
    with (folder / "fsync-probe").open("wb") as file:
        for _ in range(200):
            file.write(bytes(4096))
            file.flush()
            begin = time.perf_counter()
            os.fdatasync(file.fileno())
            took.append((time.perf_counter() - begin) * 1e3)
    return percentile(took, 0.99)


class Verdicts:
    """Prints a line for each goal and remembers whether all were met."""

    def __init__(self) -> None:
        self.failed = False

    def goal(self, text: str, met: bool) -> None:
        """A goal that must be met."""
        print(f"{text}: {'ok' if met else 'NOT MET'}", flush=True)
        self.failed |= not met

    def report(self, text: str) -> None:
        """A number without a goal."""
        print(text, flush=True)

    def code(self) -> int:
        """Exit code."""
        return 1 if self.failed else 0


def delta(before: Mapping[str, Any], after: Mapping[str, Any]) -> dict[str, int]:
    """What was added to the scan counts between two statuses."""
    return {key: int(after["scans"][key]) - int(before["scans"][key]) for key in ("due", "done", "late", "missed")}
