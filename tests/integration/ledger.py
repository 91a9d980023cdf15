"""The outside ledger: a subscriber of its own (mosquitto_sub) that writes down every event it hears."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from peers.process import program


class Ledger:
    """Hears the event stream of a broker until closed.

    Args:
        port, address: Of the broker. file: What is heard. prefix: Goes before the subscriber's command.
    """

    def __init__(self, port: int, file: Path, *, address: str = "127.0.0.1", prefix: Sequence[str] = ()) -> None:
        self._file = file
        self._out = file.open("wb")
        command = [*prefix, program("mosquitto_sub", "mosquitto-clients"), "-h", address, "-p", str(port)]
        command += ["-t", "nightrake/works/#", "-q", "1", "-F", "%t %p"]
        self._process = subprocess.Popen(command, stdout=self._out, stderr=subprocess.DEVNULL)

    def _lines(self) -> list[tuple[str, str]]:
        """Topic and payload of all that was heard; the line that is just being written is left for later."""
        lines = self._file.read_text(errors="replace").split("\n")[:-1]
        return [(where, text) for where, _, text in (line.partition(" ") for line in lines)]

    def heard(self, topic: str) -> list[dict[str, Any]]:
        """Messages on a topic below the site's, in the order heard."""
        found = []
        for where, text in self._lines():
            if where == f"nightrake/works/{topic}" and text:
                found.append(json.loads(text))
        return found

    def events(self, name: str = "") -> list[dict[str, Any]]:
        """Events, canaries left out; all, or those of one name."""
        events = [e for e in self.heard("events") if e["kind"] != "canary"]
        return [e for e in events if not name or e["event"] == name]

    def alarm(self, event: str, kind: str = "shutdown_contact") -> list[dict[str, Any]]:
        """What alarms of one kind went through: ``raised``, ``reset`` and so on."""
        return [e for e in self.events(event) if e["kind"] == "alarm" and e["data"]["alarm"].endswith(kind)]

    def states(self, below: str) -> dict[str, dict[str, Any]]:
        """What stands on the topics that begin so, by the rest of the topic; those that were cleared are left out."""
        found = dict(self._lines())
        begin = f"nightrake/works/{below}"
        ours = {w: t for w, t in found.items() if w.startswith(begin) and t and not w.endswith("/.canary")}
        return {w.removeprefix(begin): json.loads(t)["data"] for w, t in ours.items()}

    def close(self) -> None:
        """Stop listening."""
        self._process.terminate()
        self._process.wait(5.0)
        self._out.close()
