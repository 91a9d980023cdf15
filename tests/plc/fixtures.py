"""PLC fixtures: a libmodbus server, a server that misbehaves on purpose, and a recorder in front of each."""

from __future__ import annotations

import os
import subprocess
import sys
import uuid
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path

import pytest
import pytest_asyncio

from peers.process import port_free, program
from plc.rogue import Rogue, honest

HERE = Path(__file__).resolve().parent


class LibmodbusServer:
    """A running libmodbus server; `set` changes its map."""

    def __init__(self, binary: Path, port: int) -> None:
        self.port = port
        self._process = subprocess.Popen(
            [str(binary), str(port)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1
        )
        assert self._process.stdout is not None
        assert self._process.stdout.readline() == "ready\n"

    def set(self, table: str, address: int, value: int) -> None:
        """Set one entry: table d, c, h or i. Returns when it is set."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(f"{table} {address} {value}\n")
        self._process.stdin.flush()
        assert self._process.stdout.readline() == "ok\n"

    def stop_hard(self) -> None:
        """kill -9."""
        self._process.kill()
        self._process.wait(5.0)

    def stop(self) -> None:
        """End it."""
        if self._process.stdin is not None:
            self._process.stdin.close()
        self._process.wait(5.0)
        if self._process.stdout is not None:
            self._process.stdout.close()


@pytest.fixture(scope="session")
def libmodbus_binary(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The libmodbus server, compiled once."""
    compiler = program("gcc", "gcc")
    binary = tmp_path_factory.mktemp("libmodbus") / "libmodbus_server"
    source = HERE / "libmodbus_server.c"
    done = subprocess.run(
        [compiler, "-O1", "-o", str(binary), str(source), "-lmodbus"], capture_output=True, text=True, check=False
    )
    if done.returncode:
        pytest.fail(f"the libmodbus server does not compile; is the Debian package libmodbus-dev there?\n{done.stderr}")
    return binary


@pytest.fixture
def make_recorder(tmp_path: Path) -> Iterator[Callable[..., int]]:
    """Puts a recorder in front of a PLC's port and gives the recorder's port."""
    folder = Path(os.environ.get("NIGHTRAKE_WIRE_LOG") or tmp_path)
    running: list[subprocess.Popen[str]] = []

    def make(plc_port: int, log_folder: Path | None = None) -> int:
        log = (log_folder or folder) / f"{uuid.uuid4().hex}.log"
        process = subprocess.Popen(
            [sys.executable, str(HERE / "recorder.py"), str(plc_port), str(log)], stdout=subprocess.PIPE, text=True
        )
        running.append(process)
        assert process.stdout is not None
        return int(process.stdout.readline())

    yield make
    for process in running:
        process.terminate()
        process.wait(5.0)
        if process.stdout is not None:
            process.stdout.close()


@pytest.fixture
def make_libmodbus(libmodbus_binary: Path) -> Iterator[Callable[[], LibmodbusServer]]:
    """Makes libmodbus servers, ended with the test; not recorded yet."""
    made: list[LibmodbusServer] = []

    def make() -> LibmodbusServer:
        made.append(LibmodbusServer(libmodbus_binary, port_free()))
        return made[-1]

    yield make
    for server in made:
        server.stop()


@pytest_asyncio.fixture
async def rogue(make_recorder: Callable[..., int]) -> AsyncIterator[Rogue]:
    """A misbehaving server, honest until told otherwise, with a recorder in front: `rogue.port` is the recorder's."""
    server = Rogue(honest)
    await server.start()
    server.port = make_recorder(server.own_port)
    yield server
    await server.stop()
