"""A real VictoriaMetrics on a free port (of 127.0.0.1 unless a test says otherwise), and how to read back from it."""

from __future__ import annotations

import json
import subprocess
import sys
import time
import urllib.parse
import urllib.request
from pathlib import Path

from peers.process import Peer, port_free, program

FIRST_LOOK_S = 1.2
"""A series asked for before it is visible may stay hidden for up to ten seconds: do not look earlier than this."""

GET = "import sys, urllib.request as r; sys.stdout.buffer.write(r.urlopen(sys.argv[1], timeout=5).read())"


class Victoria(Peer):
    """The store.

    Args:
        folder: For data and log. flags: Further command line flags. address: Where it listens.
    """

    def __init__(self, folder: Path, flags: tuple[str, ...] = (), address: str = "127.0.0.1") -> None:
        super().__init__(folder, port_free())
        self._program = program("victoria-metrics", "victoria-metrics")
        self._flags = flags
        self._address = address

    @property
    def url(self) -> str:
        """Its base address."""
        return f"http://{self._address}:{self.port}"

    def command(self) -> list[str]:
        return [
            self._program,
            f"-storageDataPath={self.folder / 'data'}",
            f"-httpListenAddr={self._address}:{self.port}",
            "-retentionPeriod=100y",
            "-search.latencyOffset=0s",
            "-memory.allowedBytes=64MiB",
            *self._flags,
        ]

    def ready(self) -> bool:
        if self._network:
            return super().ready()
        try:
            return self.get("/health") == b"OK"
        except OSError:
            return False

    def get(self, path: str) -> bytes:
        """Body of a GET. Blocking."""
        if self._network:
            command = [*self._prefix, sys.executable, "-c", GET, self.url + path]
            return subprocess.run(command, capture_output=True, timeout=10, check=True).stdout
        with urllib.request.urlopen(self.url + path, timeout=5.0) as reply:
            body: bytes = reply.read()
            return body

    def export(self, match: str) -> dict[str, list[tuple[int, float]]]:
        """All samples of the series that match: series as text -> (utc ms, value) in order. Blocking."""
        query = urllib.parse.urlencode({"match[]": match, "start": "0"})
        found: dict[str, list[tuple[int, float]]] = {}
        for line in self.get(f"/api/v1/export?{query}").splitlines():
            series = json.loads(line)
            tags = ",".join(f"{k}={v}" for k, v in sorted(series["metric"].items()) if k != "__name__")
            pairs = list(zip(series["timestamps"], series["values"], strict=True))
            found.setdefault(f"{series['metric']['__name__']}{{{tags}}}", []).extend(pairs)
        return {k: sorted(v) for k, v in found.items()}

    def export_until(self, match: str, count: int, within_s: float = 12.0) -> dict[str, list[tuple[int, float]]]:
        """`export`, repeated until that many samples are visible or the time is up. Blocking."""
        until = time.monotonic() + within_s
        time.sleep(FIRST_LOOK_S)
        while True:
            found = self.export(match)
            if sum(map(len, found.values())) >= count or time.monotonic() > until:
                return found
            time.sleep(0.2)
