"""The watch under hard conditions: inside namespaces, behind a preloaded library, with little memory; and its store."""

from __future__ import annotations

import glob
import json
import os
import subprocess
import sys
import urllib.parse
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest

from integration.site import STARTS_S, Site, Watch, healthy, until
from nightrake.domain.rows import Row, TailRecord
from nightrake.journal.reader import Reader
from peers.apart import Apart
from peers.process import port_free, program
from peers.victoria import Victoria
from plc.fixtures import HERE as PLC_PROGRAMS
from plc.fixtures import LibmodbusServer

HANG = """
#define _GNU_SOURCE
#include <dlfcn.h>
#include <stdlib.h>
#include <unistd.h>

/* A disk whose syncs hang while the file that NIGHTRAKE_TEST_HANG names exists; for half a minute at most. */
static int hang_then(const char *name, int fd) {
    const char *flag = getenv("NIGHTRAKE_TEST_HANG");
    for (int i = 0; i < 3000 && flag && access(flag, F_OK) == 0; i++) usleep(10000);
    int (*real)(int) = (int (*)(int))dlsym(RTLD_NEXT, name);
    return real(fd);
}

int fsync(int fd) { return hang_then("fsync", fd); }
int fdatasync(int fd) { return hang_then("fdatasync", fd); }
"""


class HardWatch(Watch):
    """A watch that is started with something before its command, and more in its environment.

    Args:
        site: What to watch. prefix: Goes before the command; has to become that command, under the same pid.
        environment: Added to the test's own.
    """

    def __init__(self, site: Site, prefix: Sequence[str] = (), environment: Mapping[str, str] | None = None) -> None:
        super().__init__(site)
        self._prefix = list(prefix)
        self._more = dict(environment or {})

    def start(self, kill_at: str = "", *, wait: bool = True) -> None:
        """Start it, and wait until it answers."""
        environment = {**os.environ, "NIGHTRAKE_KILL_AT": kill_at, **self._more}
        command = [*self._prefix, sys.executable, "-m", "nightrake.cli", "watch", str(self.site.folder)]
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=log, stderr=log, env=environment)
        if wait:
            until(self.answers, f"the watch to answer; see {self.log}", STARTS_S)

    @property
    def pid(self) -> int:
        """Its process."""
        assert self._process is not None
        return self._process.pid

    def journal(self) -> list[dict[str, Any]]:
        """The newest rows of its journal, as the watch itself gives them."""
        last = int(self.status()["store"]["last_seq"])
        rows: list[dict[str, Any]] = self.ask("journal", after=max(0, last - 500), limit=500)
        return rows

    def kept(self) -> tuple[list[Row], list[TailRecord]]:
        """Everything in the store of a watch that has ended: journal and hot tail."""
        return kept_in(self.site.state / "store.db")


LIBRARY = "/usr/lib/*/faketime/libfaketimeMT.so.1"


class WrongClock:
    """UTC as one process sees it; `set` steps it."""

    def __init__(self, folder: Path) -> None:
        found = glob.glob(LIBRARY)
        if not found:
            pytest.fail(
                "libfaketime is not installed; it is in the Debian package libfaketime: apt-get install libfaketime"
            )
        self._file = folder / "clock.txt"
        self.environment = {
            "LD_PRELOAD": found[0],
            "FAKETIME_TIMESTAMP_FILE": str(self._file),
            "FAKETIME_NO_CACHE": "1",
            "FAKETIME_DONT_FAKE_MONOTONIC": "1",
            "NO_FAKE_STAT": "1",
        }
        self.set("+0")

    def set(self, text: str) -> None:
        """Step it: an offset such as +3600 (seconds) or +10y, or a date after @ from which it then goes on."""
        new = self._file.with_suffix(".new")
        new.write_text(text + "\n")
        os.replace(new, self._file)


def kept_in(path: Path) -> tuple[list[Row], list[TailRecord]]:
    """Journal and hot tail of a store."""
    reader = Reader(path)
    try:
        rows: list[Row] = []
        while newer := reader.rows_after(rows[-1].seq if rows else 0, 1000):
            rows += newer
        tail: list[TailRecord] = []
        while later := reader.tail_after(tail[-1].seq if tail else 0, 1000):
            tail += later
    finally:
        reader.close()
    return rows, tail


class Plants:
    """PLCs and the recorders in front of them, as processes inside networks of a test's own.

    Attributes:
        servers: The PLCs. ports: Of their recorders.
    """

    def __init__(self, folder: Path, binary: Path) -> None:
        self._folder, self._binary = folder, binary
        self.servers: list[LibmodbusServer] = []
        self.ports: list[int] = []
        self._recorders: list[subprocess.Popen[str]] = []

    def add(self, place: Apart, address: str) -> int:
        """A healthy drive's PLC; gives the port of its recorder, which listens on `address`."""
        inside = self._folder / f"server{len(self.servers)}.sh"
        inside.write_text(f'#!/bin/sh\nexec {" ".join(place.prefix())} {self._binary} "$@"\n')
        inside.chmod(0o755)
        server = LibmodbusServer(inside, port_free())
        self.servers.append(server)
        healthy(server)
        log = Path(os.environ.get("NIGHTRAKE_WIRE_LOG") or self._folder) / f"{self._folder.name}-{address}.log"
        command = [
            *place.prefix(),
            sys.executable,
            str(PLC_PROGRAMS / "recorder.py"),
            str(server.port),
            str(log),
            address,
        ]
        recorder = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        self._recorders.append(recorder)
        assert recorder.stdout is not None
        self.ports.append(int(recorder.stdout.readline()))
        return self.ports[-1]

    def close(self) -> None:
        """End them."""
        for recorder in self._recorders:
            recorder.terminate()
            recorder.wait(5.0)
            if recorder.stdout is not None:
                recorder.stdout.close()
        for server in self.servers:
            server.stop()


def faulty(faults: Path) -> list[str]:
    """What goes before a watch's command so that a test can plant faults in it; see `faulty.py`."""
    return [sys.executable, str(Path(__file__).with_name("faulty.py")), str(faults)]


def hanging_disk(folder: Path) -> Path:
    """Compile `HANG` and give the library, to be preloaded."""
    source, library = folder / "hang.c", folder / "hang.so"
    source.write_text(HANG)
    command = [program("gcc", "gcc"), "-O1", "-shared", "-fPIC", "-o", str(library), str(source), "-ldl"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=15, check=False)
    if done.returncode:
        pytest.fail(f"the hanging disk does not compile; is the Debian package libc6-dev there?\n{done.stderr}")
    return library


def far_samples(victoria: Victoria, series: str, least: int = 0) -> list[tuple[int, float]]:
    """Samples of a series in the far store, also those stamped later than now: (UTC ms, value), in order of stamps.

    Args:
        victoria: The store. series: Which. least: Wait until so many are visible.
    """
    query = "/api/v1/export?" + urllib.parse.urlencode({"match[]": series, "start": "0", "end": "4000000000"})
    samples: list[tuple[int, float]] = []

    def look() -> bool:
        samples.clear()
        for line in victoria.get(query).splitlines():
            found = json.loads(line)
            samples.extend(zip(found["timestamps"], found["values"], strict=True))
        return len(samples) >= least

    until(look, f"{least} samples of {series} to be visible", 12.0)
    return sorted(samples)
