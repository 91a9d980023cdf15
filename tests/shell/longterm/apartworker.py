"""The history worker in a process of its own, heard line by line as the watch hears it."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from pathlib import Path

from peers.warm import start

SERVICE = Path(__file__).resolve().parents[3] / "service"


class Worker:
    """The worker's process, and what it says.

    Args:
        folder: Of the store. job: What the watch asks for besides.
    """

    program: tuple[str, ...] = ("-m", "nightrake.workers.keeping")

    def __init__(self, folder: Path, **job: object) -> None:
        what = {"state_dir": str(folder), "seal_s": 1.0, "look_s": 0.05, **job}
        self.process = start(*self.program, json.dumps(what), env=os.environ | {"PYTHONPATH": str(SERVICE)})
        self.said: dict[str, object] = {}

    def hear(self, until: Callable[[dict[str, object]], bool]) -> dict[str, object]:
        """Its first line that is so."""
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.said = json.loads(line)
            if until(self.said):
                return self.said
        raise AssertionError(f"it has ended; its last words: {self.said}")

    def hear_more(self, count: int) -> list[dict[str, object]]:
        """As many lines that say how it goes."""
        found: list[dict[str, object]] = []
        while len(found) < count:
            said = self.hear(lambda said: "error" in said)
            found.append(said)
        return found

    def ask(self, **wish: object) -> None:
        """As the watch asks it."""
        assert self.process.stdin is not None
        self.process.stdin.write(json.dumps({"id": 1, **wish}) + "\n")
        self.process.stdin.flush()

    def close(self) -> None:
        """As the watch ends it."""
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.close()
        self.process.wait(10.0)
        self.process.stdout.close()
