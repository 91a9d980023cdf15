"""The watch under hard conditions: inside namespaces, behind a preloaded library, with little memory; and its store."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest

from integration.site import Site, Watch, until
from nightrake.domain.rows import Row, TailRecord
from nightrake.journal.reader import Reader
from peers.process import program

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
            until(self.answers, f"the watch to answer; see {self.log}")

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


def hanging_disk(folder: Path) -> Path:
    """Compile `HANG` and give the library, to be preloaded."""
    source, library = folder / "hang.c", folder / "hang.so"
    source.write_text(HANG)
    command = [program("gcc", "gcc"), "-O1", "-shared", "-fPIC", "-o", str(library), str(source), "-ldl"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=15, check=False)
    if done.returncode:
        pytest.fail(f"the hanging disk does not compile; is the Debian package libc6-dev there?\n{done.stderr}")
    return library
